"""Tables of a lot for spreadsheets and other programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from serialkeeper.outside import spreadsheets
from serialkeeper.rules import tables
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.tables import Row
from serialkeeper.store.checkpoints import generation_of
from serialkeeper.store.listings import MADE
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

_TOLD_EACH = 10_000


def write(record: Record, name: str, what: str, *, out: Path) -> dict[str, Any]:
    """Write a table of a lot; the record is not changed, and the same record gives the same bytes.

    Args:
        what: `labels`, `moves`, `packs` or `review`.
        out: the file, `.csv` or `.xlsx`. Beside a CSV stands `FILE.csv-metadata.json`; an XLSX has
            the same in its sheet `about`.

    Refuses `bad_value`, `file_exists`, `file_unwritable`, `lot_unknown`, `lot_ambiguous`.

    Returns:
        lot, gtin, table, file, form, rows, sheets of the table (None in CSV), size, sha256,
        metadata (the file beside a CSV, else None); as_of: time of the lot's last entry; entries
        and head of the lot's chain.
    """
    form = tables.check(what, out.name, out.suffix)
    columns = tables.TABLES[what]
    writer = spreadsheets.write_csv if form == tables.CSV else spreadsheets.write_xlsx
    with record.read() as view:
        lot = view.lot(name)
        facts = _facts(view, record, lot, what)
        rows = _counted(record, MADE[what](view, lot), lot.labels if what == "labels" else 0)
        made = writer(out, columns, rows, facts)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "table": what,
        "file": str(out),
        "form": form,
        **made,
        "as_of": facts["as_of"],
        "entries": int(facts["entries"]),
        "head": facts["head"],
    }


def _counted(record: Record, rows: Iterable[Row], of: int) -> Iterator[Row]:
    """The same rows; tells from time to time how many there were."""
    for count, row in enumerate(rows, 1):
        yield row
        if not count % _TOLD_EACH:
            record.seen("rows", count, of)


def _facts(view: View, record: Record, lot: Lot, what: str) -> dict[str, str]:
    """Of what the table is, in words."""
    chain = view.chain(key_of(lot))
    last = view.entry(key_of(lot), chain.count)
    return {
        "table": what,
        "lot": lot.number,
        "gtin": lot.gtin,
        "expiry": lot.expiry,
        "lot_state": lot.state,
        "day": last.at[:10],
        "as_of": last.at,
        "entries": str(chain.count),
        "head": chain.head.hex(),
        "record": view.hash_at(HOUSE, 1).hex(),
        "generation": str(generation_of(view)),
        "practice": "yes: for trying and training, never for a real lot"
        if record.practice
        else "no",
        "caution": CAUTION,
    }
