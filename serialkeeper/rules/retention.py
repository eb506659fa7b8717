"""How long a lot's record is kept, and which rule says so.

Three rules, of which the latest day counts:

    1 year after the expiry date      21 CFR 211.180(a), (b); EU 2016/161 Article 4(d)
    5 years after the release         EU 2016/161 Article 4(d)
    6 years after the last shipment   FD&C Act section 582(b)(2) (from memory)

What a market or a contract asks beyond these is the firm's to add. Days are counted in UTC.
"""

from __future__ import annotations

from datetime import date
from typing import Any

EXPIRY, RELEASE, SHIPMENT = "expiry", "release", "last shipment"

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
    unknown = [name for name, day in told["terms"].items() if day is None]
    later = f"; longer, once there is a {' and a '.join(unknown)}" if unknown else ""
    return f"keep until {told['until']} at least: {years}{later}"
