"""Scanned contents of a pack against the record: complete, missing, extra.

Source: CBV 2.0 dispositions completeness_verified, mismatch_instance, mismatch_class,
mismatch_quantity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

COMPLETE = "completeness_verified"
CLASS, INSTANCE, QUANTITY = "mismatch_class", "mismatch_instance", "mismatch_quantity"


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan of what is in a pack.

    Attributes:
        text: as it was given.
        key: number or key of what it names in the record; empty where it names nothing.
        what: `unit` or the level; empty where it names nothing.
        where: the pack that the record has it in; empty for none.
    """

    text: str
    key: str
    what: str
    where: str


def compare(expected: Sequence[str], what: str, scans: Sequence[Scan]) -> dict[str, Any]:
    """What was scanned against what should be in the pack.

    Args:
        expected: numbers, or keys of packs.
        what: what these are, `unit` or a level.
        scans: what was scanned.

    Returns:
        complete; missing: those that were not scanned; extra: scans of something else, with where
        the record has it; twice: scanned more than once; dispositions: CBV words.
    """
    wanted = set(expected)
    keys = [scan.key for scan in scans if scan.key]
    seen = set(keys)
    extra = [scan for scan in scans if scan.key not in wanted]
    missing = [key for key in expected if key not in seen]
    words = []
    if any(scan.what != what for scan in extra):
        words.append(CLASS)
    if any(scan.what == what for scan in extra):
        words.append(INSTANCE)
    strange = {scan.key or scan.text for scan in extra}
    if len(seen & wanted) + len(strange) != len(expected):
        words.append(QUANTITY)
    return {
        "complete": not missing and not extra,
        "expected": len(expected),
        "scanned": len(scans),
        "missing": missing,
        "extra": [
            {"scan": scan.text, "what": scan.what or None, "in": scan.where or None}
            for scan in extra
        ],
        "twice": sorted({key for key in seen if keys.count(key) > 1}),
        "dispositions": words or [COMPLETE],
    }
