"""Signing in to a live record: name and password, and what wrong ones lead to.

Whether a name exists is never told: the same refusal, after the same work, for an unknown name, a
wrong password, a retired person, and one who has to wait.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from sqlalchemy import insert, update

from serialkeeper.errors import Refused
from serialkeeper.rules import passwords
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.rules.rights import NOBODY
from serialkeeper.store.people_tables import Attempt, Person
from serialkeeper.store.tables import table_of

if TYPE_CHECKING:
    from serialkeeper.store.record import Record, Work


def sign_in(record: Record, name: str, password: str) -> Person:
    """The person of that name, whose password this is.

    Refuses `password_needed`, `sign_in_refused`.
    """
    if not name or not password:
        raise Refused(
            "password_needed",
            "This is a live record: it has to know who you are, by name and password.",
            where=record.url,
            expected="a name and a password",
            came="no password" if name else "no name",
            remedy="Give --as NAME; the password in SERIALKEEPER_PASSWORD, in a file of mode 0600 "
            "named in SERIALKEEPER_PASSWORD_FILE, or at a terminal when asked.",
        )
    with record.read() as view:
        person = view.find_person(name)
        kept = view.credential(person.id) if person else ""
        attempt = view.attempt(person.id) if person else None
    fits = passwords.matches(kept or passwords.DUMMY, password)
    now = written(record.now())
    waiting = attempt is not None and (
        attempt.until > now or attempt.failures >= passwords.CLOSED_AFTER
    )
    if person and fits and kept and not person.retired and not waiting:
        if attempt and attempt.failures:
            with record.work() as work:
                work.lock((HOUSE,))
                forget(work, person.id)
        return person
    if not waiting:
        _count(record, person.id if person else 0)
    raise Refused(
        "sign_in_refused",
        "Name and password do not go together, or wrong ones were tried too often.",
        came=name,
        remedy="Try again. After several wrong ones nothing is tried for a while, 15 minutes at "
        "most; an administrator can end that: person alarms, person unlock.",
    )


def forget(work: Work, person: int) -> None:
    """No wrong passwords were given from here on."""
    table = table_of(Attempt)
    change = update(table).where(table.c.person == person)
    work.connection.execute(change.values(failures=0, until=""))


def _count(record: Record, person: int) -> None:
    """One more wrong password; alarms when there are as many as the rules say."""
    nobody = replace(record, person="", role=NOBODY)
    table = table_of(Attempt)
    with nobody.work() as work:
        work.lock((HOUSE,))
        before = work.attempt(person)
        failures = before.failures + 1 if before else 1
        wait = passwords.wait_after(failures) if person else timedelta()
        until = written(record.now() + wait) if wait else ""
        if before:
            change = update(table).where(table.c.person == person)
            work.connection.execute(change.values(failures=failures, until=until))
        else:
            row = {"person": person, "failures": failures, "until": until}
            work.connection.execute(insert(table), row)
        alarms = work.sign_in_alarms()
        told = any(one.person == person and not one.cleared_at for one in alarms)
        told = told or bool(work.setting("moved_to"))  # then nothing is written here any more
        if failures >= work.password_rules().failures and not told:
            data = {"id": len(alarms) + 1, "person": person, "failures": failures}
            work.write(HOUSE, "sign-ins failed", data)
