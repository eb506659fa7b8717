"""Times as devices write them: patterns of our own few signs, epochs, zones.

A pattern is a text with these signs, each at most once:

    %Y 2026  %y 26  %m 06  %d 01  %H 09  %M 05  %S 07  %f a fraction of 1 to 9 digits
    %-d %-m %-H without leading zero  %z Z, +02:00 or +0200  %% the sign itself

A local time that the zone's clocks skip or show twice is no time: it is refused.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from functools import cache, lru_cache

import polars as pl

FIXED = ("rfc3339", "epoch-seconds", "epoch-milliseconds")
"""Formats that are no patterns."""

_SIGNS = {
    "Y": "(?P<Y>[0-9]{4})",
    "y": "(?P<y>[0-9]{2})",
    "m": "(?P<m>[0-9]{2})",
    "d": "(?P<d>[0-9]{2})",
    "H": "(?P<H>[01][0-9]|2[0-3])",
    "M": "(?P<M>[0-5][0-9])",
    "S": "(?P<S>[0-5][0-9])",
    "f": "(?P<f>[0-9]{1,9})",
    "-m": "(?P<m>1[0-2]|[1-9])",
    "-d": "(?P<d>[1-3][0-9]|[1-9])",
    "-H": "(?P<H>1[0-9]|2[0-3]|[0-9])",
    "z": "(?P<z>Z|[+-](?:0[0-9]|1[0-4]):?[0-5][0-9])",
}
_TOKEN = re.compile(r"%(-?[A-Za-z]|%)|([^%])")
_ISO = "%Y-%m-%dT%H:%M:%S%.3f"
_LATEST_SECOND = 253_402_300_799  # the last of the year 9999


def problem(pattern: str) -> str:
    """What a pattern should be and is not; nothing if it is sound."""
    signs = [token[1] for token in _TOKEN.finditer(pattern) if token[1] and token[1] != "%"]
    if "".join(token[0] for token in _TOKEN.finditer(pattern)) != pattern:
        return "a pattern in which every % starts a sign of its own"
    strange = [sign for sign in signs if sign not in _SIGNS]
    if strange:
        return f"{', '.join(FIXED)}, or a pattern of " + " ".join(f"%{sign}" for sign in _SIGNS)
    plain = [sign.lstrip("-") for sign in signs]
    kinds = ["Y" if sign == "y" else sign for sign in plain]
    if len(set(kinds)) != len(kinds):
        return "a pattern with every sign at most once"
    missing = [f"%{sign}" for sign in "YmdHM" if sign not in kinds]
    if missing:
        return f"{', '.join(FIXED)}, or a pattern with {' '.join(missing)} too"
    if "f" in kinds and "S" not in kinds:
        return "a pattern with %S before %f"
    return ""


def names_offset(pattern: str) -> bool:
    """Whether a pattern's times tell their own zone."""
    return any(token[1] == "z" for token in _TOKEN.finditer(pattern))


def is_zone(zone: str) -> bool:
    """Whether the time zone database knows that name."""
    try:
        pl.Series([datetime(2026, 1, 1)]).dt.replace_time_zone(zone)
    except pl.exceptions.ComputeError:
        return False
    return True


def has_shape(text: str, pattern: str) -> bool:
    """Whether a text may be such a time: a quick look before `from_pattern` reads a column."""
    return _shape(pattern).match(text) is not None


def from_epoch(column: pl.Series, *, seconds: bool) -> pl.Series:
    """UTC moments from seconds or milliseconds since 1970; null for what is none."""
    parts = column.str.extract_groups("^(?P<whole>[0-9]{1,15})(?:[.](?P<rest>[0-9]{1,20}))?$")
    whole = parts.struct.field("whole").cast(pl.Int64, strict=False)
    if seconds:
        rest = parts.struct.field("rest").fill_null("")
        whole = whole.set(whole > _LATEST_SECOND, None) * 1_000
        whole += rest.str.pad_end(3, "0").str.slice(0, 3).cast(pl.Int64)
    whole = whole.set(whole > _LATEST_SECOND * 1_000, None)
    return whole.cast(pl.Datetime("ms", "UTC"))


def from_pattern(column: pl.Series, pattern: str, zone: str) -> tuple[pl.Series, pl.Series]:
    """UTC moments of texts, null for what is none; and the same on the device's own clock.

    Where only the second is there, the zone skips that time or has it twice.
    """
    names = {
        "Y": "20" + pl.col("y") if "%y" in pattern else pl.col("Y"),
        **{sign: pl.col(sign).str.pad_start(2, "0") for sign in "mdHM"},
    }
    there = {token[1] for token in _TOKEN.finditer(pattern)}
    second = pl.col("S") if "S" in there else pl.lit("00")
    fraction = pl.col("f").str.pad_end(3, "0").str.slice(0, 3) if "f" in there else pl.lit("000")
    parts = column.str.extract_groups(_regex(pattern)).struct.unnest()
    iso = parts.select(
        pl.format(
            "{}-{}-{}T{}:{}:{}.{}",
            *(names[sign] for sign in "YmdHM"),
            second,
            fraction,
        ).alias("iso")
    ).to_series()
    clock = iso.str.to_datetime(_ISO, strict=False, time_unit="ms")
    if "z" in there:
        return _less_offset(clock, parts["z"]), clock
    local = clock.dt.replace_time_zone(zone, ambiguous="null", non_existent="null")
    return local.dt.convert_time_zone("UTC"), clock


def is_twice(clock: datetime, zone: str) -> bool:
    """Whether the zone's clocks show that time twice; otherwise they skip it."""
    first = pl.Series([clock]).dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    return first[0] is not None


@lru_cache(maxsize=4_096)
def minutes_east(zone: str, minute: str) -> int:
    """How far a zone's clocks are ahead of UTC.

    Args:
        minute: UTC, as `YYYY-mm-ddTHH:MM`.

    >>> minutes_east("Europe/Berlin", "2026-07-01T08:00")
    120
    """
    there = pl.Series([datetime.fromisoformat(minute)]).dt.replace_time_zone("UTC")
    there = there.dt.convert_time_zone(zone)
    ahead: timedelta = (there.dt.base_utc_offset() + there.dt.dst_offset())[0]
    return round(ahead.total_seconds() / 60)


def _less_offset(clock: pl.Series, offset: pl.Series) -> pl.Series:
    digits = offset.str.replace("Z", "+00:00", literal=True).str.replace(":", "", literal=True)
    minutes = digits.str.slice(1, 2).cast(pl.Int64) * 60 + digits.str.slice(3, 2).cast(pl.Int64)
    sign = digits.str.starts_with("-").cast(pl.Int64) * -2 + 1
    moved = clock.cast(pl.Int64) - minutes * sign * 60_000
    return moved.cast(pl.Datetime("ms", "UTC"))


@cache
def _shape(pattern: str) -> re.Pattern[str]:
    return re.compile(_regex(pattern))


def _regex(pattern: str) -> str:
    made = "".join(
        _SIGNS[token[1]] if token[1] and token[1] != "%" else re.escape(token[2] or "%")
        for token in _TOKEN.finditer(pattern)
    )
    return f"^{made}$"


def written(moments: pl.Series) -> pl.Series:
    """Moments as RFC 3339 texts in UTC."""
    return moments.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
