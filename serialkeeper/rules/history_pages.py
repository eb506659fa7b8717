"""The history of closed lots as a drawing, and as a document with its figures."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from serialkeeper.rules.cautions import AID
from serialkeeper.rules.counts import bad_percent
from serialkeeper.rules.figures import FAINT, INK, SOFT, Group, Item, Line, Sheet, Text, symbol
from serialkeeper.rules.history import Sample, Series, resting_on
from serialkeeper.rules.pages import Column, Document, Figure, Say, Section, moment, table
from serialkeeper.rules.pages import Item as Part

WIDTH, HEIGHT = 180.0, 62.0
"""Millimetres of one chart."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 16.0, 166.0, 13.0, 46.0
_NAMED = 16
"""Lots up to which each is named below the chart."""

_HOW = (
    "Limits: centre and three standard deviations to both sides, by chance alone (p-chart; "
    "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2).",
    "Dashed: widened by how much more these lots differ than by chance. A triangle lies outside, a "
    "dark one also outside the widened limits.",
)


def panels(made: Sequence[Series]) -> Sheet:
    """All series below each other on one sheet."""
    sheet = Sheet(WIDTH, max(HEIGHT * len(made), 20.0), "Reject rates of closed lots")
    for number, one in enumerate(made):
        sheet.items += _panel(one, HEIGHT * number)
    if not made:
        sheet.items.append(Text(_LEFT, 10, "No closed lot tells of it yet.", 3))
    return sheet


def _panel(one: Series, above: float) -> list[Item]:
    """One chart, so far from the top of its sheet."""
    top, bottom = above + _TOP, above + _BOTTOM
    wide = [one.limits(each.labels, widened=True) for each in one.samples]
    plain = [one.limits(each.labels) for each in one.samples]
    highest = max(*(each.share for each in one.samples), *(upper for _, upper in plain), one.centre)
    most = max(highest, min(max(upper for _, upper in wide), 2 * highest)) * 1.08 or 1e-9

    def at(share: float) -> float:
        return bottom - min(share / most, 1.0) * (bottom - top)

    step = (_RIGHT - _LEFT) / len(one.samples)
    middles = [_LEFT + step * (number + 0.5) for number in range(len(one.samples))]
    told = f"{one.rejected:,} of {one.labels:,} labels, {bad_percent(one.rejected, one.labels)} %"
    told += f", in {resting_on(len(one.samples))}"
    items: list[Item] = [
        Text(_LEFT, above + 4.5, one.name, 3.2, bold=True),
        Text(_LEFT, above + 9, told, 2.3, bold=not one.enough, fill=SOFT if one.enough else INK),
    ]
    for share in (0.0, most / 2, most):
        items += [
            Line(_LEFT, at(share), _RIGHT, at(share), FAINT, 0.1),
            Text(_LEFT - 1, at(share) + 0.8, f"{share * 100:.3g} %", 2, "end", fill=SOFT),
        ]
    for x, (lower, upper), (under, over) in zip(middles, plain, wide, strict=True):
        left, right = x - step / 2, x + step / 2
        items += [Line(left, at(y), right, at(y), INK, 0.25) for y in (lower, upper)]
        items += [
            Line(left, at(y), right, at(y), SOFT, 0.2, dash=True)
            for y in (under, over)
            if y <= most and (under, over) != (lower, upper)
        ]
    items.append(Line(_LEFT, at(one.centre), _RIGHT, at(one.centre), INK, 0.15, dash=True))
    items.append(Text(_RIGHT + 1, at(one.centre) + 0.7, "all lots", 2, fill=SOFT))
    points = [(x, at(each.share)) for x, each in zip(middles, one.samples, strict=True)]
    items += [Line(*start, *end, SOFT, 0.2) for start, end in pairwise(points)]
    for number, (x, each) in enumerate(zip(middles, one.samples, strict=True)):
        items.append(_dot(one, each, x, at(each.share)))
        if len(one.samples) <= _NAMED or number in (0, len(one.samples) - 1):
            anchor = "middle" if len(one.samples) <= _NAMED else "end" if number else "start"
            edge = {"middle": x, "start": x - step / 2, "end": x + step / 2}[anchor]
            name = each.lot if len(each.lot) <= 12 else f"{each.lot[:9]}..."
            items.append(Text(edge, bottom + 3.6, name, 1.9, anchor))
            items.append(Text(edge, bottom + 6.2, each.at[:10], 1.7, anchor, fill=SOFT))
    items += [
        Text(_LEFT, above + 57 + 2.6 * n, line, 1.9, fill=SOFT) for n, line in enumerate(_HOW)
    ]
    return items


def _dot(one: Series, each: Sample, x: float, y: float) -> Group:
    """A lot's sign: a triangle to the side on which it lies outside, else a dot."""
    outside = one.outside(each)
    shape = {"above": "up", "below": "down"}.get(outside, "circle")
    tone = "dark" if one.outside(each, widened=True) else "light" if outside else "open"
    facts = {"lot": each.lot, "labels": each.labels, "rejected": each.rejected, "outside": outside}
    title = f"{each.lot}: {each.rejected:,} of {each.labels:,}, {outside or 'within the limits'}"
    signs = symbol(shape, "", tone, x, y, 2.2 if outside else 1.6)
    return Group("lot", tuple(one for one in signs if not isinstance(one, Text)), facts, title)


def document(made: Sequence[Series], by: str, told: str, *, practice: bool) -> Document:
    """The charts with their figures.

    Args:
        told: when, where and by whom it was made.
    """
    sections = [_section(one) for one in made]
    nothing = Section("No lots", (Say("No closed lot tells of it yet."),))
    return Document(
        title=f"Reject rates of closed lots, by {by}",
        subtitle=told,
        running=f"reject rates by {by}; {told}",
        mark="PRACTICE RECORD: never for a real lot" if practice else "",
        sections=(
            *(sections or [nothing]),
            Section("How to read this", (*map(Say, _HOW), Say(AID))),
        ),
    )


def _section(one: Series) -> Section:
    columns = (
        *(Column("lot", 30), Column("closed (UTC)", 20), Column("labels", 12, right=True)),
        *(Column("rejected", 12, right=True), Column("%", 8, right=True)),
        *(Column("limits, %", 16, right=True), Column("widened, %", 16, right=True)),
        Column("", 12),
    )
    rows = [
        (
            f"{each.gtin}/{each.lot}",
            moment(each.at),
            each.labels,
            each.rejected,
            bad_percent(each.rejected, each.labels),
            limits(one, each),
            limits(one, each, widened=True),
            verdict(one, each),
        )
        for each in one.samples
    ]
    loud = [n for n, each in enumerate(one.samples) if one.outside(each, widened=True)]
    parts: list[Part] = [
        Figure(panels([one])),
        Say(f"The lots differ {one.spread:.2f} times as much as by chance." if one.spread else ""),
        table(columns, rows, loud=loud, more="lot history --json"),
    ]
    return Section(one.name, tuple(parts))


def limits(one: Series, each: Sample, *, widened: bool = False) -> str:
    """A lot's limits in per cent."""
    lower, upper = one.limits(each.labels, widened=widened)
    return f"{100 * lower:.2f} to {100 * upper:.2f}"


def verdict(one: Series, each: Sample) -> str:
    """Where a lot lies, in words; capitals where it lies outside the widened limits, too."""
    outside = one.outside(each)
    return outside.upper() if one.outside(each, widened=True) else outside
