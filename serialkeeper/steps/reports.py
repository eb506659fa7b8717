"""Answers: a label's life, the labels of a lot, and whether the record is sound."""

from __future__ import annotations

from collections.abc import Generator
from functools import partial
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import signing
from serialkeeper.rules import epc, gs1, scans
from serialkeeper.rules.chain import HOUSE, LotKey
from serialkeeper.rules.chronicle import header_of
from serialkeeper.rules.contradictions import find_contradictions
from serialkeeper.rules.documents import about
from serialkeeper.rules.imported import pairs_of
from serialkeeper.rules.moves import WORDS, State
from serialkeeper.rules.progress import CHECKED, Counted
from serialkeeper.store.challenges import planted_at
from serialkeeper.store.checkpoints import check_against, heads_of, unprotected
from serialkeeper.store.codes import code_at, facts_of
from serialkeeper.store.destinations import destinations_of
from serialkeeper.store.listings import labels_of
from serialkeeper.store.lives import describe, life_of, on_rolls
from serialkeeper.store.pack_trees import holds_on_unit
from serialkeeper.store.packs import packs_around
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import reviews_on
from serialkeeper.store.tables import Label
from serialkeeper.store.verify import verify
from serialkeeper.store.view import View, key_of


def list_labels(
    record: Record, name: str, *, state: str = ""
) -> Generator[dict[str, Any], None, None]:
    """The labels of a lot in position order, a block at a time.

    Refuses `lot_unknown`, `bad_value` for a state that is none.

    Args:
        state: only labels in this state (a word), or `doubtful`: rejected ones and those
            with an open finding.

    Yields:
        position, serial, state, finding, detail, was_active, evidence, ambiguous_with; job, row
        and lane where it stands, null where it stands nowhere.
    """
    if state not in ("", "doubtful", *WORDS):
        raise Refused(
            "bad_value",
            "There is no such state.",
            expected=f"doubtful, {', '.join(WORDS)}",
            came=state,
            remedy="Give one of these.",
        )
    with record.read() as view:
        view.lot(name)
    return _labels(record, name, state)


def _labels(record: Record, name: str, state: str) -> Generator[dict[str, Any], None, None]:
    with record.read() as view:
        yield from labels_of(view, view.lot(name), state)


def show_label(
    record: Record, name: str, *, position: int | None = None, serial: str = ""
) -> dict[str, Any]:
    """One label and its whole life.

    Args:
        name: a lot with `position` or `serial`; or a GTIN with `serial`; or the label's
            code as scanned or bracketed, or its EPC.

    Refuses `label_unknown`, `lot_unknown`, `bad_value`.
    """
    with record.read() as view:
        label = _find(view, name, position, serial, record.now().year)
        lot = view.lot_of(label)
        key = key_of(lot)
        life = list(life_of(view, lot, label.position))
        found = view.findings(key, first=label.position, last=label.position)
        bad = planted_at(view, lot, label.position)
        places = on_rolls(view, key, label.position)
        from_file = _from_file(view, key, label.position)
        code = code_at(view, lot, label.position)
        packs = packs_around(view, lot.product_id, label.serial)
        on_hold = [one.describe() for one in holds_on_unit(view, label)]
        reviewed = [one.describe() for one in reviews_on(view, lot, label.position)]
    return {
        "gtin": lot.gtin,
        "serial": label.serial,
        "lot": lot.number,
        "expiry": lot.expiry,
        "position": label.position,
        "epc": epc.sgtin_urn(lot.gtin, lot.prefix_length, label.serial),
        "code": code,
        "imported": from_file,
        "state": State(label.state).word,
        "findings": [describe(row) for row in found],
        # Nothing is told of a planted label before a reader has met it.
        "planted": bad.row.challenge_kind if bad and bad.outcome else None,
        "life": life,
        "packs": packs,
        "on_hold": on_hold,
        "reviewed": reviewed,
        **places,
    }


def _from_file(view: View, key: LotKey, position: int) -> dict[str, Any] | None:
    """Who gave the number, until when it may be printed, and what is printed with it."""
    for row in view.imports(key):
        if row.first <= position < row.first + row.count:
            extras = view.extra_rows(key, position, position)
            return {
                "issuer": row.issuer or None,
                "usable_until": row.usable_until or None,
                "extras": pairs_of(extras[0]) if extras else [],
            }
    return None


def _find(view: View, name: str, position: int | None, serial: str, this_year: int) -> Label:
    label: Label | None
    alone = position is None and not serial
    reading = scans.read(name, this_year=this_year)
    if alone and reading.is_code:
        for wrong in reading.faults:
            raise wrong
        code = dict(reading.elements)
        if "01" not in code:
            raise _unknown(name, name)
        label = view.label(view.product(code["01"]).id, code.get("21", ""))
        if label is not None:
            own = view.lot_of(label)
            facts = facts_of(view, own, label.position)
            for came in find_contradictions(reading, facts, this_year=this_year):
                raise Refused(
                    "scan_doubtful",
                    "The code and the record of the label that it names contradict each other.",
                    where=own.full_name,
                    expected=gs1.to_file(facts.planned),
                    came=came,
                    remedy="Name the label by its number; the command scan says more of the code.",
                )
    elif position is not None:
        label = view.label_at(key_of(view.lot(name)), position)
    elif len(name) == 14 and name.isdigit():
        label = view.label(view.product(gs1.parse_gtin(name)).id, serial)
    else:
        lot = view.lot(name)
        label = view.label(lot.product_id, serial)
        label = label if label and label.lot_id == lot.id else None
    if label is None:
        raise _unknown(name, str(position if position is not None else serial or name))
    return label


def _unknown(where: str, came: str) -> Refused:
    return Refused(
        "label_unknown",
        "The record knows no such label.",
        where=where,
        expected="a position of the lot, or a number of the product",
        came=came,
        remedy="Look the label up: label list.",
    )


def list_entries(
    record: Record, name: str = "", *, label: int | None = None
) -> Generator[dict[str, Any], None, None]:
    """The journal of a lot, or without a lot that of the house, in order, with its signatures.

    Refuses `lot_unknown`, `lot_ambiguous`, `bad_value` for a label without a lot, `label_unknown`.

    Args:
        label: a position in the lot: only entries that moved this label.

    Yields:
        entry, at (UTC), zone (the station's, `+hh:mm`), verb, person, role, second, station,
        reason, about (which document of events, and what was decided of it), parts (how many),
        token (of a script, else None), and signatures: person, role, meaning and practice of each.
    """
    if label is not None and not name:
        raise Refused(
            "bad_value",
            "A label is named by a lot and its position.",
            expected="a lot",
            came=f"position {label} of no lot",
            remedy="Name the lot too: record entries LOT --label POSITION.",
        )
    with record.read() as view:
        lot = view.lot(name) if name else None
        if lot and label is not None:
            view.known_label(lot, label)
    return _entries(record, key_of(lot) if lot else HOUSE, label)


def _entries(
    record: Record, key: LotKey, label: int | None
) -> Generator[dict[str, Any], None, None]:
    with record.read() as view:
        destinations = {one.id: one.name for one in destinations_of(view)}
        wanted: set[int] | None = None
        if label is not None:
            wanted = {step["entry"] for step in life_of(view, view.lot_at(key), label)}
        for entry in view.entries(key):
            if wanted is None or entry.seq in wanted:
                yield {
                    **header_of(entry),
                    "about": about(entry, destinations),
                    "parts": len(entry.parts),
                }


def verify_record(
    record: Record,
    *,
    against: Path | None = None,
    public_key: str = "",
    seen: Counted | None = None,
) -> dict[str, Any]:
    """Check chains, parts, originals and tables; raises Damaged at the first fault.

    A tail cut off or rewritten together with its head row cannot be seen from inside the record,
    only against a checkpoint that was made after it and kept elsewhere.

    Args:
        against: a checkpoint's file, or a folder of them: the one made last counts.
        public_key: the key that it has to be signed with, 64 hex digits, as it was handed over;
            without it those count that the record itself names.
        seen: is told how far it is (`store.verify.verify`).

    Returns:
        `sound`; how much was checked; `set_back`: entries, seconds and the first place where a
        station's clock went backwards; `heads` to be kept; `unprotected`: what came after the
        checkpoint (or after the last one that was made) and could be rewritten unseen.
    """
    against = signing.newest(against) if against else None
    data = signing.read_checkpoint(against) if against else b""
    with record.read() as view:
        checked = verify(view, seen or partial(record.seen, CHECKED))
        heads = heads_of(view)
        later = (
            check_against(view, data, public_key, str(against)) if against else unprotected(view)
        )
    return {"sound": True, **checked, "heads": heads, "unprotected": later}
