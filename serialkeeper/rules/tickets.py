"""The roll ticket: what goes with a roll, as data and as lines for paper."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from serialkeeper.rules.cautions import AID, GRADE

CAUTIONS = (
    AID,
    GRADE,
    "This ticket releases a roll for the next step of the work; it is no release of the lot.",
    "Absence proven by order rests on a pass that missed no good label of the lane; it is weaker "
    "than absence proven by time, position or a label in the same place.",
)


def lines(ticket: Mapping[str, Any]) -> Iterator[str]:
    """A ticket for paper."""
    if ticket["record"] == "practice":
        yield "PRACTICE RECORD - not for a real lot"
    lane = f"lane {ticket['lane']}" if ticket["lane"] else "all lanes"
    parent = f", slit from roll {ticket['parent']}" if ticket["parent"] else ""
    yield f"ROLL {ticket['roll']} of lot {ticket['lot']}, GTIN {ticket['gtin']}"
    yield f"expiry {ticket['expiry']}; {ticket['product']}"
    first, last = ticket["rows"]
    end = "the first" if ticket["wound"] == "forward" else "the last"
    yield f"print job {ticket['job']}, rows {first} to {last}, {lane}{parent}"
    yield f"wound {ticket['wound']}: {end} row comes off first"
    yield ""
    yield f"labels printed here      {ticket['printed']:>10,}"
    yield f"labels on the roll       {ticket['on_roll']:>10,}"
    yield f"blank labels marked      {ticket['blanks']:>10,}"
    for word, count in ticket["states"].items():
        yield f"  {word:22} {count:>10,}"
    for one in ticket["counts"]:
        yield (
            f"counted {one['counted']:,} at the rewinder, expected {one['expected']:,} "
            f"({one['by']}, {one['at']})"
        )
    yield from _numbers(ticket)
    yield ""
    for one in ticket["marks"]:
        blank = f" of {one['labels']}" if one["labels"] else ""
        yield f"{one['mark']}{blank} behind row {one['row']}: {one['reason']} ({one['by']})"
    for one in ticket["passes"]:
        told = ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in one["result"].items() if n)
        yield f"read again: {one['file']}, {one['readings']:,} readings, {told}"
    yield ""
    second = f" with {ticket['second']}" if ticket["second"] else ""
    yield f"released {ticket['at']} by {ticket['by']} ({ticket['role']}){second}"
    yield f"at {ticket['station']}: {ticket['reason']}"
    if "head" in ticket:
        yield f"journal of the lot: entry {ticket['entry']}, head {ticket['head']}"
    yield ""
    yield from CAUTIONS


def _numbers(ticket: Mapping[str, Any]) -> Iterator[str]:
    """The numbers that left, and how it is known; and the spares put in."""
    if ticket["numbers"]:
        yield ""
        yield "numbers that are not on the roll any more:"
    for one in ticket["numbers"]:
        how = []
        if one["removed"]:
            by = one["removed"]
            how.append(
                f"taken off by {by['by']} {by['at']} beside label {by['neighbour']} (scanned)"
            )
        if one["absent"]:
            how.append(f"proven absent ({one['absent']})")
        yield (
            f"  {one['position']:>8}  {one['serial']:20}  {one['state']}, {one['reason']}: "
            + "; ".join(how)
        )
    if ticket["replacements"]:
        yield ""
        yield "spares put in:"
    for one in ticket["replacements"]:
        yield (
            f"  {one['spare']:>8}  {one['spare_serial']:20}  in the place of {one['bad']} "
            f"({one['bad_serial']}): {one['reason']} ({one['by']})"
        )
