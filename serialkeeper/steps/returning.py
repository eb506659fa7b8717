"""Imported numbers that were not used, reported back to whoever gave them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import moves
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.jobs import ranges_of
from serialkeeper.rules.moves import OPEN_LOT, RETURNED, State
from serialkeeper.store.codes import codes_of
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.numbers import check_finished
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

COLUMNS = ("position", "serial", "code", "state", "reason", "issuer")
"""Columns of the file; `code` is the whole code as printed, separators as `{GS}`."""


def return_numbers(record: Record, name: str, *, out: Path, reason: str = "") -> dict[str, Any]:
    """Void the imported numbers that nobody printed, and list all that were never used.

    The list holds them and those that were voided before, as damaged, say, in order of position;
    the same record gives the same bytes.

    Args:
        out: the CSV file to make.
        reason: why, in words, where somebody may ask; kept with the decision.

    Refuses `nothing_to_return`, `allocation_unfinished`, `file_exists`, `lot_state`,
    `role_not_allowed`.

    Returns:
        lot, returned (numbers voided now), listed, reasons (how many of each), file, sha256.
    """
    record.check_may("numbers returned")
    with record.read() as view:
        lot = view.lot(name)
        if not view.imports(key_of(lot)):
            raise _nothing(lot, "no file of numbers was imported for this lot")
    with Delivery(out) as file:
        with record.work(key_of(lot)) as work:
            lot, key = work.lot(lot.full_name), key_of(lot)
            check_finished(work, lot)
            made: list[tuple[int, int, str, str]] = [
                (first, last, State.ALLOCATED.value, State.VOIDED.value)
                for row in work.imports(key)
                for first, last in _unprinted(work, lot, row)
            ]
            if made:
                moves.check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
                data = {"moves": made, "lot_state": lot.state, "note": reason.strip()}
                work.write(key, "numbers returned", data, reason=RETURNED)
            reasons: dict[str, int] = {}
            for piece in _rows(work, lot, reasons):
                file.write(piece)
            if not reasons:
                raise _nothing(lot, "every imported number was used")
            sha256 = file.sync()
        file.deliver()
    return {
        "lot": lot.number,
        "returned": sum(last - first + 1 for first, last, *_ in made),
        "listed": sum(reasons.values()),
        "reasons": dict(sorted(reasons.items())),
        "file": str(out),
        "sha256": sha256,
    }


def _nothing(lot: Lot, came: str) -> Refused:
    return Refused(
        "nothing_to_return",
        "The lot has no imported numbers to report back.",
        where=lot.full_name,
        expected="imported numbers that were never used",
        came=came,
        remedy="Look at the lot: lot show.",
    )


def _unprinted(view: View, lot: Lot, row: NumberImport) -> list[list[int]]:
    """Runs of an import's numbers that are only allocated, and were not seen on a web."""
    last = row.first + row.count - 1
    key = key_of(lot)
    states = np.frombuffer(view.states(key, row.first, last), np.uint8).copy()
    for found in view.findings(key, first=row.first, last=last, state="open"):
        if states[found.position - row.first] == ord(State.ALLOCATED):
            states[found.position - row.first] = ord(State.REJECTED)  # printed after all
    return ranges_of(states.tobytes(), State.ALLOCATED, row.first)


def _rows(view: View, lot: Lot, reasons: dict[str, int]) -> Iterator[bytes]:
    """The file, a block at a time; counts the reasons."""
    yield (",".join(COLUMNS) + "\n").encode()
    key = key_of(lot)
    why = [row for row in view.departures(key) if row.state == State.VOIDED.value]
    for row in view.imports(key):
        last = row.first + row.count - 1
        given = np.full(row.count, -1, dtype=np.int32)
        for number, gone in enumerate(why):
            start, end = max(gone.first, row.first), min(gone.last, last)
            given[max(start - row.first, 0) : max(end + 1 - row.first, 0)] = number
        for first in range(row.first, last + 1, BLOCK):
            some = given[first - row.first : first - row.first + BLOCK]
            places = np.flatnonzero(some >= 0).tolist()
            if not places:
                continue
            serials = view.serials(key, first, len(some))
            codes = codes_of(view, lot, first, serials)
            text = io.StringIO()
            writer = csv.writer(text, lineterminator="\n")
            for place in places:
                reason = why[some[place]].reason
                reasons[reason] = reasons.get(reason, 0) + 1
                code = codes[place]
                writer.writerow((first + place, serials[place], code, "voided", reason, row.issuer))
            yield text.getvalue().encode()
