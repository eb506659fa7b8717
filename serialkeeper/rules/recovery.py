"""Recovery: a record that was restored from a backup goes on so that nothing is given out twice.

What the record gave out after the backup is unknown to the restored one. So the restored one jumps:
it reserves more prefixes of numbers and more SSCCs than the other can have used, by chance between
once and twice a margin, so that two restorations of one backup do not begin at the same place. It
moves an unfinished allocation to fresh prefixes, gives up an unfinished import and the SSCCs that
its lots still have in hand, ends the packs that were numbered and never filled, and voids the
numbers that were allocated and not printed: the other may have gone on with all of them.

The margins are common practice, no source: 10,000 prefixes are 100 million numbers of a product.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.counts import many
from serialkeeper.rules.moves import RESTORED
from serialkeeper.rules.serials import PREFIXES, Chance

BACKUP, RECOVERY = "a backup", "recovery"
"""Where a record "was moved to" that is a backup, or was restored and not recovered yet."""

PREFIX_MARGIN, SSCC_MARGIN = 10_000, 100_000
"""Prefixes of a product, and SSCCs of a company prefix and extension digit."""

EMPTY_PACKS = "restored: the other record may have filled it"
"""Why a pack ends that was numbered and never filled."""

FIGURES: Mapping[str, tuple[str, str, str]] = {
    "prefixes": ("jumped", "prefix of numbers", "prefixes of numbers"),
    "ssccs": ("jumped", "SSCC", "SSCCs"),
    "allocations": ("under fresh prefixes", "unfinished allocation", "unfinished allocations"),
    "imports": ("given up", "unfinished import", "unfinished imports"),
    "given_up": ("given up", "SSCC in hand", "SSCCs in hand"),
    "voided": ("voided", "number that was not printed", "numbers that were not printed"),
    "packs": ("ended", "pack that was never filled", "packs that were never filled"),
}
"""What an entry `record recovered` counts, over all lots: what was done, to one and to many."""

SHARE = 10
"""A jump takes a tenth of what is left, at most."""


def jump(margin: int, left: int, chance: Chance) -> int:
    """How many are jumped, of so many left.

    >>> jump(100, 5_000, bytes)
    100
    """
    wanted = margin + int.from_bytes(chance(8), "big") % margin
    return min(wanted, left // SHARE)


def prefix_jump(used: int, chance: Chance) -> int:
    """How many prefixes of a product are jumped."""
    return jump(PREFIX_MARGIN, PREFIXES - used, chance)


def first_free(ranges: Iterable[tuple[int, int]], begin: int, room: int) -> int:
    """The first serial reference that was given to nobody.

    Args:
        ranges: first and count of what was given.
        begin: where the record begins with a company prefix and extension digit that it has never
            used: 0, or after a recovery where nobody else can have begun.
        room: how many there are.
    """
    ends = [first + count for first, count in ranges]
    return max(ends, default=min(begin, room // SHARE))


def sentence(entry: Entry) -> str:
    """What a recovery did to a lot by this entry of the lot's chain; empty if it is none of it."""
    data = entry.data
    match entry.verb:
        case "import given up" if entry.reason in ("", RESTORED):
            return import_given_up(data)
        case "allocation moved":
            return f"under fresh prefixes: allocation {data['allocation']}, which is not finished"
        case "ssccs given up":
            left = many(data["left"], "SSCC") if "left" in data else "the SSCCs"
            return f"given up: {left} in hand"
        case "voided" if entry.reason == RESTORED:
            labels = sum(last - first + 1 for first, last, *_ in data["moves"])
            return f"voided: {many(labels, *FIGURES['voided'][1:])}"
        case "packs decommissioned" if data["note"] == EMPTY_PACKS:
            return f"ended: {many(len(data['packs']), *FIGURES['packs'][1:])}"
    return ""


def import_given_up(data: Mapping[str, Any]) -> str:
    """An import that was given up, in a recovery or by somebody; older entries tell no `of`."""
    of = f" of {data['of']:,}" if "of" in data else ""
    return f"given up: import {data['id']}, {data['done']:,}{of} numbers of it are there"


def figures(told: Mapping[str, int]) -> str:
    """What a recovery did to the whole record, in words.

    >>> figures({"prefixes": 10_400, "packs": 1, "voided": 0})
    'jumped: 10,400 prefixes of numbers; ended: 1 pack that was never filled'
    """
    some = [(FIGURES[name], count) for name, count in told.items() if count and name in FIGURES]
    return "; ".join(f"{done}: {many(count, *words)}" for (done, *words), count in some)


def standing(moved_to: str, url: str) -> Refused | None:
    """The refusal to work on a backup, or before the recovery; None for neither."""
    if moved_to == BACKUP:
        return Refused(
            "backup_sealed",
            "This is a backup: it is for looking only, and for restoring.",
            where=url,
            expected="a record at work",
            came="a backup",
            remedy="Restore it to a place of its own: record restore FILE TO_URL.",
        )
    if moved_to == RECOVERY:
        return Refused(
            "in_recovery",
            "This record was restored from a backup, and nobody has said yet that it may go on.",
            where=url,
            expected="a recovery, signed",
            came="a restored record",
            remedy="Make sure that the other one works no more, then: record recover --reason "
            "TEXT --second NAME",
        )
    return None
