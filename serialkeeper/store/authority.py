"""What somebody who has opened a record may write, and what they have to give for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from serialkeeper.errors import Refused
from serialkeeper.rules import moves, rights, signatures
from serialkeeper.store.sign_in import sign_in

if TYPE_CHECKING:
    from serialkeeper.store.record import Record


ANEW = (
    *("person added", "role changed", "password changed", "password given", "password rules set"),
    *("badge given", "pin changed", "token given", "sign-ins cleared"),
)
"""What could let somebody else in: never by a session, whose station may be left alone."""


def check_may(record: Record, verb: str, narrower: tuple[str, ...] = ()) -> None:
    """What `check_writes` refuses, before the work; in a session asks for what signs."""
    check_writes(record, verb, narrower)
    session = record.session
    if session and not session.given and verb in signatures.NEEDED:
        component = session.ask()
        if not component:
            raise _unsigned(verb)
        sign_in(record, record.person, session.badge or component, pin=lambda: component)
        session.given = True


def check_writes(record: Record, verb: str, narrower: tuple[str, ...] = ()) -> None:
    """Refuses `role_not_allowed`, `password_temporary` and `token_narrow`."""
    if record.temporary and verb != "password changed":
        raise temporary(record.person)
    rights.check(verb, record.role, practice=record.practice, narrower=narrower)
    if record.token:
        record.token.check(verb)
    if record.session and verb in ANEW:
        raise Refused(
            "password_needed",
            "For this you sign in anew, not by the session at this station.",
            where=verb,
            expected="name and password",
            came="a session",
            remedy="Leave the session first: person leave.",
        )


def check_signs(record: Record, verb: str) -> None:
    """Refuses `password_needed` for an entry of a session that is to be signed, and whose signing
    component was not given."""
    if record.session and not record.session.given and verb in signatures.NEEDED:
        raise _unsigned(verb)


def _unsigned(verb: str) -> Refused:
    return Refused(
        "password_needed",
        "This entry is signed: it needs the PIN, or the password, once more.",
        where=verb,
        expected="the component that only you can give",
        came="none",
        remedy="Give it once more; without a terminal, in SERIALKEEPER_PIN or "
        "SERIALKEEPER_PASSWORD.",
    )


def seconded_by(record: Record, person: str, password: str, pin: Callable[[], str] = str) -> Record:
    """What `Record.seconded_by` gives."""
    if record.practice:
        return record
    moves.check_second(record.person, person, practice=False)
    if not password:
        raise _confirms(person)
    found = sign_in(record, person, password, pin=pin)
    if found.temporary:
        raise temporary(person)
    return replace(record, confirming={**record.confirming, found.name: found.role})


def check_second(record: Record, verb: str, second: str) -> None:
    """Refuses `second_person_needed`, `password_needed` and `role_not_allowed` for a second person
    of a live record who is the first, gave no password, or may not do it."""
    if record.practice or not second:
        return
    moves.check_second(record.person, second, practice=False)
    if second not in record.confirming:
        raise _confirms(second)
    rights.check(verb, record.confirming[second], practice=False, person=second)


def _confirms(person: str) -> Refused:
    return Refused(
        "password_needed",
        "The second person confirms with a password, or badge and PIN, of their own.",
        where=f"--second {person}",
        expected="name and password",
        came="a name",
        remedy="Give --second NAME and that person's own password; it comes from a terminal, from "
        "SERIALKEEPER_SECOND_PASSWORD or a 0600 file named in SERIALKEEPER_SECOND_PASSWORD_FILE.",
    )


def temporary(person: str) -> Refused:
    """The refusal of work with a password that somebody else knows."""
    return Refused(
        "password_temporary",
        "The password is known to whoever gave it; it has to be changed first.",
        came=person,
        remedy="Change it: person password.",
    )
