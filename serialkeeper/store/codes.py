"""What the codes of a lot's labels carry: the lot's facts, a number each, and its extras."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.contradictions import LabelFacts
from serialkeeper.rules.imported import Labels, Printed, pairs_of
from serialkeeper.rules.jobs import Shape
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


@dataclass(frozen=True)
class Span:
    """Successive positions whose codes are built alike.

    Attributes:
        first, last: positions.
        printed: how their codes are built.
        row: the file that they came in, if they carry extras.
    """

    first: int
    last: int
    printed: Printed
    row: NumberImport | None

    def extras(self, view: View, lot: Lot) -> list[str]:
        """What is printed with each number, empty texts for nothing."""
        count = self.last - self.first + 1
        return view.extras(key_of(lot), self.first, count) if self.row else [""] * count


def spans(view: View, lot: Lot, first: int, last: int) -> Iterator[Span]:
    """The positions first..last, cut where codes begin to be built otherwise."""
    code = gs1.LabelCode(lot.gtin, "", date.fromisoformat(lot.expiry), lot.number)
    plain = Printed(code, tuple(lot.ai_order.split()))
    at = first
    for row in with_extras(view, lot):
        start, end = max(at, row.first), min(last, row.first + row.count - 1)
        if start > end:
            continue
        if at < start:
            yield Span(at, start - 1, plain, None)
        order, extras = tuple(row.ai_order.split()), tuple(row.extras.split())
        yield Span(start, end, Printed(code, order, extras), row)
        at = end + 1
    if at <= last:
        yield Span(at, last, plain, None)


def labels_of(view: View, lot: Lot, shape: Shape) -> Iterator[Labels]:
    """The labels of a print job in its order, up to a block at a time.

    Short runs of a block are put together, so that many gaps cost nothing.
    """
    positions = shape.positions().astype(np.int64)
    blocks = (positions - 1) // BLOCK
    for some in np.split(positions, np.flatnonzero(np.diff(blocks)) + 1):
        first = int(some[0])
        last = int(some[-1])
        serials = view.serials(key_of(lot), first, last - first + 1)
        for span in spans(view, lot, first, last):
            places = some[(some >= span.first) & (some <= span.last)]
            extras = span.extras(view, lot)
            own = serials[span.first - first : span.last - first + 1]
            if len(places) < len(own):
                own = [own[place - span.first] for place in places.tolist()]
                extras = [extras[place - span.first] for place in places.tolist()]
            if len(places):
                yield Labels(places, own, extras, span.printed)


def with_extras(view: View, lot: Lot) -> list[NumberImport]:
    """The files of the lot whose numbers carry extras, in order of position."""
    return [row for row in view.imports(key_of(lot)) if row.extras]


def codes_of(view: View, lot: Lot, first: int, serials: Sequence[str]) -> pl.Series:
    """The whole codes of successive labels, as scanned, separators as `{GS}`.

    Args:
        first: the first label's position.
        serials: the labels' numbers.
    """
    return _built(view, lot, first, serials, Printed.scanned)


def bracketed_of(view: View, lot: Lot, first: int, serials: Sequence[str]) -> pl.Series:
    """The same for people and symbol makers, in brackets."""
    return _built(view, lot, first, serials, Printed.bracketed)


def _built(
    view: View,
    lot: Lot,
    first: int,
    serials: Sequence[str],
    form: Callable[[Printed, pl.Expr, pl.Expr], pl.Expr],
) -> pl.Series:
    pieces = []
    for span in spans(view, lot, first, first + len(serials) - 1):
        some = serials[span.first - first : span.last - first + 1]
        frame = pl.DataFrame(
            {"serial": some, "extras": span.extras(view, lot)},
            schema={"serial": pl.String, "extras": pl.String},
        )
        text = form(span.printed, pl.col("serial"), pl.col("extras"))
        pieces.append(frame.select(text.alias("code")).to_series())
    return pl.concat(pieces)


def code_at(view: View, lot: Lot, position: int) -> str:
    """The whole code of one label, as scanned, separators as `{GS}`."""
    serials = view.serials(key_of(lot), position, 1)
    return str(codes_of(view, lot, position, serials)[0])


def facts_of(view: View, lot: Lot, position: int) -> LabelFacts:
    """What a code of one label has to agree with."""
    extras = view.extra_rows(key_of(lot), position, position)
    return LabelFacts(
        lot=lot.number,
        expiry=date.fromisoformat(lot.expiry),
        extras={ai: value for row in extras for ai, value in pairs_of(row)},
        prefix_length=view.product_of(lot).prefix_length,
        planned=gs1.from_file(code_at(view, lot, position)),
    )


def check_usable(view: View, lot: Lot, ranges: Iterable[Sequence[int]], today: date) -> None:
    """Refuses `numbers_expired` if imported numbers of these ranges are past their date."""
    runs = [tuple(one) for one in ranges]
    for row in view.imports(key_of(lot)):
        last = row.first + row.count - 1
        met = [max(a, row.first) for a, b in runs if a <= last and b >= row.first]
        if met and row.usable_until and row.usable_until < today.isoformat():
            raise Refused(
                "numbers_expired",
                "Some of these numbers may not be printed any more.",
                where=f"lot {lot.number}, positions {row.first} to {last}, "
                f"from {row.issuer or row.name}",
                expected=f"printing until {row.usable_until}",
                came=f"{today.isoformat()}, position {met[0]}",
                remedy="Print other positions, and report these numbers back: "
                f"serialkeeper serials return {lot.number} --out FILE",
            )
