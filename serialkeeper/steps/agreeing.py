"""The check before release: printed = accepted = recorded = exported."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from serialkeeper.outside.printer import print_file
from serialkeeper.rules.agreement import (
    ACCEPTED,
    EXPORTED,
    NEVER,
    PRINTED,
    RECORDED,
    SIDES,
    Account,
    Letters,
    Receiver,
    first_difference,
)
from serialkeeper.rules.chain import BLOCK
from serialkeeper.rules.event_forms import write_json
from serialkeeper.rules.event_reading import read
from serialkeeper.rules.jobs import shape_of
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.moves import check_take
from serialkeeper.store import accounts
from serialkeeper.store.codes import labels_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import events_of, last_telling, no_event
from serialkeeper.store.view import View, key_of


def check(record: Record, name: str) -> dict[str, Any]:
    """Compare four accounts of a lot's active numbers, and journal what came of it.

    Every print file is made again and has to have the bytes that were issued; the journal's takes
    and decisions are followed; the table of labels is read; the events are written, read back as a
    receiver reads them, and followed. Who is in which pack is compared, too.

    Refuses `nothing_to_send`, `take_unfinished`, `role_not_allowed`.

    Returns:
        lot, gtin, agrees; difference: the first one in words, or None; sides: of each account its
        side, numbers, sha256, states and states_sha256; printed: how many numbers are in print
        files, and how many of these were never active, so in no account; events: how many; packed:
        units in packs, recorded and exported; entry: the last entry that can have caused an event.
    """
    record.check_may("events checked")
    with record.read() as view:
        lot = view.lot(name)
        for take in view.takes(key_of(lot)):
            check_take(lot.number, take.id, take.name, take.state)
        last = last_telling(view, lot)
        found = _Check(view, lot)
        if last is None or not found.events:
            raise no_event(lot)
        told = found.describe()
        with record.work(key_of(lot)) as work:
            now = last_telling(work, lot)
            data = {
                "agrees": told["agrees"],
                "entry": last.seq,
                "events": found.events,
                "numbers": found.accounts[EXPORTED].count,
                "sha256": found.accounts[EXPORTED].with_states.hexdigest(),
            }
            work.write(key_of(lot), "events checked", data)
    latest = now is not None and now.seq == last.seq
    return {"lot": lot.number, "gtin": lot.gtin, **told, "entry": last.seq, "latest": latest}


class _Check:
    """The four accounts of a lot, read from one look at the record."""

    def __init__(self, view: View, lot: Lot) -> None:
        self.view, self.lot = view, lot
        self.accounts = {side: Account(side) for side in SIDES}
        self.difference = ""
        self.events = 0
        numbers = accounts.numbers_of(view, lot)
        printed, why = self._printed()
        receiver = self._exported(numbers)
        accepted = accounts.accepted(view, lot)
        for block, serials in enumerate(numbers):
            first = block * BLOCK + 1
            some = slice(first, first + len(serials))
            there, letters = accounts.recorded(view, lot, first, len(serials))
            sides = {
                PRINTED: np.where(accepted[some] != NEVER, printed[some], NEVER).astype(np.uint8),
                ACCEPTED: accepted[some],
                RECORDED: letters,
                EXPORTED: receiver.letters[some],
            }
            for side, of in sides.items():
                self.accounts[side].add(there if side == RECORDED else serials, of)
            if there != serials:
                wrong = next(i for i, one in enumerate(there) if one != serials[i])
                self._differs(
                    f"position {first + wrong}: recorded {there[wrong]}, allocated {serials[wrong]}"
                )
            self._differs(first_difference(first, serials, sides))
        in_files = int(np.count_nonzero(printed))
        self.printed = {
            "numbers": in_files,
            "never_active": in_files - self.accounts[PRINTED].count,
        }
        self.packed = self._packed(receiver)
        self._differs(why)
        self._differs(receiver.faults[0] if receiver.faults else "")

    def _differs(self, why: str) -> None:
        self.difference = self.difference or why

    def _printed(self) -> tuple[Letters, str]:
        """Which labels stand in a print file that has the bytes that were issued."""
        marks: Letters = np.zeros(self.lot.labels + 1, np.uint8)
        why = ""
        for job in self.view.jobs(key_of(self.lot)):
            shape = shape_of(job.ranges, job.lanes, job.by)
            digest = hashlib.sha256()
            pieces = labels_of(self.view, self.lot, shape)
            for data in print_file(pieces, shape, layout_of(self.lot.layout)):
                digest.update(data)
            if digest.hexdigest() == job.sha256:
                marks[shape.positions()] = ord("p")
            else:
                why = why or f"print file {job.name} of job {job.id} would have other bytes"
        return marks, why

    def _exported(self, numbers: list[list[str]]) -> Receiver:
        """What a receiver knows of the lot after its events."""
        flat = [serial for block in numbers for serial in block]
        receiver = Receiver(self.lot.gtin, np.array(flat, dtype="S20"))
        for event in events_of(self.view, self.lot):
            self.events += 1
            document = orjson.loads("".join(write_json([event], created=event.time)))
            told = read(document["epcisBody"]["eventList"][0], self.events)
            if told.faults:
                self._differs(f"event {self.events}: {told.faults[0]}")
            receiver.read(told.event)
        return receiver

    def _packed(self, receiver: Receiver) -> dict[str, int]:
        """How many units are in packs by the table and by the events; tells where they differ."""
        places, keys = accounts.packed(self.view, self.lot)
        recorded: NDArray[np.uint32] = np.zeros(self.lot.labels + 1, np.uint32)
        recorded[places] = [receiver.packs.get(key, 0) for key in keys]
        differs = np.flatnonzero(recorded != receiver.inside)
        if len(differs):
            place = int(differs[0])
            self._differs(f"position {place}: recorded and exported in different packs")
        return {"recorded": len(places), "exported": int((receiver.inside != 0).sum())}

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        return {
            "agrees": not self.difference,
            "difference": self.difference or None,
            "sides": [self.accounts[side].describe() for side in SIDES],
            "events": self.events,
            "printed": self.printed,
            "packed": self.packed,
        }
