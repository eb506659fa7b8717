"""Tokens: what a script signs in with, in the name of whoever made it, for a few things only.

A token is 256 random bits; the journal keeps their SHA-256. It may do what its scopes name, as far
as its owner's role may, and it never signs: a signature is a person's (21 CFR 11.100, 11.200).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from serialkeeper.errors import Refused
from serialkeeper.rules.remarks import check_remark

BYTES = 32
"""Random bytes of a token."""

DAYS, MOST_DAYS = 90, 366
"""How long a token is in force unless told otherwise, and at most (common practice, no source)."""

SCOPES: Mapping[str, tuple[str, ...]] = {
    "look": (),
    "products": ("product added", "location added", "file imported"),
    "lots": ("lot registered", "lot opened"),
    "numbers": (
        *("prefixes reserved", "allocation started", "numbers imported", "allocated"),
        "numbers returned",
    ),
    "print": ("issued", "symbols written"),
    "results": (
        *("profile kept", "take started", "taken", "take finished"),
        *("follow started", "followed", "finish asked", "held"),
    ),
    "packs": (
        *("ssccs reserved", "ssccs given", "packs numbered", "packed"),
        *("pack label made", "packs shipped"),
    ),
    "events": (
        *("events written", "events checked", "document prepared", "document delivered"),
        *("document not stored", "document stuck", "document accepted", "limits learnt"),
    ),
    "reports": ("lot reported",),
    "checkpoints": ("checkpoint made",),
    "backup": ("backup made", "backup sealed"),
}
"""What a token may be for, and the entries that this is. Looking is in each of them."""

_FORM = re.compile(r"sk([0-9]{1,9})\.([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class Token:
    """A token in use: its number, and the verbs that it may write."""

    id: int
    verbs: frozenset[str]

    def check(self, verb: str) -> None:
        """Refuses `token_narrow` for what the token is not for."""
        if verb not in self.verbs:
            raise Refused(
                "token_narrow",
                f"The token is not for an entry '{verb}'.",
                where=f"token {self.id}",
                expected=", ".join(sorted(self.verbs)) or "looking only",
                came=verb,
                remedy="Do it with a password of your own, or make a token for it: person token.",
            )


def check_scopes(scopes: Sequence[str]) -> tuple[str, ...]:
    """The scopes in order. Refuses `bad_value`."""
    wrong = [one for one in scopes if one not in SCOPES]
    if wrong or not scopes:
        raise Refused(
            "bad_value",
            "It is not understood what the token is for.",
            where="--may",
            expected=f"some of {', '.join(SCOPES)}",
            came=", ".join(wrong) or "nothing",
            remedy="Name as few as the script needs.",
        )
    return tuple(one for one in SCOPES if one in scopes)


def check_until(until: date | None, today: date) -> date:
    """The last day on which it is in force. Refuses `bad_value`."""
    until = until or today + timedelta(days=DAYS)
    latest = today + timedelta(days=MOST_DAYS)
    if not today <= until <= latest:
        raise Refused(
            "bad_value",
            "A token is in force for a while, and then made anew.",
            where="--until",
            expected=f"{today} to {latest}",
            came=str(until),
            remedy="Give a day between.",
        )
    return until


def check_purpose(text: str) -> str:
    """What it is for, in words. Refuses `reason_needed`, `bad_value`."""
    return check_remark(text, "--for", needed=True)


def verbs_of(scopes: Sequence[str]) -> frozenset[str]:
    """The verbs of these scopes."""
    return frozenset(verb for one in scopes for verb in SCOPES[one])


def written(number: int, secret: bytes) -> str:
    """A token as its file holds it."""
    return f"sk{number}.{secret.hex()}"


def digest(text: str) -> str:
    """What the journal keeps of a token: SHA-256 of its text, in hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def number_of(text: str) -> int:
    """The number of the token that a text looks like, 0 for none."""
    found = _FORM.fullmatch(text.strip())
    return int(found[1]) if found else 0
