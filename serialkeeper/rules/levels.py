"""A product's pack levels: what stands in what, how many, and what key the pack carries.

Read from a small TOML file, kept with the product, and frozen in each lot when it is approved.

    [case]
    holds = 40
    key = "gtin"
    gtin = "19521234543210"

    [pallet]
    holds = 50
    key = "sscc"
    extension = 0
    mixed_lots = true
    part = true

Source: a case that is named by GTIN and serial is one lot and full, FDA guidance on standardized
numerical identifiers and section 581(20) of the FD&C Act ("homogenous case"; from memory).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import orjson

from serialkeeper.errors import Refused
from serialkeeper.rules.keys import parse_gtin

NAMES = ("bundle", "case", "pallet")
"""Levels above the unit, from the inside out."""

SSCC, GTIN = "sscc", "gtin"
MOST_HELD = 100_000
LONGEST_FILE = 10_000
_KEYS = {"holds", "key", "gtin", "extension", "mixed_lots", "part"}


@dataclass(frozen=True, slots=True)
class Level:
    """One level of packs.

    Attributes:
        name: one of `NAMES`.
        holds: things of the level below that fill it.
        key: `sscc`, or `gtin` for the level's own GTIN with a number.
        gtin: 14 digits, with an indicator digit of 1 to 8; empty for `sscc`.
        extension: the SSCC's first digit.
        mixed_lots: whether its contents may be of several lots.
        part: whether it may hold fewer than it holds when full.
    """

    name: str
    holds: int
    key: str = SSCC
    gtin: str = ""
    extension: int = 0
    mixed_lots: bool = False
    part: bool = False


def levels_of(text: str) -> tuple[Level, ...]:
    """Levels as a table keeps them, from the inside out; none from an empty text."""
    return tuple(Level(**one) for one in orjson.loads(text)) if text else ()


def data_of(levels: tuple[Level, ...]) -> list[dict[str, Any]]:
    """Levels as they stand in the journal and in the tables."""
    return [asdict(level) for level in levels]


def level_named(levels: tuple[Level, ...], name: str, where: str) -> Level:
    """The level of that name. Refuses `level_unknown`."""
    for level in levels:
        if level.name == name:
            return level
    raise Refused(
        "level_unknown",
        "The lot has no such level of packs.",
        where=where,
        expected=", ".join(level.name for level in levels) or "levels set before the approval",
        came=name,
        remedy="Look at the levels: lot show. They are set with 'product packs' and frozen when "
        "a lot is approved.",
    )


def inside(levels: tuple[Level, ...], level: Level) -> str:
    """What a level holds: the name of the level below, or `unit`."""
    place = levels.index(level)
    return levels[place - 1].name if place else "unit"


def write_levels(held: Mapping[str, int]) -> str:
    """The plainest file of pack levels: how many things each holds, each with an SSCC.

    >>> write_levels({"case": 40})
    '[case]\\nholds = 40\\n'
    """
    return "".join(f"[{name}]\nholds = {count}\n" for name, count in held.items())


def read_levels(text: str, where: str, *, gtin: str, prefix_length: int) -> tuple[Level, ...]:
    """A file of pack levels.

    Args:
        text: TOML.
        where: the file, for refusals.
        gtin: the product's.
        prefix_length: digits of the company prefix in it.

    Refuses `packs_invalid` with the level and the key.
    """
    try:
        told = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _refused("This is no TOML.", where, "TOML", str(error)) from None
    stray = sorted(set(told) - set(NAMES))
    if stray or not told:
        expected = f"tables {', '.join(f'[{name}]' for name in NAMES)}, one at least"
        raise _refused("The levels are others.", where, expected, ", ".join(stray) or "nothing")
    made = []
    for name in NAMES:
        if name in told:
            made.append(_level(name, told[name], f"{where}, [{name}]", gtin[1 : 1 + prefix_length]))
    gtins = [level.gtin for level in made if level.gtin]
    if len({gtin, *gtins}) != len(gtins) + 1:
        expected = "a GTIN of its own for every level"
        raise _refused("Two levels have the same GTIN.", where, expected, ", ".join(gtins))
    return tuple(made)


def _level(name: str, told: Any, where: str, company: str) -> Level:
    if not isinstance(told, dict) or set(told) - _KEYS:
        stray = ", ".join(sorted(set(told) - _KEYS)) if isinstance(told, dict) else str(told)
        expected = ", ".join(sorted(_KEYS))
        raise _refused("The level holds a key that nobody reads.", where, expected, stray)
    key = told.get("key", SSCC)
    if key not in (SSCC, GTIN):
        raise _refused("'key' names no key.", where, '"sscc" or "gtin"', str(key))
    holds = told.get("holds")
    if type(holds) is not int or not 1 <= holds <= MOST_HELD:
        raise _refused("'holds' is no count.", where, f"1 to {MOST_HELD:,}", str(holds))
    for flag in ("mixed_lots", "part"):
        if type(told.get(flag, False)) is not bool:
            raise _refused(f"'{flag}' is neither yes nor no.", where, "true or false", "")
    if key == SSCC:
        extension = told.get("extension", 0)
        if "gtin" in told or type(extension) is not int or not 0 <= extension <= 9:
            expected = "extension = 0 to 9, and no gtin"
            raise _refused("The SSCC is not described.", where, expected, str(extension))
    else:
        _check_case(told, where, company)
    return Level(name=name, **told)


def _check_case(told: dict[str, Any], where: str, company: str) -> None:
    """A pack that is named by GTIN and number is one lot and full."""
    gtin = told.get("gtin")
    if not isinstance(gtin, str) or len(gtin) != 14 or gtin[:1] not in "12345678":
        expected = "14 digits, the first one 1 to 8"
        raise _refused("'gtin' is no GTIN of a pack.", where, expected, str(gtin))
    parse_gtin(gtin)
    if gtin[1 : 1 + len(company)] != company:
        expected = f"company prefix {company}"
        raise _refused("The GTIN is another company's.", where, expected, gtin)
    for flag in ("mixed_lots", "part"):
        if told.get(flag):
            expected = f'{flag} = false, or key = "sscc"'
            message = "A pack that is named by GTIN and number is one lot and full."
            raise _refused(message, where, expected, f"{flag} = true")
    if "extension" in told:
        raise _refused("Only an SSCC has an extension digit.", where, "none", "extension")


def _refused(message: str, where: str, expected: str, came: str) -> Refused:
    return Refused(
        "packs_invalid",
        message,
        where=where,
        expected=expected,
        came=came,
        remedy="Correct the file of pack levels.",
    )
