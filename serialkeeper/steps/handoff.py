"""Hand-off: what happened, as standard event files for the repository downstream."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import events, pack_events
from serialkeeper.rules.chain import Entry, PartRef
from serialkeeper.rules.events import LotFacts, Written
from serialkeeper.rules.moves import check_take
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

_TELLING = (
    "taken",
    "take finished",
    "accepted",
    "voided",
    "decommissioned",
    "packed",
    "unpacked",
    "packs decommissioned",
    "packs shipped",
)


def write_events(record: Record, name: str, *, form: str, out: Path) -> dict[str, Any]:
    """Write a lot's events as one EPCIS 2.0 document.

    The same record and form give the same bytes. What was handed out is journalled.

    Args:
        form: `json` (JSON-LD) or `xml`.
        out: the file to make.

    Refuses `nothing_to_send`, `take_unfinished`, `bad_value`, `file_exists`.
    """
    if form not in events.FORMS:
        raise Refused(
            "bad_value",
            "There is no such form of an event file.",
            expected=" or ".join(events.FORMS),
            came=form,
            remedy="Give --form json or --form xml.",
        )
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        created = _created(view, lot)
        tally = _Tally()
        with Delivery(out) as file:
            for text in events.WRITERS[form](tally.count(_events(view, lot)), created=created):
                file.write(text.encode())
            if not tally.events:
                raise Refused(
                    "nothing_to_send",
                    "The lot has caused no event yet.",
                    where=f"lot {lot.number}",
                    expected="commissioned labels",
                    came="none",
                    remedy="Take in the camera's results first: inspect take.",
                )
            sha256 = file.sync()
            data = {
                "form": form,
                "name": out.name,
                "sha256": sha256,
                "size": file.size,
                "events": tally.events,
                "epcs": tally.epcs,
            }
            with record.work(key) as work:
                work.write(key, "events written", data)
            file.deliver()
    return {"lot": lot.number, "gtin": lot.gtin, "file": str(out), **data}


def _created(view: View, lot: Lot) -> str:
    """When the newest entry that can have caused an event was made.

    Refuses `take_unfinished` after an interrupted take.
    """
    for take in view.takes(key_of(lot)):
        check_take(lot.number, take.id, take.name, take.state)
    created = ""
    for entry in view.entries(key_of(lot)):
        if entry.verb in _TELLING:
            created = entry.at
    return created


class _Tally:
    """Counts events on their way into a file."""

    def __init__(self) -> None:
        self.events = 0
        self.epcs = 0

    def count(self, some: Iterable[Written]) -> Iterator[Written]:
        for event in some:
            self.events += 1
            self.epcs += event.count
            yield event


def _events(view: View, lot: Lot) -> Iterable[Written]:
    key = key_of(lot)

    def read_part(entry: Entry, ref: PartRef) -> bytes:
        data = view.part(key, entry.seq, ref)
        if data is None:
            raise LookupError(f"part {ref} of entry {entry.seq} is gone")
        return data

    def serials_of(first: int, count: int) -> list[str]:
        return view.serials(key, first, count)

    facts = LotFacts(lot.gtin, lot.prefix_length, lot.number, lot.expiry, lot.group_limit)
    return pack_events.fold(view.entries(key), facts, read_part=read_part, serials_of=serials_of)
