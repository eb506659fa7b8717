"""Scan: what a text or an image of a code is, whether it is well formed, what the record knows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside import clock
from serialkeeper.outside.decoding import find_other_codes, find_symbols
from serialkeeper.outside.images import open_image
from serialkeeper.rules import cautions, garbled, gs1, identifiers, keys, scans
from serialkeeper.rules.contradictions import find_contradictions, lot_otherwise
from serialkeeper.rules.garbled import Guess, LotFacts
from serialkeeper.rules.holds import Hold, sentence
from serialkeeper.rules.identifiers import Elements
from serialkeeper.rules.imported import pairs_of
from serialkeeper.rules.moves import State
from serialkeeper.rules.rolls import GOOD
from serialkeeper.rules.scans import Reading
from serialkeeper.store.codes import facts_of
from serialkeeper.store.holds import open_holds
from serialkeeper.store.lives import describe, life_of, on_rolls
from serialkeeper.store.pack_trees import holds_about, holds_on_unit
from serialkeeper.store.packs import around, contents_of, find_packs, packs_around
from serialkeeper.store.plans import places_of, span_of
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Label, Lot
from serialkeeper.store.view import View, key_of

WELL_FORMED, MALFORMED, NOT_GOOD = "well formed", "malformed", "not good"

_LAST_MOVES = 5


def scan(record: Record | None, what: str | Path) -> dict[str, Any]:
    """Say what a scanned text, or every symbol on an image, is; changes nothing.

    Args:
        record: asked for what it knows; None asks nobody.
        what: the text as it was scanned or typed, or the path of an image file.

    Refuses `bad_value` for what is no text, `image_unreadable`, `image_too_large`, and
    `images_empty` where no symbol reads.

    Returns:
        image (name, sha256, unread symbols) or None; codes, each as `schemas/scan.schema.json`
        says; record (its URL) or None; outcome: the worst of the codes' outcomes: `malformed`,
        `not good` (well formed, but the record holds something against it), `well formed`.
    """
    now = record.now() if record else clock.now()
    image, texts = _symbols(what) if isinstance(what, Path) else (None, [_checked(what)])
    if record is None:
        codes = [_code(None, text, now) for text in texts]
    else:
        with record.read() as view:
            codes = [_code(view, text, now) for text in texts]
    outcomes = [code["outcome"] for code in codes]
    worst = next((one for one in (MALFORMED, NOT_GOOD) if one in outcomes), WELL_FORMED)
    return {
        "image": image,
        "codes": codes,
        "record": record.url if record else None,
        "outcome": worst,
        "caution": cautions.CAUTION,
    }


def _checked(text: str) -> str:
    """Refuses `bad_value` for a text that is none."""
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise Refused(
            "bad_value",
            "The text holds something that is no character.",
            where=f"character {error.start + 1}",
            expected="a text",
            came=ascii(text),
            remedy="Set the scanner and its interface to UTF-8.",
        ) from None
    return text


def _symbols(path: Path) -> tuple[dict[str, Any], list[str]]:
    """What an image file is, and the texts of its symbols."""
    picture = open_image(path)
    found = find_symbols(picture.gray, path)
    read = [symbol.text for symbol in found if symbol.text] + find_other_codes(picture.gray)
    if not read:
        raise Refused(
            "images_empty",
            "No symbol reads on the image.",
            where=str(path),
            expected="a DataMatrix, QR or GS1-128 symbol with a quiet zone, a few pixels a module, "
            "in focus",
            came=f"{len(found)} found, none decoded" if found else "no symbol found",
            remedy="Take the picture again, nearer, evenly lit and in focus.",
        )
    image = {
        "name": picture.name,
        "sha256": picture.sha256,
        "unread": [
            {"x": round(one.x), "y": round(one.y), "detail": one.detail or one.agreement}
            for one in found
            if not one.text
        ],
    }
    return image, read


def _code(view: View | None, text: str, now: datetime) -> dict[str, Any]:
    """One code: what it is, what is wrong, what it may have been, what is known of it."""
    year = now.year
    reading = scans.read(text, this_year=year)
    knows = _Known.of(view, reading.elements, reading.number, year, reading) if view else None
    faults, doubts = list(reading.faults), list(reading.doubts)
    if view and reading.form in ("GTIN", "SSCC"):
        also = _Known.of(view, (), reading.text, year)
        if also.label:
            knows = also
            doubts.append(_digits_of_a_number(reading))
    strange = knows is not None and knows.strange and knows.label is None
    likely = _likely(view, reading, year) if faults or strange else []
    if likely and not faults:
        faults.append(_changed(reading, likely))
    if strange and not faults:
        faults += _not_a_key(reading.number)
    against = knows.against if knows else []
    outcome = MALFORMED if faults else NOT_GOOD if against else WELL_FORMED
    return {
        "scanned": "".join(
            sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in gs1.to_file(text)
        ),
        "form": reading.form,
        "symbology": reading.symbology or None,
        "carrier": scans.CARRIERS.get(reading.symbology),
        "separator": reading.separator or None,
        "outcome": outcome,
        "parts": [_part(ai, value, year) for ai, value in reading.elements],
        "number": reading.number or None,
        "prefix_length": reading.prefix_length,
        "faults": [fault.as_dict() for fault in faults],
        "doubts": [doubt.as_dict() for doubt in doubts],
        "notes": list(reading.notes),
        "likely": likely,
        "known": knows.told if knows else None,
        "against": against,
    }


def _part(ai: str, value: str, year: int) -> dict[str, str]:
    one = identifiers.known(ai)
    return {
        "ai": ai,
        "title": one.title if one else "",
        "meaning": one.meaning if one else "",
        "value": value,
        "says": scans.says(ai, value, this_year=year),
    }


def _not_a_key(number: str) -> list[Refused]:
    """A number that the record does not know and that is as long as a key: why it is none."""
    try:
        if number.isdigit() and len(number) in keys.LENGTHS:
            (keys.parse_sscc if len(number) == 18 else keys.parse_gtin)(number)
    except Refused as refusal:
        return [refusal]
    return []


def _changed(reading: Reading, likely: list[dict[str, Any]]) -> Refused:
    """The fault of a text that only makes sense as something else."""
    return Refused(
        "scan_garbled",
        "The record does not know this as it stands, but knows what it would be if it had been "
        "changed on its way.",
        where="the scanner and its keyboard",
        expected=likely[0]["bracketed"] or likely[0]["number"],
        came=gs1.to_file(reading.text),
        remedy="Set the scanner right and scan again; a mended text is no evidence. Most likely: "
        + "; ".join(likely[0]["how"]),
    )


def _digits_of_a_number(reading: Reading) -> Refused:
    return Refused(
        "scan_doubtful",
        f"These digits make a {reading.form}, and a label of the record has them as its number.",
        expected="the label's whole code",
        came=reading.text,
        remedy="Scan the symbol instead of typing digits.",
    )


def _likely(view: View | None, reading: Reading, year: int) -> list[dict[str, Any]]:
    """What the text most likely was: guesses whose label the record knows.

    Without a record only those are told of that mend a text which is malformed as it stands.
    """
    lots = view.lots() if view else []
    facts = [
        LotFacts(lot.gtin, lot.number, date.fromisoformat(lot.expiry), tuple(lot.ai_order.split()))
        for lot in lots
    ]
    told: list[dict[str, Any]] = []
    for guess in garbled.guesses(reading.text, facts, this_year=year):
        knows = _Known.of(view, guess.elements, guess.number, year) if view else None
        if not (knows.label and not knows.strange if knows else guess.elements):
            continue
        one = _guess(guess, knows)
        if all(one["bracketed"] != other["bracketed"] for other in told):
            told.append(one)
    return told


def _guess(guess: Guess, knows: _Known | None) -> dict[str, Any]:
    label = knows.label if knows else None
    return {
        "how": list(guess.how),
        "bracketed": gs1.write_bracketed(guess.elements) or None,
        "number": guess.number or None,
        "label": {
            "lot": knows.told["label"]["lot"],
            "position": label.position,
            "state": State(label.state).word,
        }
        if knows and label
        else None,
    }


@dataclass(frozen=True, slots=True)
class _Known:
    """What the record knows of a code.

    Attributes:
        label: the label, if it is one.
        told: what is told of product, lot and label.
        against: what the record holds against the code, in sentences.
        strange: whether the record does not know it at all, or knows it otherwise.
    """

    label: Label | None
    told: dict[str, Any]
    against: list[str]
    strange: bool

    @classmethod
    def of(
        cls, view: View, elements: Elements, number: str, year: int, reading: Reading | None = None
    ) -> _Known:
        """Ask the record. `year` is for the century of dates; `reading` is what was scanned, where
        the elements are no guess."""
        there = dict(elements)
        told: dict[str, Any] = {"product": None, "lot": None, "label": None, "pack": None}
        if number:
            return _number(view, number, told)
        if pack := _pack(view, there):
            told["pack"], against = pack
            return cls(None, told, against, False)
        if "01" not in there:
            told["pack"] = "The record knows no pack with this SSCC." if "00" in there else None
            return cls(None, told, [], False)
        product = view.find_product(there["01"])
        if product is None:
            return cls(None, told, [f"The record knows no product {there['01']}."], True)
        told["product"] = {"gtin": product.gtin, "name": product.name}
        length, licensed = reading.prefix_length if reading else None, product.prefix_length
        if length not in (None, licensed):
            other = f"The URN's company prefix has {length} digits, the product's has {licensed}."
            return cls(None, told, [other], True)
        lot = view.find_lot(product.id, there["10"]) if "10" in there else None
        if lot:
            told["lot"] = _lot(lot)
        if "21" not in there:
            said = list(_of_the_lot(there, lot, year)) if "10" in there else []
            return cls(None, told, said, bool(said))
        label = view.label(product.id, there["21"])
        if label is None:
            return cls(
                None, told, [f"The product has no number {there['21']} in the record."], True
            )
        told["label"], against = _label(view, label)
        own = view.lot_of(label)
        asked = reading or Reading("", "bracketed", elements=elements)
        others = find_contradictions(asked, facts_of(view, own, label.position), this_year=year)
        return cls(label, told, [*others, *against], bool(others))


def _pack(view: View, there: dict[str, str]) -> tuple[str, list[str]] | None:
    """What is told of a pack, and by which holds it is held; None where the code names none."""
    key = there.get("00") or f"{there.get('01')}/{there.get('21')}"
    pack = find_packs(view, [key]).get(key)
    if pack is None:
        return None
    inner = contents_of(view, [pack])[pack.lot_id, pack.id]
    above = around(view, pack)
    outer = "".join(f", in {one.level} {one.key}" for one in above)
    units = sum(inner.units.values())
    holds = holds_about(view, pack, above, open_holds(view, pack.product_id))
    return (
        f"{pack.level} {pack.key}: {pack.state}, in it {inner.direct:,}, units in all {units:,}"
        f"{outer}"
    ), [_held(one) for one in holds]


def _held(hold: Hold) -> str:
    return f"It is held, by {sentence(hold.describe())}."


def _number(view: View, number: str, told: dict[str, Any]) -> _Known:
    """A bare number: that of a label of any product; a lot's number is told, too."""
    labels, lots = view.labels_numbered(number), view.lots_numbered(number)
    if lots:
        told["lot"] = _lot(lots[0])
    if not labels:
        said = [] if lots else [f"The record knows no label and no lot {number}."]
        return _Known(None, told, said, not lots)
    told["label"], against = _label(view, labels[0])
    gtins = [view.lot_of(label).gtin for label in labels]
    if len(labels) > 1:
        against = [f"Several products have this number: {', '.join(gtins)}.", *against]
    product = view.product(gtins[0])
    told["product"] = {"gtin": product.gtin, "name": product.name}
    return _Known(labels[0], told, against, False)


def _of_the_lot(there: dict[str, str], lot: Lot | None, year: int) -> Iterator[str]:
    """What the record holds against a code without a number."""
    if lot is None:
        yield f"The product has no lot {there['10']} in the record."
    else:
        expiry = date.fromisoformat(lot.expiry)
        yield from lot_otherwise(there, lot.number, expiry, this_year=year)


def _lot(lot: Lot) -> dict[str, Any]:
    return {
        "gtin": lot.gtin,
        "lot": lot.number,
        "expiry": lot.expiry,
        "state": lot.state,
        "labels": lot.labels,
    }


def _label(view: View, label: Label) -> tuple[dict[str, Any], list[str]]:
    """A label as the record knows it, and what is held against it."""
    lot = view.lot_of(label)
    key, state = key_of(lot), State(label.state)
    found = view.findings(key, first=label.position, last=label.position)
    reasons = [gone.reason for gone in view.departures_at(key, label.position)]
    rolls = on_rolls(view, key, label.position)
    extras = view.extra_rows(key, label.position, label.position)
    against = []
    if state is State.ALLOCATED:
        against.append("The number was never sent to the printer.")
    elif state not in (*GOOD, State.ISSUED):
        because = f" ({reasons[-1]})" if reasons else ""
        against.append(f"The label is {state.word}{because}.")
    against += [f"Open finding {row.word}: {row.detail}" for row in found if row.state == "open"]
    against += [f"It was taken off roll {one['roll']}." for one in rolls["taken_off"]]
    on_hold = holds_on_unit(view, label)
    against += [_held(one) for one in on_hold]
    return {
        "gtin": lot.gtin,
        "serial": label.serial,
        "lot": lot.number,
        "lot_state": lot.state,
        "expiry": lot.expiry,
        "extras": [pair for row in extras for pair in pairs_of(row)],
        "position": label.position,
        "state": state.word,
        "place": _place(view, lot, label.position),
        "findings": [describe(row) for row in found],
        **rolls,
        "packs": packs_around(view, lot.product_id, label.serial),
        "on_hold": [one.describe() for one in on_hold],
        "last_moves": [step for step in life_of(view, lot, label.position) if step["to"]][
            -_LAST_MOVES:
        ],
    }, against


def _place(view: View, lot: Lot, position: int) -> dict[str, Any] | None:
    """Print job, row, lane and rolls of a label that stands on the web."""
    if not view.jobs(key_of(lot)):
        return None
    places = places_of(view, lot)
    job, row, lane = places.cell(position)
    if not job:
        return None
    rolls = [roll.id for roll in view.rolls(key_of(lot)) if places.on(span_of(roll))[position]]
    return {"job": job, "row": row, "lane": lane, "rolls": rolls}
