"""Badges and PINs, sessions at a station, and tokens for scripts."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import secrets
from serialkeeper.rules import passwords, rights, tokens
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.record import Record
from serialkeeper.store.sign_in import (
    badge_digest,
    begin_session,
    end_session,
    end_sessions,
)


def give_badge(record: Record, name: str, badge: str, *, reason: str) -> dict[str, Any]:
    """Give a person a badge; its owner then chooses a PIN for it.

    Args:
        badge: its text, as the scanner sends it.
        reason: why, in words: a new one, the old one lost.

    Refuses `live_only`, `bad_value`, `reason_needed`, `person_unknown`, `person_retired`,
    `badge_taken`, `role_not_allowed`.

    Returns:
        name.
    """
    record.check_may("badge given")
    _check_live(record)
    why = check_remark(reason, "--reason", needed=True)
    passwords.check_badge(badge)
    digest = badge_digest(badge)
    with record.work(HOUSE) as work:
        person = work.person(name)
        owner = work.find_badge(digest)
        if owner is not None and owner.id != person.id:
            raise Refused(
                "badge_taken",
                "The badge is somebody else's.",
                expected="a badge of nobody",
                came=f"the badge of {owner.name}",
                remedy="Give another one; two people never share a badge.",
            )
        data = {"person": person.id, "sha256": digest}
        work.write(HOUSE, "badge given", data, reason=why)
        end_sessions(work, person.id)
    return {"name": name}


def change_pin(record: Record, badge: str, pin: str) -> dict[str, Any]:
    """Choose a PIN for one's own badge; signed in by password.

    Refuses `live_only`, `badge_unknown`, `password_weak`, `role_not_allowed`, `password_needed`
    in a session, `token_narrow`.

    Returns:
        name.
    """
    record.check_may("pin changed")
    _check_live(record)
    with record.read() as view:
        person = view.person(record.person)
    if person.badge != badge_digest(badge):
        raise Refused(
            "badge_unknown",
            "That is not your badge.",
            expected="the badge that you were given",
            came="another text",
            remedy="Scan your own badge; an administrator gives a new one: person badge.",
        )
    passwords.check_pin(pin, badge)
    sealed = passwords.sealed(f"{badge}\n{pin}", record.chance(passwords.SALT_BYTES))
    with record.work(HOUSE) as work:
        digest = hashlib.sha256(sealed.encode()).hexdigest()
        work.write(HOUSE, "pin changed", {"person": person.id, "sha256": digest})
        work.keep_credential(person.id, sealed, pin=True)
        end_sessions(work, person.id)
    return {"name": person.name}


def enter(
    record: Record, *, typed: str = "", instead_of: tuple[int, str] | None = None
) -> dict[str, Any]:
    """Begin a session of whoever has signed in, at this station.

    Args:
        typed: the password, or the badge's text, that was given.
        instead_of: number and key of the session that the station kept until now, whoever's; it is
            over.

    Refuses `live_only`, `password_temporary`; `password_needed` in a session, `token_narrow`.

    Returns:
        name, station, session (its number), idle (minutes); key and badge, which the station
        keeps: what proves the session, and the text of the badge that began it, or empty.
    """
    record.check_may("pin changed")  # everybody may, but in a session or with a first password
    _check_live(record)
    number, key = begin_session(record, instead_of)
    with record.read() as view:
        idle = view.password_rules().idle
        by_badge = bool(typed) and view.person(record.person).badge == badge_digest(typed)
    told = {"name": record.person, "station": record.station, "session": number, "idle": idle}
    return {**told, "key": key, "badge": typed if by_badge else ""}


def leave(record: Record, session: int, key: str) -> dict[str, Any]:
    """End a session; its key says that it is this station's.

    Refuses `session_over` for one that is over already.

    Returns:
        name (its owner's), station.
    """
    return {"name": end_session(record, session, key), "station": record.station}


def give_token(
    record: Record, *, purpose: str, may: Sequence[str], out: Path, until: date | None = None
) -> dict[str, Any]:
    """Make a token that works in one's own name, and write it into a file of mode 0600.

    Args:
        purpose: what it is for, in words.
        may: some of `rules.tokens.SCOPES`.
        out: the file to make.
        until: its last day (UTC).

    Refuses `live_only`, `bad_value`, `reason_needed`, `file_exists`, `file_unwritable`;
    `password_needed` in a session, `token_narrow` with a token.

    Returns:
        token (its number), purpose, may, until, file.
    """
    record.check_may("token given")
    _check_live(record)
    scopes = tokens.check_scopes(may)
    said = tokens.check_purpose(purpose)
    last = tokens.check_until(until, record.now().astimezone(UTC).date())
    secret = record.chance(tokens.BYTES)
    with record.work(HOUSE) as work:
        number = len(work.tokens()) + 1
        text = tokens.written(number, secret)
        data = {
            "id": number,
            "person": work.person(record.person).id,
            "purpose": said,
            "may": ",".join(scopes),
            "until": str(last),
            "sha256": tokens.digest(text),
        }
        work.write(HOUSE, "token given", data)
        secrets.keep(out, f"{text}\n".encode(), "a token")
    told = {"token": number, "purpose": said, "may": list(scopes)}
    return {**told, "until": str(last), "file": str(out)}


def all_tokens(record: Record) -> list[dict[str, Any]]:
    """All tokens, in order of making: token, name, purpose, may, until, given, revoked."""
    with record.read() as view:
        names = {person.id: person.name for person in view.people()}
        return [
            {
                "token": one.id,
                "name": names[one.person],
                "purpose": one.purpose,
                "may": one.may.split(","),
                "until": one.until,
                "given": one.at,
                "revoked": one.revoked or None,
            }
            for one in view.tokens()
        ]


def revoke(record: Record, number: int, *, reason: str) -> dict[str, Any]:
    """End a token: one's own, or as administrator anybody's.

    Refuses `token_unknown`, `reason_needed`, `role_not_allowed`.

    Returns:
        token, purpose, revoked.
    """
    record.check_may("token revoked")
    why = check_remark(reason, "--reason", needed=True)
    with record.work(HOUSE) as work:
        row = work.token(number)
        owner = work.person_with(row.person).name if row else ""
        ends = rights.may_end(owner, person=record.person, role=record.role)
        if row is None or row.revoked or not ends:
            raise Refused(
                "token_unknown",
                "The record has no such token of yours, or it is revoked already.",
                expected="a token in force: person tokens",
                came=str(number),
                remedy="An administrator ends the tokens of others.",
            )
        work.write(HOUSE, "token revoked", {"id": number}, reason=why)
        return {"token": number, "purpose": row.purpose, "revoked": work.at}


def _check_live(record: Record) -> None:
    """Refuses `live_only`."""
    if record.practice:
        raise Refused(
            "live_only",
            "This is a practice record; nobody signs in here.",
            where=record.url,
            came="a badge, a PIN, a session or a token",
            remedy="A live record is made with: init --password-stdin.",
        )
