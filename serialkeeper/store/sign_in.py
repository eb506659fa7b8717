"""Signing in to a live record, and what wrong passwords lead to.

By name and password, by badge and PIN, by the key of a session that began with one of these, or by
a token. Whether a name exists is never told: the same refusal, after the same work, for an unknown
name, a wrong password, a retired person, and one who has to wait.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, timedelta
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, insert, update

from serialkeeper.errors import Refused
from serialkeeper.rules import passwords, tokens
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.rules.rights import NOBODY
from serialkeeper.rules.tokens import Token
from serialkeeper.store.people_tables import Attempt, Person, Session
from serialkeeper.store.tables import table_of

if TYPE_CHECKING:
    from serialkeeper.store.record import Record, Work
    from serialkeeper.store.view import View

SESSION_KEY = 32
"""Random bytes of a session's key."""


@dataclass(slots=True)
class Component:
    """In a session: the one component that its owner gives again to sign (21 CFR 11.200(a)(1)(i)).

    Attributes:
        ask: asks for it: a PIN where the session was begun with a badge, else the password.
        badge: that badge's text, or empty.
        given: whether it was given, for the one command that has opened the record.
    """

    ask: Callable[[], str]
    badge: str = ""
    given: bool = False


@dataclass(frozen=True, slots=True)
class InSession:
    """The key of a session, as its station kept it; `component` is asked for where it signs.
    Whoever only looks on (`looks_on`) does not keep it alive."""

    id: int
    key: str
    component: Component
    looks_on: bool = False


def badge_digest(badge: str) -> str:
    """What the journal keeps of a badge's text."""
    return hashlib.sha256(badge.encode()).hexdigest()


def sign_in(record: Record, name: str, password: str, *, pin: Callable[[], str] = str) -> Person:
    """The person of that name whose password this is, or whose badge; then `pin` is asked for.

    Args:
        name: may be empty for a badge.

    Refuses `password_needed`, `sign_in_refused`.
    """
    if not password:
        raise _needed(record, name)
    with record.read() as view:
        tried = _tried(view, name, password, pin)
    found = tried.person
    now = written(record.now())
    if tried.fits() and found and not tried.waiting(now):
        if tried.failures:
            with record.work() as work:
                work.lock((HOUSE,))
                forget(work, found.id)
        return found
    if not tried.waiting(now):
        _count(record, found.id if found else 0)
    raise _refused(name)


def sign_in_within(work: Work, name: str, password: str, *, pin: Callable[[], str] = str) -> Person:
    """What `sign_in` gives, within a work that has just brought the tables to this version; wrong
    passwords are not counted there, since all is undone when this refuses."""
    tried = _tried(work, name, password, pin)
    if tried.fits() and tried.person and not tried.waiting(work.at):
        return tried.person
    raise _refused(name)


@dataclass(frozen=True, slots=True)
class _Tried:
    """A name and what was given with it: whose it would be, and what is kept of it."""

    person: Person | None
    kept: str
    given: str
    until: str
    failures: int

    def fits(self) -> bool:
        """Whether it is right; takes as long either way."""
        fits = passwords.matches(self.kept or passwords.DUMMY, self.given)
        known = self.person is not None and not self.person.retired
        return fits and known and bool(self.kept)

    def waiting(self, now: str) -> bool:
        """Whether nothing is tried because of wrong ones before."""
        return passwords.waits(self.until, now) or self.failures >= passwords.CLOSED_AFTER


def _tried(view: View, name: str, password: str, pin: Callable[[], str]) -> _Tried:
    on_badge = view.find_badge(badge_digest(password))
    person = view.find_person(name) if name else on_badge
    by_badge = on_badge is not None and person is not None and person.id == on_badge.id
    given = f"{password}\n{pin()}" if by_badge else password
    kept = ""
    if person:
        pin_kept = view.pin(person.id) if person.pin else ""
        kept = pin_kept if by_badge else view.credential(person.id)
    attempt = view.attempt(person.id) if person else None
    until, failures = (attempt.until, attempt.failures) if attempt else ("", 0)
    return _Tried(person, kept, given, until, failures)


def _refused(name: str) -> Refused:
    return Refused(
        "sign_in_refused",
        "Name and password do not go together, or wrong ones were tried too often.",
        came=name or "no name",
        remedy="Try again. After several wrong ones nothing is tried for a while, 15 minutes at "
        "most; an administrator can end that: person alarms, person unlock.",
    )


def _needed(record: Record, name: str) -> Refused:
    return Refused(
        "password_needed",
        "This is a live record: it has to know who you are, by name and password.",
        where=record.url,
        expected="a name and a password, or a badge and its PIN",
        came="no password" if name else "no name",
        remedy="Give --as NAME and the password; it comes from a terminal, from "
        "SERIALKEEPER_PASSWORD or a 0600 file named in SERIALKEEPER_PASSWORD_FILE.",
    )


def forget(work: Work, person: int) -> None:
    """No wrong passwords were given from here on."""
    table = table_of(Attempt)
    change = update(table).where(table.c.person == person)
    work.connection.execute(change.values(failures=0, until=""))


def _count(record: Record, person: int) -> None:
    """One more wrong password; alarms when there are as many as the rules say."""
    nobody = replace(record, person="", role=NOBODY, token=None, session=None)
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


# -- sessions ------------------------------------------------------------------------------------


def begin_session(record: Record, instead_of: tuple[int, str] | None = None) -> tuple[int, str]:
    """Begin a session of this person at this station; gives its number and key.

    Args:
        instead_of: number and key of the session that the station kept until now, whoever's; it is
            over.
    """
    key = record.chance(SESSION_KEY).hex()
    with record.work() as work:
        work.lock((HOUSE,))
        if instead_of:
            _end(work, table_of(Session).c.id == instead_of[0], _proves(instead_of[1]))
        number = work.last_session() + 1
        row = {
            "id": number,
            "person": work.person(record.person).id,
            "station": record.station,
            "sha256": hashlib.sha256(key.encode()).hexdigest(),
            "begun": work.at,
            "used": work.at,
            "ended": "",
        }
        work.connection.execute(insert(table_of(Session)), row)
    return number, key


def end_session(record: Record, number: int, key: str) -> str:
    """A session is over; who has its key may end it. Gives its owner's name.

    Refuses `session_over`.
    """
    with record.work() as work:
        work.lock((HOUSE,))
        row = work.session(number)
        ended = _end(work, table_of(Session).c.id == number, _proves(key))
        if row is None or not ended:
            raise _over(record.station)
        return work.person_with(row.person).name


def end_sessions(work: Work, person: int) -> None:
    """All sessions of a person are over: what they began with is not in force any more."""
    _end(work, table_of(Session).c.person == person)


def _end(work: Work, *which: ColumnElement[bool]) -> int:
    table = table_of(Session)
    change = update(table).where(*which, table.c.ended == "").values(ended=work.at)
    return int(work.connection.execute(change).rowcount)


def _proves(key: str) -> ColumnElement[bool]:
    return table_of(Session).c.sha256 == hashlib.sha256(key.encode()).hexdigest()


def _over(station: str) -> Refused:
    return Refused(
        "session_over",
        "The session at this station is over.",
        where=station,
        expected="a session that was used a short while ago",
        came="one that was left, ended by a new password, badge or PIN, or idle for too long",
        remedy="Sign in again: person enter.",
    )


def resume(record: Record, session: InSession) -> Person:
    """The person whose session this is; it goes on from now, unless somebody only looks on.

    Refuses `session_over` for one that was idle for too long, was left, is of another station, or
    whose owner is retired or has to wait after wrong passwords.
    """
    with record.read() as view:
        row = view.session(session.id)
        person = owner(record, view, session)
    if row is None or person is None:
        raise _over(record.station)
    now = record.now()
    if (
        not session.looks_on and written(now - timedelta(minutes=1)) > row.used
    ):  # not at every command
        with record.work() as work:
            work.lock((HOUSE,))
            table = table_of(Session)
            change = update(table).where(table.c.id == row.id, table.c.ended == "")
            work.connection.execute(change.values(used=written(now)))
    return person


def owner(record: Record, view: View, session: InSession) -> Person | None:
    """Whose session this is at the record's station; None if it is over."""
    row = view.session(session.id)
    if row is None:
        return None
    given = hashlib.sha256(session.key.encode()).hexdigest()
    now = record.now()
    idle = timedelta(minutes=view.password_rules().idle)
    attempt = view.attempt(row.person)
    person = view.person_with(row.person)
    fine = (
        hmac.compare_digest(given, row.sha256)
        and not row.ended
        and row.station == record.station
        and written(now - idle) <= row.used <= written(now + idle)
        and not person.retired
        and (attempt is None or not passwords.waits(attempt.until, written(now)))
        and (attempt is None or attempt.failures < passwords.CLOSED_AFTER)
    )
    return person if fine else None


# -- tokens --------------------------------------------------------------------------------------


def by_token(record: Record, text: str, *, noted: bool = True) -> tuple[Person, Token]:
    """The person in whose name a token works, and what it may.

    Args:
        noted: whether a wrong one is counted, and alarms when there are many.

    Refuses `sign_in_refused` for no token of this record; `token_over` for one that was revoked,
    that is past its day, or whose owner is retired.
    """
    number = tokens.number_of(text)
    with record.read() as view:
        row = view.token(number)
        person = view.person_with(row.person) if row else None
    given = tokens.digest(text.strip())
    if row is None or person is None or not hmac.compare_digest(given, row.sha256):
        if noted:
            _count(record, 0)
        raise Refused(
            "sign_in_refused",
            "That is no token of this record.",
            where=record.url,
            remedy="Check SERIALKEEPER_TOKEN_FILE, and which record the token is of.",
        )
    over = "revoked" if row.revoked else "its owner is retired" if person.retired else ""
    if not over and str(record.now().astimezone(UTC).date()) > row.until:
        over = f"in force until {row.until}"
    if over:
        raise Refused(
            "token_over",
            "The token is not in force any more.",
            where=f"token {row.id}, {row.purpose}",
            expected="a token in force",
            came=over,
            remedy="Make a new one: person token.",
        )
    return person, Token(row.id, tokens.verbs_of(row.may.split(",")))
