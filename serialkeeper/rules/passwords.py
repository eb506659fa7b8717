"""Passwords: which are taken, how they are kept, and how long wrong ones make one wait.

Length instead of composition rules, Unicode in NFC, and a refusal of the most obvious (NIST
SP 800-63B rev 4, 3.1.1). They are kept as Argon2id with RFC 9106's second recommended parameters
(section 4). Salt and time are arguments.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from serialkeeper.errors import Refused

_ARGON2 = PasswordHasher(
    type=Type.ID, time_cost=3, memory_cost=65_536, parallelism=4, hash_len=32, salt_len=16
)
"""RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB, tag 256, salt 128 bits."""

SALT_BYTES = 16

LONGEST = 256
"""Characters; SP 800-63B wants at least 64 to be possible."""

LEAST_SHORTEST, SHORTEST, MOST_SHORTEST = 8, 15, 64
"""Characters that a firm may ask for at least: the lowest, the usual, the highest (SP 800-63B:
15 where the password is all there is)."""

FAILURES, MOST_FAILURES = 10, 50
"""Wrong passwords in a row that alarm (common practice, no source), and the most to be set."""

CLOSED_AFTER = 100
"""Wrong passwords in a row after which an administrator has to open again (SP 800-63B, 3.2.2)."""

IDLE, MOST_IDLE = 10, 60
"""Minutes after which a session that nobody uses is over (common practice, no source), and the
most to be set."""

PIN_SHORTEST, PIN_LONGEST = 6, 12
"""Digits of a PIN, beside a badge (SP 800-63B wants 6 of a memorised secret beside another)."""

BADGE_SHORTEST = 8
"""Characters of a badge's text, at least."""

_FREE, _LONGEST_WAIT = 3, 900
"""Wrong ones without a wait but the last, and seconds of the longest wait."""

_OBVIOUS = (
    *("password", "passwort", "passphrase", "secret", "geheim", "letmein", "welcome", "admin"),
    *("administrator", "qwerty", "qwertz", "asdf", "login", "changeme", "serialkeeper", "serial"),
    *("keeper", "operator", "compliance", "integrator", "line", "lead", "label", "iloveyou"),
)

DUMMY = (
    "$argon2id$v=19$m=65536,t=3,p=4$bm9ib2R5IGF0IGFsbCEhIQ$jNF7S1"
    "S7tp3nYMBzFk+uAGbagicA3RFSNxI9ypUKNNE"
)
"""What is tried where there is no such person, so that it takes as long."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What the firm set: shortest password in characters, failures in a row that alarm, minutes
    after which an unused session is over."""

    shortest: int = SHORTEST
    failures: int = FAILURES
    idle: int = IDLE


def check_rules(rules: Rules) -> None:
    """Refuses `bad_value` for what the standard does not bear."""
    for name, value, least, most in (
        ("shortest", rules.shortest, LEAST_SHORTEST, MOST_SHORTEST),
        ("failures", rules.failures, 3, MOST_FAILURES),
        ("idle", rules.idle, 1, MOST_IDLE),
    ):
        if not least <= value <= most:
            raise Refused(
                "bad_value",
                "A rule for passwords is out of its bounds.",
                where=name,
                expected=f"{least} to {most}",
                came=str(value),
                remedy="Give a value between.",
            )


def check_new(password: str, name: str, rules: Rules) -> None:
    """Refuses `password_weak`; the password itself is never repeated.

    Args:
        name: whose it is to be.
    """
    if not password.isprintable():
        raise _weak("text, spaces and all letters included", "signs that are no text")
    length = len(_normal(password))
    if not rules.shortest <= length <= LONGEST:
        raise _weak(f"{rules.shortest} to {LONGEST} characters", f"{length} characters")
    text = _normal(password).casefold()
    words = [re.escape(word) for word in (*_OBVIOUS, *_letters(name), "".join(_letters(name)))]
    left = re.sub("|".join(sorted(filter(None, words), key=len, reverse=True)), "", text)
    if len(set(re.sub(r"[\W\d_]", "", left))) < 4 and _plain(re.sub(r"\D", "", left)):
        raise _weak("more than the most obvious words, digits and the person's name", "these")


def check_pin(pin: str, badge: str) -> None:
    """Refuses `password_weak` for a PIN that anybody would try first, or that is on the badge."""
    digits = pin.isascii() and pin.isdigit() and PIN_SHORTEST <= len(pin) <= PIN_LONGEST
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)} if digits else set()
    if not digits or len(steps) == 1 or len(set(pin)) < 3 or pin in badge:
        raise Refused(
            "password_weak",
            "The PIN is too easily guessed.",
            expected=f"{PIN_SHORTEST} to {PIN_LONGEST} digits in no plain order, not on the badge",
            came="another one",
            remedy="Take digits that only you would think of; no birthday.",
        )


def check_badge(badge: str) -> None:
    """Refuses `bad_value` for what no scanner sends; the text is never repeated."""
    if not badge.isprintable() or not BADGE_SHORTEST <= len(badge) <= LONGEST:
        raise Refused(
            "bad_value",
            "That cannot be a badge's text.",
            expected=f"{BADGE_SHORTEST} to {LONGEST} printable characters, as the scanner sends it",
            came=f"{len(badge)} characters",
            remedy="Scan the badge itself. The longer and the less regular, the better.",
        )


def _letters(name: str) -> list[str]:
    return [word for word in re.split(r"[\W\d_]+", _normal(name).casefold()) if len(word) > 2]


def _plain(digits: str) -> bool:
    """Whether digits count up or down, repeat each other, or are few."""
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(digits)}
    return len(digits) < 10 or steps <= {1} or steps <= {9} or len(set(digits)) < 4


def _weak(expected: str, came: str) -> Refused:
    return Refused(
        "password_weak",
        "The password is too easily guessed.",
        expected=expected,
        came=came,
        remedy="Take a sentence that only you would think of; spaces and all letters are welcome.",
    )


def _normal(password: str) -> str:
    return unicodedata.normalize("NFC", password)


def sealed(password: str, salt: bytes) -> str:
    """What is kept of a password, in the PHC string format."""
    return _ARGON2.hash(_normal(password).encode("utf-8"), salt=salt)


def matches(kept: str, password: str) -> bool:
    """Whether it is the password of which this was kept; takes as long either way."""
    given = _normal(password[: LONGEST + 1]).encode("utf-8", "replace")
    try:
        return _ARGON2.verify(kept, given)
    except (VerificationError, InvalidHashError):
        return False


def wait_after(failures: int) -> timedelta:
    """How long nothing is tried after so many wrong passwords in a row: doubled each time."""
    if failures < _FREE:
        return timedelta()
    return timedelta(seconds=min(2 ** min(failures - _FREE, 20), _LONGEST_WAIT))


def waits(until: str, now: str) -> bool:
    """Whether nothing is tried yet, as of moments in an entry's spelling.

    A clock that was ahead when the wrong ones came keeps nobody out for longer than the longest
    wait. Whoever can set the clock goes round a wait either way; hence the limit of failures.
    """
    if until <= now:
        return False
    left = datetime.fromisoformat(until) - datetime.fromisoformat(now)
    return left <= timedelta(seconds=_LONGEST_WAIT)
