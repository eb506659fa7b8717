"""Hand-off: what happened, as standard event files for the repository downstream."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules.event_forms import FORMS, words_of
from serialkeeper.rules.events import Event
from serialkeeper.rules.moves import check_take
from serialkeeper.store.record import Record
from serialkeeper.store.release import awaited
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import events_of, header_of, last_telling, no_event
from serialkeeper.store.view import View, key_of


def write_events(
    record: Record,
    name: str,
    *,
    form: str,
    out: Path,
    links: bool = False,
    sender: str = "",
    receiver: str = "",
) -> dict[str, Any]:
    """Write a lot's events as one EPCIS document.

    The same record and form give the same bytes. What was handed out is journalled. The answer's
    `words` counts the events of a word that the form lacks, as `WORD as OLDER WORD`; `kept_back`
    tells why the lot would not be sent now, as a hold on it: a file goes where people take it.

    Args:
        form: `json` or `xml` for EPCIS 2.0, `xml-1.2` for EPCIS 1.2.
        out: the file to make.
        links: name units and places by GS1 Digital Links, not by EPC URNs; not in EPCIS 1.2.
        sender, receiver: locations of the record, for a header with master data; or neither.

    Refuses `nothing_to_send`, `take_unfinished`, `bad_value`, `location_unknown`, `file_exists`.
    """
    _check_form(form)
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        created = _created(view, lot)
        tally = _Tally(form)
        header = header_of(view, lot, sender, receiver)
        kept_back = awaited(view, lot)
        events = tally.count(events_of(view, lot))
        pieces = FORMS[form].write(events, created=created, links=links, header=header)
        with Delivery(out) as file:
            for text in pieces:
                file.write(text.encode())
                record.seen("events", tally.events, 0)
            if not tally.events:
                raise no_event(lot)
            sha256 = file.sync()
            data = {
                "form": form,
                "name": out.name,
                "sha256": sha256,
                "size": file.size,
                "events": tally.events,
                "epcs": tally.epcs,
                "links": links,
                "sender": sender,
                "receiver": receiver,
            }
            with record.work(key) as work:
                work.write(key, "events written", data)
            file.deliver()
    words = dict(sorted(tally.words.items()))
    told = {"words": words, "kept_back": kept_back}
    return {"lot": lot.number, "gtin": lot.gtin, "file": str(out), **data, **told}


def _check_form(form: str) -> None:
    """Refuses `bad_value`."""
    if form not in FORMS:
        raise Refused(
            "bad_value",
            "There is no such form of an event file.",
            expected=" or ".join(FORMS),
            came=form,
            remedy="Give --form json, --form xml or --form xml-1.2.",
        )


def _created(view: View, lot: Lot) -> str:
    """When the newest entry that can have caused an event was made.

    Refuses `take_unfinished` after an interrupted take.
    """
    for take in view.takes(key_of(lot)):
        check_take(lot.number, take.id, take.name, take.state)
    last = last_telling(view, lot)
    return last.at if last else ""


class _Tally:
    """Counts events on their way into a file."""

    def __init__(self, form: str) -> None:
        self.form = form
        self.events = 0
        self.epcs = 0
        self.words: Counter[str] = Counter()

    def count(self, some: Iterable[Event]) -> Iterator[Event]:
        for event in some:
            self.events += 1
            self.epcs += event.count
            self.words.update(words_of(event, self.form))
            yield event
