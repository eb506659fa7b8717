"""Making a record, and the people who work on it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import passwords, rights, texts
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.moves import ADMINISTRATOR, LINE_LEAD, ROLES
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.serials import Chance
from serialkeeper.store import opening
from serialkeeper.store.record import Record, Work
from serialkeeper.store.sign_in import end_sessions, forget

LONGEST_NAME = 80


def init(
    url: str,
    person: str,
    *,
    role: str = "",
    password: str = "",
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
    account: str,
) -> Record:
    """Make a record and its first person: a live record with a password, else one for practice.

    Args:
        role: the administrator of a live record; the line lead if empty in a practice record.

    Refuses `record_exists`, `bad_value`, `password_weak`, `role_not_allowed`.
    """
    check_name(person)
    role = _check_role(role or (ADMINISTRATOR if password else LINE_LEAD))
    sealed = ""
    if password:
        rights.check("person added", role, practice=False)
        passwords.check_new(password, person, passwords.Rules())
        sealed = passwords.sealed(password, chance(passwords.SALT_BYTES))
    return opening.make_record(
        url,
        person=person,
        role=role,
        station=station,
        now=now,
        chance=chance,
        account=account,
        sealed=sealed,
    )


def add(
    record: Record, name: str, *, role: str, account: str = "", password: str = ""
) -> dict[str, Any]:
    """Add a person.

    Args:
        account: of a practice record, whose account on the computer it is.
        password: of a live record, the first one; its owner has to change it.

    Refuses `person_exists`, `bad_value`, `role_not_allowed`, `live_only`, and in a live record
    `password_needed`, `password_weak`.
    """
    check_name(name)
    _check_role(role)
    record.check_may("person added")
    sealed = "" if record.practice and not password else _sealed(record, name, password)
    with record.work(HOUSE) as work:
        people = work.people()
        if any(texts.alike(person.name, name) for person in people):
            raise Refused(
                "person_exists",
                "A person of that name, or of one that looks the same, is in the record already.",
                came=name,
                remedy="Names stay for ever; add a distinguishing mark to the new one.",
            )
        data = {
            "id": len(people) + 1,
            "name": name,
            "role": role,
            "account": account if record.practice else "",
        }
        work.write(HOUSE, "person added", data)
        if sealed:
            _keep(work, "password given", len(people) + 1, sealed)
    return {"name": name, "role": role}


def change_password(
    record: Record, new: str, *, name: str = "", reason: str = ""
) -> dict[str, Any]:
    """Change one's own password; whoever has the record open has signed in with the old one.

    Args:
        name: somebody who forgot theirs: an administrator gives them this one, which they have to
            change before anything else.
        reason: why it is given.

    Refuses `password_weak`, `password_needed`, `live_only`; with a name `person_unknown`,
    `person_retired`, `role_not_allowed`, `reason_needed`.
    """
    if name:
        return _give_password(record, name, new, reason)
    with record.read() as view:
        kept = view.credential(view.person(record.person).id)
    sealed = _sealed(record, record.person, new)
    if passwords.matches(kept, new):
        raise Refused(
            "password_weak",
            "That is the password of now.",
            expected="another one",
            came="the same",
            remedy="Choose a new one.",
        )
    with record.work(HOUSE) as work:
        _keep(work, "password changed", work.person(record.person).id, sealed)
    return {"name": record.person, "temporary": False}


def _give_password(record: Record, name: str, new: str, reason: str) -> dict[str, Any]:
    record.check_may("password given")
    check_remark(reason, "--reason", needed=True)
    sealed = _sealed(record, name, new)
    with record.work(HOUSE) as work:
        _keep(work, "password given", work.person(name).id, sealed, reason)
    return {"name": name, "temporary": True}


def _sealed(record: Record, name: str, password: str) -> str:
    """What is to be kept of a new password."""
    if record.practice:
        raise Refused(
            "live_only",
            "This is a practice record; nobody has a password here.",
            where=record.url,
            came="a password",
            remedy="Leave it out; a live record is made with: init --password-stdin.",
        )
    if not password:
        raise Refused(
            "password_needed",
            "A person of a live record needs a password.",
            came="none",
            remedy="Give it with --password-stdin, or at a terminal when asked.",
        )
    with record.read() as view:
        rules = view.password_rules()
    passwords.check_new(password, name, rules)
    return passwords.sealed(password, record.chance(passwords.SALT_BYTES))


def _keep(work: Work, verb: str, person: int, sealed: str, reason: str = "") -> None:
    digest = hashlib.sha256(sealed.encode()).hexdigest()
    work.write(HOUSE, verb, {"person": person, "sha256": digest}, reason=reason)
    work.keep_credential(person, sealed)
    forget(work, person)
    end_sessions(work, person)


def change_role(record: Record, name: str, role: str, *, reason: str) -> dict[str, Any]:
    """Give a person another role.

    Refuses `person_unknown`, `person_retired`, `bad_value`, `reason_needed`, `role_not_allowed`,
    `last_administrator`.
    """
    _check_role(role)
    check_remark(reason, "--reason", needed=True)
    with record.work(HOUSE) as work:
        person = work.person(name)
        if role != ADMINISTRATOR:
            _check_administrators(record, work, name)
        work.write(HOUSE, "role changed", {"person": person.id, "role": role}, reason=reason)
    return {"name": name, "role": role, "before": person.role}


def retire(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """End a person's work on the record; the name stays for ever.

    Refuses `person_unknown`, `person_retired`, `reason_needed`, `bad_value`, `role_not_allowed`,
    `last_administrator`.
    """
    check_remark(reason, "--reason", needed=True)
    with record.work(HOUSE) as work:
        person = work.person(name)
        _check_administrators(record, work, name)
        work.write(HOUSE, "person retired", {"person": person.id}, reason=reason)
    return {"name": name, "role": person.role, "retired": work.at}


def _check_administrators(record: Record, work: Work, name: str) -> None:
    """Refuses `last_administrator` if a live record had none without this person."""
    others = [one for one in work.people() if not one.retired and one.name != name]
    if record.practice or any(one.role == ADMINISTRATOR for one in others):
        return
    raise Refused(
        "last_administrator",
        "The record would have no administrator any more.",
        expected="another administrator",
        came=name,
        remedy="Add another administrator first.",
    )


def rules(
    record: Record,
    *,
    shortest: int | None = None,
    failures: int | None = None,
    idle: int | None = None,
    reason: str = "",
) -> dict[str, Any]:
    """The rules for passwords; with any given, set them first.

    Args:
        shortest: characters of a password, at least.
        failures: wrong ones in a row that alarm.
        idle: minutes after which an unused session is over.

    Refuses `bad_value`, `reason_needed`, `role_not_allowed`.
    """
    given = {"shortest": shortest, "failures": failures, "idle": idle}
    new = {name: value for name, value in given.items() if value is not None}
    if new:
        check_remark(reason, "--reason", needed=True)
        with record.work(HOUSE) as work:
            wanted = replace(work.password_rules(), **new)
            passwords.check_rules(wanted)
            row = {"id": work.password_rules_count() + 1, **asdict(wanted)}
            work.write(HOUSE, "password rules set", row, reason=reason)
    with record.read() as view:
        return {**asdict(view.password_rules()), "longest": passwords.LONGEST}


def alarms(record: Record) -> list[dict[str, Any]]:
    """Alarms about wrong passwords in a row; name None stands for names that are not there."""
    with record.read() as view:
        names = {person.id: person.name for person in view.people()}
        return [
            {
                "alarm": one.id,
                "name": names.get(one.person),
                "failures": one.failures,
                "station": one.station,
                "at": one.at,
                "cleared_by": one.cleared_by or None,
                "cleared_at": one.cleared_at or None,
                "cause": one.cause or None,
            }
            for one in view.sign_in_alarms()
        ]


def unlock(record: Record, name: str, *, reason: str) -> dict[str, Any]:
    """Clear a person's alarms about wrong passwords; they may sign in again at once.

    Args:
        name: whose; empty for names that are not there.

    Refuses `person_unknown`, `reason_needed`, `bad_value`, `role_not_allowed`.

    Returns:
        name, cleared (the alarms' numbers).
    """
    check_remark(reason, "--reason", needed=True)
    record.check_may("sign-ins cleared")
    with record.work(HOUSE) as work:
        person = work.known_person(name).id if name else 0
        cleared = [
            one.id for one in work.sign_in_alarms() if one.person == person and not one.cleared_at
        ]
        for alarm in cleared:
            work.write(HOUSE, "sign-ins cleared", {"alarm": alarm}, reason=reason)
        forget(work, person)
    return {"name": name or None, "cleared": cleared}


def everybody(record: Record) -> list[dict[str, Any]]:
    """All people, in order of entry, as plain data.

    Returns:
        name, role, added, retired; sign_in: in a live record, for an administrator, whether a
        first password waits to be changed (temporary), and whether there is a badge and a PIN.
    """
    told = record.role == "administrator" and not record.practice
    with record.read() as view:
        return [
            {
                "name": p.name,
                "role": p.role,
                "added": p.added,
                "retired": p.retired or None,
                "sign_in": {
                    "temporary": bool(p.temporary),
                    "badge": bool(p.badge),
                    "pin": bool(p.pin),
                }
                if told
                else None,
            }
            for p in view.people()
        ]


def check_name(name: str) -> str:
    """A name that can stand on paper. Refuses `bad_value`."""
    if fault := texts.fault_of_name(name, LONGEST_NAME):
        raise Refused(
            "bad_value",
            "This is no name for a person.",
            expected=fault,
            came=ascii(name[: 2 * LONGEST_NAME]),
            remedy="Give the name as it stands on the shift list.",
        )
    return name


def _check_role(role: str) -> str:
    if role not in ROLES:
        raise Refused(
            "bad_value",
            "There is no such role.",
            expected=", ".join(ROLES),
            came=role,
            remedy="Give one of the roles.",
        )
    return role
