"""Making, opening and migrating records: settings, people, the schema's version."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text

from serialkeeper.errors import Refused
from serialkeeper.rules import signatures
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.serials import Chance
from serialkeeper.store.engines import (
    is_empty,
    left_as_it_was,
    open_engine,
    parse_url,
    reading,
    without_secret,
)
from serialkeeper.store.failures import record_changed, speaking_plainly
from serialkeeper.store.people_tables import Person
from serialkeeper.store.record import SCHEMA, Record, Work
from serialkeeper.store.sign_in import InSession, by_token, resume, sign_in, sign_in_within
from serialkeeper.store.tables import MODELS
from serialkeeper.store.view import View

_VERSION = text("SELECT max(version_num) FROM alembic_version")


def found_schema(connection: Connection) -> str:
    """The schema's version in the database, empty for no record."""
    if not inspect(connection).has_table("alembic_version"):
        return ""
    rows = connection.execute(text("SELECT version_num FROM alembic_version ORDER BY 1")).scalars()
    return " and ".join(map(str, rows))


def check_schema(engine: Engine, url: str) -> None:
    """Refuses `record_unreadable`, `record_outdated` or `record_newer` if the database is no
    record of this version."""
    with speaking_plainly(url), reading(engine) as connection:
        found = found_schema(connection)
    if found == SCHEMA:
        return
    if not found.isdigit():
        raise Refused(
            "record_unreadable",
            "There is no record of this program at that place.",
            where=url,
            expected=f"schema {SCHEMA}",
            came=f"schema {found}" if found else "no serialkeeper record",
            remedy="Name a record made by 'serialkeeper init'.",
        )
    if found < SCHEMA:
        raise Refused(
            "record_outdated",
            "The record was made by an earlier version of serialkeeper.",
            where=url,
            expected=f"schema {SCHEMA}",
            came=f"schema {found}",
            remedy="Back it up, then bring it to this version: serialkeeper record migrate. "
            "Earlier versions cannot work on it afterwards.",
        )
    raise Refused(
        "record_newer",
        "The record belongs to a later version of serialkeeper.",
        where=url,
        expected=f"schema {SCHEMA}",
        came=f"schema {found}",
        remedy="Use the version that migrated it; this one would not understand it.",
    )


def open_record(
    url: str,
    *,
    person: str = "",
    password: Callable[[], str] = str,
    pin: Callable[[], str] = str,
    token: str = "",
    session: InSession | None = None,
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
) -> Record:
    """Open an existing record for a person; without a name, for the only person there is.

    Args:
        password: asked for in a live record only; it may give a badge's text.
        pin: asked for after a badge.
        token: what a script signs in with, instead.
        session: what was begun at this station, instead.

    Refuses `sign_in_refused`, `password_needed`, `session_over`, `token_over`, `record_missing`,
    `record_unreadable`, `record_outdated`, `record_newer`, `record_unreachable`, `record_denied`,
    `copy_unfinished`, `person_unknown`, `person_retired`.
    """
    record = stand_by(url, station=station, now=now, chance=chance)
    try:
        return signed_in(
            record, person=person, password=password, pin=pin, token=token, session=session
        )
    except BaseException:
        record.close()
        raise


def stand_by(url: str, *, station: str, now: Callable[[], datetime], chance: Chance) -> Record:
    """An existing record, open and in nobody's hands; `signed_in` gives it into somebody's.

    Refuses what `open_record` refuses of the record itself.
    """
    engine = open_engine(url, station=station)
    shown = _shown(url)
    try:
        check_schema(engine, shown)
        record = Record(engine, shown, "", "", station, now, chance, practice=True)
        with record.read() as view:
            _check_finished(view, shown)
            practice = view.setting("kind") == "practice"
    except BaseException:
        engine.dispose()
        raise
    return replace(record, practice=practice)


def signed_in(
    record: Record,
    *,
    person: str = "",
    password: Callable[[], str] = str,
    pin: Callable[[], str] = str,
    token: str = "",
    session: InSession | None = None,
    noted: bool = True,
) -> Record:
    """The record in the hands of whoever signs in, over the connections that are open.

    Args:
        noted: whether a wrong token is counted, and alarms when there are many.

    Refuses what `open_record` refuses of people, and `record_changed`.
    """
    with record.read() as view:
        check_version(view, record)
        moved_to = view.setting("moved_to")
        if record.practice:
            found = view.person(person) if person else view.only_person()
    used = None
    if not record.practice and token:
        found, used = by_token(record, token, noted=noted)
    elif not record.practice and session:
        found = resume(record, session)
    elif not record.practice:
        found = sign_in(record, person, password(), pin=pin)
    _check_same(person, found.name)
    return replace(
        record,
        person=found.name,
        role=found.role,
        moved_to=moved_to,
        temporary=bool(found.temporary),
        token=used,
        session=session.component if session and not record.practice else None,
        wrote=set(),
    )


def check_version(view: View, record: Record) -> None:
    """Refuses `record_changed` if another version of the program has migrated an open record."""
    version = view.connection.execute(_VERSION).scalar()
    if version != SCHEMA:
        message = "The record is not the one that was opened any more."
        raise record_changed(message, record.url, came=f"schema {version}")


def _check_same(named: str, found: str) -> None:
    """Refuses `sign_in_refused` for a token or a session of somebody else than who was named."""
    if named in ("", found):
        return
    raise Refused(
        "sign_in_refused",
        "The token, or the session at this station, is somebody else's.",
        expected=f"{found}, or no name",
        came=named,
        remedy="Leave the name out; or leave the session (person leave), or unset the token.",
    )


_FIRST_LIVE = "0013"
"""The first schema of live records."""


def _is_practice(record: Record) -> bool:
    with record.read() as view:
        return view.setting("kind") == "practice"


def _check_finished(view: View, url: str) -> None:
    """Refuses `copy_unfinished`: a copy gets its house chain last, whole."""
    if view.find_chain(HOUSE):
        return
    raise Refused(
        "copy_unfinished",
        "A record is being copied to that place, and not all of it is there.",
        where=url,
        expected="a whole record",
        came="the lots of one, without people, products and settings",
        remedy="Give the command 'record copy' again where it was given; or empty the place and "
        "begin again.",
    )


def open_copy(url: str, of: Record, *, create: bool) -> Record:
    """The place to which a record is copied, with a record's tables.

    Args:
        url: where.
        of: the record that is copied; the same person works on both.
        create: whether the tables are made where nothing is.

    Refuses `record_exists` for tables of somebody else, and what `open_record` refuses but
    `copy_unfinished` and `person_unknown`.
    """
    from serialkeeper.store.migrations import upgrade

    engine = open_engine(url, create=create, begun=True, station=of.station)
    shown = _shown(url)
    copy = replace(of, engine=engine, url=shown, moved_to="")
    try:
        with speaking_plainly(shown), reading(engine) as connection:
            found = found_schema(connection)
        if create and not found:
            with copy.work() as work:
                _wait_for_makers(work.connection)
                if not found_schema(work.connection):  # nobody was faster
                    _check_empty(work.connection, shown)
                    upgrade(work.connection)
        check_schema(engine, shown)
    except BaseException:
        engine.dispose()
        raise
    return copy


def stands_at(url: str, station: str) -> bool:
    """Whether there is a whole record at a place; not if there is nothing, or an unfinished copy.

    Refuses what `open_record` refuses where that cannot be told: a server has to answer, a file's
    folder has to be there.
    """
    parsed = parse_url(url)
    path = Path(parsed.database or "")
    nothing = path.parent.is_dir() and (not path.exists() or is_empty(path))
    if parsed.get_backend_name() == "sqlite" and nothing:
        return False
    engine = open_engine(url, station=station)
    shown = _shown(url)
    try:
        with speaking_plainly(shown), reading(engine) as connection:
            if not found_schema(connection):
                return False
        check_schema(engine, shown)
        with speaking_plainly(shown), reading(engine) as connection:
            return View(connection).find_chain(HOUSE) is not None
    finally:
        engine.dispose()


def make_record(
    url: str,
    *,
    person: str,
    role: str,
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
    account: str,
    sealed: str = "",
) -> Record:
    """Make a record and its first person, in one transaction.

    Args:
        account: the person's account on this computer; kept in a practice record.
        sealed: what is kept of the first person's password; without it, it is a practice record.

    Refuses `record_exists`, `record_unreachable`, `record_denied`; leaves nothing behind when it
    fails.
    """
    from serialkeeper.store.migrations import upgrade

    engine = open_engine(url, create=True, station=station)
    shown = _shown(url)
    with left_as_it_was(engine):
        practice = not sealed
        record = Record(engine, shown, person, role, station, now, chance, practice)
        with record.work() as work:
            _wait_for_makers(work.connection)
            _check_empty(work.connection, shown)
            upgrade(work.connection)
            work.open_chain(HOUSE)
            kind = "practice" if practice else "live"
            work.write(HOUSE, "record made", {"kind": kind, "made": work.at})
            work.write(
                HOUSE,
                "person added",
                {"id": 1, "name": person, "role": role, "account": account if practice else ""},
            )
            if sealed:
                digest = hashlib.sha256(sealed.encode()).hexdigest()
                work.write(HOUSE, "password changed", {"person": 1, "sha256": digest})
                work.keep_credential(1, sealed)
    return record


def _shown(url: str) -> str:
    parsed = parse_url(url)
    return url if parsed.get_backend_name() == "sqlite" else without_secret(parsed)


def _wait_for_makers(connection: Connection) -> None:
    """Let whoever makes a record there end first; makers of a file are in line already."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(hashtext('serialkeeper'))"))


def _check_empty(connection: Connection, url: str) -> None:
    """Refuses `record_exists` for a database with tables that a record would need."""
    ours = {"alembic_version", *(str(model.__tablename__) for model in MODELS)}
    there = sorted(ours.intersection(inspect(connection).get_table_names()))
    if there:
        raise Refused(
            "record_exists",
            "There are tables in that database already.",
            where=url,
            expected="a database without tables",
            came=", ".join(there[:5]),
            remedy="Choose an empty database; a record is never overwritten.",
        )


def migrate_record(
    url: str,
    *,
    person: str,
    password: Callable[[], str] = str,
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
) -> dict[str, str]:
    """Bring an earlier version's record to this one, in one transaction that nobody works beside.

    A record that was moved away is migrated too, so that it can be looked at.

    Refuses what `open_record` refuses but `record_outdated`.

    Returns:
        record, from, to: where, the version that was found, and the one that is there now.
    """
    from serialkeeper.store.migrations import upgrade

    engine = open_engine(url, station=station)
    record = Record(engine, _shown(url), "", "", station, now, chance, practice=True)
    try:
        with speaking_plainly(record.url), reading(engine) as connection:
            found = found_schema(connection)
        if not found.isdigit() or found > SCHEMA:
            check_schema(engine, record.url)
        if found < SCHEMA:
            live = found >= _FIRST_LIVE and not _is_practice(record)
            record = replace(record, practice=not live)
            given = password() if live else ""
            with record.alone() as work:
                found = found_schema(work.connection)
                if found < SCHEMA:  # nobody was faster
                    upgrade(work.connection)
                    _check_finished(work, record.url)
                    work.hand_to(_migrating(work, person, given, live=live))
                    work.lock((HOUSE,))
                    told = {"from": found, "to": SCHEMA, **_unsigned(work, found)}
                    work.write(HOUSE, "record migrated", told)
    finally:
        engine.dispose()
    return {"record": record.url, "from": found, "to": SCHEMA}


def _migrating(work: Work, person: str, password: str, *, live: bool) -> Person:
    if live:
        return sign_in_within(work, person, password)
    return work.person(person) if person else work.only_person()


def _unsigned(view: View, found: str) -> dict[str, Any]:
    """How many entries each chain has from before all were signed that are signed now."""
    if not signatures.may_be_unsigned(found):
        return {}
    return {"unsigned": {str(chain.lot_id): chain.count for chain in view.chains()}}
