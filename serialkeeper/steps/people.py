"""Making a record, and the people who work on it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.moves import LINE_LEAD, ROLES
from serialkeeper.rules.serials import Chance
from serialkeeper.store import opening
from serialkeeper.store.record import Record

LONGEST_NAME = 80


def init(
    url: str,
    person: str,
    *,
    role: str = LINE_LEAD,
    station: str,
    now: Callable[[], datetime],
    chance: Chance,
    account: str,
) -> Record:
    """Make a practice record and its first person.

    Refuses `record_exists`, `bad_value`.
    """
    return opening.make_record(
        url,
        person=check_name(person),
        role=_check_role(role),
        station=station,
        now=now,
        chance=chance,
        account=account,
    )


def add(record: Record, name: str, *, role: str, account: str = "") -> dict[str, Any]:
    """Add a person. Refuses `person_exists`, `bad_value`."""
    check_name(name)
    with record.work(HOUSE) as work:
        people = work.people()
        if any(person.name.casefold() == name.casefold() for person in people):
            raise Refused(
                "person_exists",
                "A person of that name is in the record already.",
                came=name,
                remedy="Names stay for ever; add a distinguishing mark to the new one.",
            )
        data = {
            "id": len(people) + 1,
            "name": name,
            "role": _check_role(role),
            "account": account,
        }
        work.write(HOUSE, "person added", data)
    return {"name": name, "role": role}


def everybody(record: Record) -> list[dict[str, Any]]:
    """All people, in order of entry, as plain data."""
    with record.read() as view:
        return [{"name": p.name, "role": p.role, "added": p.added} for p in view.people()]


def check_name(name: str) -> str:
    """A name that can stand on paper. Refuses `bad_value`."""
    if name.strip() != name or not 1 <= len(name) <= LONGEST_NAME or not name.isprintable():
        raise Refused(
            "bad_value",
            "A person's name is printable text without spaces around it.",
            expected=f"1 to {LONGEST_NAME} characters",
            came=repr(name),
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
