"""What closed lots came to, over time: reject rates with their control limits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from serialkeeper.outside.files import Delivery
from serialkeeper.rules import history, history_pages, page_html
from serialkeeper.rules.cautions import AID
from serialkeeper.rules.figures import svg
from serialkeeper.rules.gs1 import parse_gtin
from serialkeeper.rules.history import LAST, PRODUCT, STATION, Series
from serialkeeper.rules.pages import check_form
from serialkeeper.store.history import closed_lots
from serialkeeper.store.record import Record


def show(
    record: Record,
    gtin: str = "",
    *,
    by: str = PRODUCT,
    last: int = LAST,
    out: Path | None = None,
    paper: str = "A4",
) -> dict[str, Any]:
    """Reject rates of closed lots by product, station, lane or reason, as p-charts.

    What each lot came to was written with its closing, so no label is looked at.

    Args:
        gtin: only lots of this product; empty for all of them.
        by: `product`, `station`, `lane` or `reason`.
        last: how many lots of each product at most, the newest ones.
        out: draw it, too: `FILE.svg`, or with its figures `FILE.html` or `FILE.pdf`.
        paper: `A4` or `Letter`, of HTML and PDF.

    Refuses `bad_value`, `bad_gtin`, `product_unknown`, `file_exists`.

    Returns:
        by, gtin, lots (closed ones that were looked at), wanted (from which limits mean something),
        series: name, lots, enough, labels, rejected, centre, spread, and of each lot lot, gtin,
        closed, labels, rejected, share, limits, outside, and both again widened by the spread;
        left_out: lots that such a series cannot tell of; file; caution.
    """
    history.check(by, last)
    if out and out.suffix.lower() != ".svg":
        check_form(out.name, out.suffix, paper)
    with record.read() as view:
        product = view.product(parse_gtin(gtin)).id if gtin else 0
        lots = closed_lots(view, product, last=last)
    made = history.series_of(by, lots)
    left_out = [f"{one.gtin}/{one.lot}" for one in lots if by == STATION and not one.stations]
    if out:
        _write(record, made, by, out, paper)
    return {
        "by": by,
        "gtin": gtin or None,
        "lots": len(lots),
        "wanted": history.ENOUGH,
        "series": [one.describe() for one in made],
        "left_out": left_out,
        "file": str(out) if out else None,
        "caution": AID,
    }


def _write(record: Record, made: list[Series], by: str, out: Path, paper: str) -> None:
    form = out.suffix.lower()
    if form == ".svg":
        data = svg(history_pages.panels(made)).encode()
    else:
        at = f"{record.now():%Y-%m-%d %H:%M:%S %z}"
        told = f"made {at}, {record.station}, {record.person}"
        document = history_pages.document(made, by, told, practice=record.practice)
        if form == ".html":
            data = "".join(page_html.html(document, paper)).encode()
        else:
            from serialkeeper.outside import page_papers

            data, _ = page_papers.pdf(document, paper)
    with Delivery(out) as file:
        file.write(data)
        file.sync()
        file.deliver()
