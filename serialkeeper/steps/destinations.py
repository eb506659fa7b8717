"""Destinations of events: naming them, how far each lot has come there, and what people decide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import destinations, gs1
from serialkeeper.rules.chain import HOUSE, canonical
from serialkeeper.rules.destinations import (
    CAPTURE,
    FOLDER,
    MOST_BYTES,
    MOST_EVENTS,
    Destination,
    Reach,
)
from serialkeeper.rules.documents import DELIVERED, PREPARED, STUCK, Document
from serialkeeper.rules.moves import COMPLIANCE
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.destinations import (
    destination,
    destinations_of,
    document,
    documents_of,
    is_done,
    last_document,
)
from serialkeeper.store.record import Record
from serialkeeper.store.release import kept_back
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import check_header, count_events
from serialkeeper.store.view import View, key_of


def set_up(
    record: Record,
    name: str,
    *,
    folder: Path | None = None,
    capture: str = "",
    form: str = "json",
    links: bool = False,
    sender: str = "",
    receiver: str = "",
    products: Sequence[str] = (),
    as_it_happens: bool = False,
    most_events: int = MOST_EVENTS,
    most_bytes: int = MOST_BYTES,
    reach: Reach | None = None,
    retire: bool = False,
) -> dict[str, Any]:
    """Add a destination, change it (all that is said here holds from now on), or retire it.

    Args:
        name: its name, kept for ever.
        folder: a folder that the receiver reads.
        capture: instead, the URL of an EPCIS 2.0 capture interface.
        form: one of `rules.event_forms.FORMS`.
        links: name units and places by GS1 Digital Links, not by EPC URNs; not in EPCIS 1.2.
        sender, receiver: locations of the record, for a header with master data; or neither.
        products: GTINs of the products whose events go there; none for all.
        as_it_happens: send before the lot is closed and reviewed; only compliance may say so.
        most_events, most_bytes: what one document holds at most.
        reach: how a capture interface is reached; names of secrets, never secrets.
        retire: send nothing there any more; its name is never used again.

    Refuses `bad_value`, `destination_unknown`, `destination_exists`, `file_missing`,
    `location_unknown`, `product_unknown`, `role_not_allowed`. Gives what `Destination.describe`
    does; whether it was `added`, else what was `changed`.
    """
    if retire:
        return _retire(record, name)
    record.check_may("destination set", (COMPLIANCE,) if as_it_happens else ())
    destinations.check_limits(most_events, most_bytes)
    told: dict[str, Any] = {
        "name": destinations.check_name(name),
        "what": CAPTURE if capture else FOLDER,
        "place": _place(folder, capture, form),
        "form": destinations.check_form(form, links=links),
        "links": int(links),
        "sender": sender,
        "receiver": receiver,
        "products": " ".join(sorted({gs1.parse_gtin(gtin) for gtin in products})),
        "as_it_happens": int(as_it_happens),
        "most_events": most_events,
        "most_bytes": most_bytes,
        "options": canonical(asdict((reach or Reach()).check())).decode() if capture else "",
    }
    with record.work(HOUSE) as work:
        check_header(work, sender, receiver)
        _ = [work.product(gtin) for gtin in told["products"].split()]  # all have to be known
        there = destinations_of(work)
        known = _known(there, told)
        number = known.id if known else len(there) + 1
        work.write(HOUSE, "destination set", {"id": number, "first": known is None, **told})
        return _told(known, destination(work, name).describe())


def _told(known: Destination | None, made: dict[str, Any]) -> dict[str, Any]:
    """A destination, and what of it is new."""
    before = known.describe() if known else made
    changed = [name for name, value in made.items() if value != before[name]]
    return made | {"added": known is None, "changed": changed}


def _place(folder: Path | None, capture: str, form: str) -> str:
    """Where it is. Refuses `bad_value`, `file_missing`."""
    if (folder is None) == (not capture):
        raise Refused(
            "bad_value",
            "A destination is one place.",
            where="the destination",
            expected="--folder DIR or --capture URL",
            came="both" if capture else "neither",
            remedy="Say where the events go.",
        )
    if folder is None:
        return destinations.check_url(capture, form)
    if not folder.is_dir():
        raise Refused(
            "file_missing",
            "The folder of the destination is not there.",
            where=str(folder),
            expected="a folder that this station can write to",
            came="no folder",
            remedy="Make it, or correct the name.",
        )
    return destinations.check_folder(str(folder.absolute()))


def _known(there: list[Destination], told: dict[str, Any]) -> Destination | None:
    """The destination that is changed; None for a new one. Refuses `destination_exists`."""
    for one in there:
        same, retired = one.name == told["name"], f", retired {one.retired}" * bool(one.retired)
        elsewhere = same or retired or not destinations.is_same(one.place, told["place"])
        if (same and retired) or not elsewhere:
            raise Refused(
                "destination_exists",
                "There is a destination of that name, or at that place, already.",
                where=told["name"],
                expected="a name that was never used, and a place of its own",
                came=f"{one.name}: {one.place}{retired}",
                remedy="Choose another name or place; a retired name is never used again.",
            )
    return next((one for one in there if one.name == told["name"]), None)


def _retire(record: Record, name: str) -> dict[str, Any]:
    record.check_may("destination retired")
    with record.work(HOUSE) as work:
        known = destination(work, name)
        work.write(HOUSE, "destination retired", {"id": known.id})
        gone = next(one for one in destinations_of(work) if one.id == known.id).describe()
    return gone | {"added": False, "changed": ["retired"]}


def settle(record: Record, name: str, lot: str, *, stored: bool, reason: str) -> dict[str, Any]:
    """Decide about a document that is stuck: whether the receiver has its events.

    Args:
        name: the destination.
        lot: the lot whose document is stuck.
        stored: the receiver has all of its events; otherwise it has none of them, and they are
            sent again, under the same IDs.
        reason: how that is known, in words.

    Refuses `destination_unknown`, `lot_unknown`, `nothing_stuck`, `reason_needed`,
    `role_not_allowed`.
    """
    record.check_may("document settled")
    reason = check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        found = view.lot(lot)
        target = destination(view, name)
    key = key_of(found)
    with record.work(key) as work:
        last = last_document(work, key, target.id)
        if last is None or last.state != STUCK:
            raise Refused(
                "nothing_stuck",
                "No document of the lot is stuck there.",
                where=f"{name}, lot {found.full_name}",
                expected="a document that waits for a person",
                came=last.state if last else "no document",
                remedy="Look at what waits: events status.",
            )
        told: dict[str, Any] = {"destination": target.id, "number": last.number, "stored": stored}
        if stored:
            told |= last.after()
        work.write(key, "document settled", told, reason=reason)
        now = document(work, key, target.id, last.number).describe()
    return {"destination": name, "lot": found.number, "gtin": found.gtin, **now}


def status(record: Record, *, to: str = "", lot: str = "") -> dict[str, Any]:
    """How far each lot has come at each destination in use.

    Args:
        to: one destination only.
        lot: one lot only.

    Refuses `destination_unknown`, `lot_unknown`.

    Returns:
        `destinations`, each with its `lots` that have caused events: what was delivered, how many
        events wait and why, the document that is open or stuck, and the last receipt;
        `needs_person`: how many documents are stuck.
    """
    with record.read() as view:
        lots = [view.lot(lot)] if lot else view.lots()
        there = [destination(view, to)] if to else destinations_of(view)
        found = []
        for one in there:
            if not one.retired:
                wanted = [each for each in lots if one.wants(each.gtin)]
                rows = [row for each in wanted if (row := _standing(view, one, each))]
                found.append({**one.describe(), "lots": rows})
    stuck = sum(row["state"] == STUCK for one in found for row in one["lots"])
    return {"destinations": found, "needs_person": stuck}


def _standing(view: View, target: Destination, lot: Lot) -> dict[str, Any] | None:
    """How a lot stands at a destination; None if there is nothing to say."""
    sent = documents_of(view, key_of(lot), target.id)
    last = sent[-1] if sent else None
    waiting = _waiting(view, lot, last)
    if last is None and not waiting:
        return None
    arrived = [one for one in sent if one.state == DELIVERED]
    why = kept_back(view, lot, target) if waiting else []
    state = "kept_back" if why else "waiting" if waiting else "up_to_date"
    if last and last.state in (PREPARED, STUCK):
        state = last.state
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "state": state,
        "documents": len(arrived),
        "events": last.arrived if last else 0,
        "waiting": waiting,
        "why": why,
        "open": last.describe() if last and state == last.state else None,
        "last": arrived[-1].describe() if arrived else None,
    }


def _waiting(view: View, lot: Lot, last: Document | None) -> int:
    """How many events of a lot its destination does not have."""
    if is_done(view, lot, last):
        return 0
    return count_events(view, lot) - (last.arrived if last else 0)
