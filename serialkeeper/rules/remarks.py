"""Remarks: what people say in words, in a reason, a note or a reference."""

from __future__ import annotations

from serialkeeper.errors import Refused
from serialkeeper.rules import texts

LONGEST = texts.LONGEST["reason"]
"""Characters of a remark."""


def check_remark(text: str, what: str, *, needed: bool) -> str:
    """The remark without spaces around it.

    Args:
        text: as it was typed.
        what: where it was typed, for refusals.
        needed: whether there has to be one.

    Refuses `reason_needed`, and `bad_value` for what nobody would read.
    """
    text = text.strip()
    if needed and not text:
        raise Refused(
            "reason_needed",
            "It is said in words.",
            where=what,
            expected="a sentence",
            came="none",
            remedy=f"Give {what}.",
        )
    if len(text) > LONGEST:
        raise Refused(
            "bad_value",
            "That is too long to be read.",
            where=what,
            expected=f"{LONGEST:,} characters at most",
            came=f"{len(text):,}",
            remedy="Say it in short, and name the paper that says more.",
        )
    return text
