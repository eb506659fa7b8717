"""How long a lot's record is kept, and which rule says so; the decision that it counts from.

Three rules, of which the latest day counts:

    1 year after the expiry date      21 CFR 211.180(a), (b); EU 2016/161 Article 4(d)
    5 years after the release         EU 2016/161 Article 4(d)
    6 years after the last shipment   FD&C Act section 582(b)(2) (from memory)

What a market or a contract asks beyond these is the firm's to add. Days are counted in UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from serialkeeper.errors import Refused

EXPIRY, RELEASE, SHIPMENT = "expiry", "release", "last shipment"

RELEASED, REFUSED = DECISIONS = ("released", "refused")
"""What a quality unit decides about a lot."""

LONGEST_WORDS = 200
"""Characters of a name or a reference."""

YEARS = {EXPIRY: 1, RELEASE: 5, SHIPMENT: 6}
"""Years of keeping after each."""


def years_after(day: date, years: int) -> date:
    """The same day so many years later; the 29th of February becomes the 1st of March."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def retention(
    expiry: date, *, released: date | None = None, shipped: date | None = None
) -> dict[str, Any]:
    """Until when a lot's record has to be kept at least.

    Args:
        expiry: the lot's last day.
        released: when the quality unit released it; None if the record does not tell.
        shipped: when the last pack with units of it left; None if none did.

    Returns:
        `until`, a day (YYYY-MM-DD); `by`, which rule gives it; `terms`, the day that each rule
        gives, None where the day it counts from is not known, so that `until` may become later.
    """
    since = {EXPIRY: expiry, RELEASE: released, SHIPMENT: shipped}
    days = {name: years_after(day, YEARS[name]) for name, day in since.items() if day}
    by = max(days, key=lambda name: days[name])
    terms = {name: str(days[name]) if name in days else None for name in YEARS}
    return {"until": str(days[by]), "by": by, "terms": terms}


def sentence(told: dict[str, Any]) -> str:
    """What `retention` gives, in one line."""
    by = told["by"]
    years = f"{YEARS[by]} year{'s' * (YEARS[by] > 1)} after {by}"
    comes = {RELEASE: "the lot is released", SHIPMENT: "packs are shipped"}
    unknown = [comes[name] for name, day in told["terms"].items() if day is None]
    later = f"; longer, once {' or '.join(unknown)}" if unknown else ""
    return f"keep until {told['until']} at least: {years}{later}"


def check_decision(
    decision: str, on: date, by: str, reference: str, *, today: date
) -> dict[str, Any]:
    """A quality unit's decision as an entry keeps it. Refuses `bad_value`."""
    for good, message, expected, came in (
        (decision in DECISIONS, "There is no such decision.", " or ".join(DECISIONS), decision),
        (on <= today, "The decision is of a day to come.", f"a day up to {today}", str(on)),
        (_words(by), "Somebody decided.", "a name, as on the decision", repr(by)),
        (
            not reference or _words(reference),
            "The reference is not one that can be printed.",
            f"{LONGEST_WORDS} printable characters at most",
            repr(reference[:LONGEST_WORDS]),
        ),
    ):
        if not good:
            remedy = "Copy it from the signed paper; nothing was recorded."
            raise Refused("bad_value", message, expected=expected, came=came, remedy=remedy)
    return {"decision": decision, "on": str(on), "by": by.strip(), "reference": reference.strip()}


def _words(text: str) -> bool:
    return bool(text.strip()) and len(text) <= LONGEST_WORDS and text.isprintable()


def released_on(decided: Mapping[str, Any] | None) -> date | None:
    """The day of the release, if the last decision was one."""
    if decided is None or decided["decision"] != RELEASED:
        return None
    return date.fromisoformat(decided["on"])


def decision_sentence(told: Mapping[str, Any]) -> str:
    """A decision as `lot show` tells it, in one line."""
    reference = f", {told['reference']}" if told["reference"] else ""
    reason = f"; {told['reason']}" if told["reason"] else ""
    return (
        f"{told['decision']} on {told['on']} by {told['by']}{reference} "
        f"(recorded by {told['recorded_by']} {told['at']}{reason})"
    )
