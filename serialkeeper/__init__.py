"""The record of every serial number of a pharmaceutical lot.

The same steps as on the command line, under the same names, as typed functions:

    import serialkeeper as sk

    with sk.open_record("sqlite:///serialkeeper.db", person="Line Lead") as record:
        sk.serials.allocate(record, "LOT24A", 2052)
        sk.print.write(record, "LOT24A", lanes=4, out=Path("job.csv"))
        taken = sk.inspect.take(record, "LOT24A", Path("results.csv"))

Every function either does the whole step or raises a `SerialKeeperError` and leaves the
record as it was.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from serialkeeper.errors import Damaged, Refused, SerialKeeperError, Unavailable, WrongUsage
from serialkeeper.nouns import (
    alarm,
    challenge,
    events,
    hold,
    inspect,
    label,
    location,
    lot,
    pack,
    person,
    print,
    product,
    record,
    review,
    roll,
    run,
    scan,
    serials,
    station,
)
from serialkeeper.outside import clock
from serialkeeper.steps import people
from serialkeeper.steps.inspection import Onlooker, Progress
from serialkeeper.store.opening import open_record as _open
from serialkeeper.store.record import Record


def open_record(
    url: str,
    *,
    person: str = "",
    password: str = "",
    token: str = "",
    station: str = "",
    now: Callable[[], datetime] = clock.now,
    seed: int | None = None,
) -> Record:
    """Open an existing record.

    Args:
        url: `sqlite:///FOLDER/record.db` or `postgresql://USER@HOST/DATABASE`.
        person: who works on it; may be left out where the record knows just one.
        password: of that person, in a live record.
        token: what a script signs in with to a live record instead of a password.
        station: where; the computer's name if empty.
        now: the clock; gives times with a zone.
        seed: makes chance repeatable; practice records only.

    Raises:
        Refused: `record_missing`, `record_unreadable`, `person_unknown`, `practice_only`,
            `password_needed`, `sign_in_refused`, `token_over`.
    """
    record = _open(
        url,
        person=person,
        password=lambda: password,
        token=token,
        station=station or clock.station(),
        now=now,
        chance=clock.chance(seed),
    )
    if seed is not None and not record.practice:
        record.close()
        raise _only_for_practice(seed)
    return record


def _only_for_practice(seed: int) -> Refused:
    return Refused(
        "practice_only",
        "Repeatable chance is for practice records.",
        came=f"seed {seed}",
        remedy="Leave the seed out.",
    )


def init(
    url: str,
    person: str,
    *,
    role: str = "",
    password: str = "",
    station: str = "",
    now: Callable[[], datetime] = clock.now,
    seed: int | None = None,
) -> Record:
    """Make a record and its first person: with a password a live one, else one for practice.

    Raises:
        Refused: `record_exists`, `bad_value`, `password_weak`, `role_not_allowed`.
    """
    if seed is not None and password:
        raise _only_for_practice(seed)
    return people.init(
        url,
        person,
        role=role,
        password=password,
        station=station or clock.station(),
        now=now,
        chance=clock.chance(seed),
        account=clock.account(),
    )


__all__ = [
    "Damaged",
    "Onlooker",
    "Progress",
    "Record",
    "Refused",
    "SerialKeeperError",
    "Unavailable",
    "WrongUsage",
    "alarm",
    "challenge",
    "events",
    "hold",
    "init",
    "inspect",
    "label",
    "location",
    "lot",
    "open_record",
    "pack",
    "person",
    "print",
    "product",
    "record",
    "review",
    "roll",
    "run",
    "scan",
    "serials",
    "station",
]
