"""A pack's tree for people: as lines of text, and as a picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from serialkeeper.rules.counts import many
from serialkeeper.rules.figures import Item, Sheet, Text, box
from serialkeeper.rules.holds import sentence

MOST_UNITS = 20
"""Units of one pack that a picture or a list names; of the others only the number."""

_STEP, _INDENT, _WIDE = 5.0, 8.0, 90.0


def describe_lots(counts: Iterable[tuple[str, str, int]]) -> list[dict[str, Any]]:
    """Contents by lot and expiry, the earliest expiry first.

    Args:
        counts: lot, expiry and units.
    """
    ordered = sorted(counts, key=lambda one: (one[1], one[0]))
    return [{"lot": lot, "expiry": expiry, "units": units} for lot, expiry, units in ordered]


def lines(tree: Mapping[str, Any], *, all_units: bool = False) -> Iterator[str]:
    """A pack as `steps.contents.show` gives it, a line a node."""
    outer = list(reversed(tree["around"]))
    for depth, one in enumerate(outer):
        yield f"{'  ' * depth}{one['level']} {one['key']}  {one['state']}"
    most = None if all_units else MOST_UNITS
    for depth, text in _nodes(tree, len(outer), most):
        yield "  " * depth + text
    for one in tree["contents"]:
        yield f"lot {one['lot']}, expiry {one['expiry']}: {many(one['units'], 'unit')}"
    for hold in tree["on_hold"]:
        yield f"held: {sentence(hold)}"
    for one in tree["doubtful"]:
        yield f"not good any more: {one['serial']}, lot {one['lot']}, position {one['position']}"


def _nodes(node: Mapping[str, Any], depth: int, most: int | None) -> Iterator[tuple[int, str]]:
    """Depth and words of a pack and everything in it."""
    how = "" if node["full"] else ", empty" if not node["held"] else ", part"
    yield (
        depth,
        (
            f"{node['level']} {node['key']}  {node['state']}, {node['held']:,} of "
            f"{node['holds']:,}{how}{_held(node)}"
        ),
    )
    units = [child for child in node["children"] if "serial" in child]
    for child in node["children"]:
        if "key" in child:
            yield from _nodes(child, depth + 1, most)
    for unit in units[:most]:
        yield (
            depth + 1,
            f"{unit['serial']}  lot {unit['lot']}, position {unit['position']}, "
            f"{unit['state']}{_held(unit)}",
        )
    if most is not None and len(units) > most:
        yield depth + 1, f"and {many(len(units) - most, 'more unit')}"


def _held(node: Mapping[str, Any]) -> str:
    """That a pack or unit is held itself, in the line that names it."""
    return ", held" if node["held_by"] else ""


def picture(tree: Mapping[str, Any]) -> Sheet:
    """The same tree to look at: one line a node, bars as long as the pack is full."""
    items: list[Item] = []
    row = 0
    deepest = 0
    for depth, node in _boxes(tree, 0):
        left, top = depth * _INDENT, row * _STEP + 1
        wide = _WIDE * node["held"] / node["holds"]
        items.append(box(left, top, _WIDE, _STEP - 1, fill="none", stroke="#000000"))
        if wide:
            items.append(box(left, top, wide, _STEP - 1, fill="#dddddd"))
        words = f"{node['level']} {node['key']}  {node['held']:,} of {node['holds']:,}{_held(node)}"
        items.append(Text(left + 2, top + 3, words, 2.8))
        row, deepest = row + 1, max(deepest, depth)
    for one in tree["contents"]:
        words = f"lot {one['lot']}, expiry {one['expiry']}: {many(one['units'], 'unit')}"
        items.append(Text(0, row * _STEP + 4, words, 2.8))
        row += 1
    return Sheet(_WIDE + deepest * _INDENT, row * _STEP + 2, f"pack {tree['key']}", items)


def _boxes(node: Mapping[str, Any], depth: int) -> Iterator[tuple[int, Mapping[str, Any]]]:
    yield depth, node
    for child in node["children"]:
        if "key" in child:
            yield from _boxes(child, depth + 1)
