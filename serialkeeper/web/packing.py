"""Packs in the browser: packing by scans, and what is done with one pack."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.errors import Refused, SerialKeeperError
from serialkeeper.rules.logistic import BARS
from serialkeeper.steps import pack_checks
from serialkeeper.store.record import Record
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Form, Sent, act
from serialkeeper.web.answers import file_answer, private_folder, shows
from serialkeeper.web.asking import InHand, Lot, Name, Opened, Short
from serialkeeper.web.gate import MOST_AT_ONCE
from serialkeeper.web.pages import lot_path

router = APIRouter(include_in_schema=False)

PACKS, PACK = looking.PACK_PAGES
BENCH = "packing.html"

MOST_SCANS = 400
"""Scans of one pack that the page keeps; they stand in its address."""

Held = Annotated[str, Query(max_length=MOST_SCANS * 40)]
Scan = Annotated[str, Query(max_length=400)]

BESIDE = {
    **{"level_unknown": "level", "ssccs_exhausted": "level", "pack_part": "reason"},
    **{"label_unknown": "children", "packed_already": "children", "not_packable": "children"},
    **{"pack_full": "children", "location_unknown": "to", "not_in_pack": "children"},
    "given_twice": "children",
}


# -- packing by scans ----------------------------------------------------------------------------


@shows(router, "/lots/{gtin}/{lot}/packing", BENCH, takes=("level", "held", "scan"))
def bench(
    record: Opened, name: Lot, level: Short = "", held: Held = "", scan: Scan = ""
) -> dict[str, Any]:
    """What was scanned into the pack so far, and whether the last scan was right. Nothing is
    written."""
    levels = nouns.pack.list(record, name, state="empty")["levels"]
    gtin, _, lot = name.partition("/")
    chosen = next((one for one in levels if one["level"] == level), None)
    told = {"gtin": gtin, "lot": lot, "levels": levels, "level": chosen, "held": held.split()}
    last = _judged(record, name, level, held.split(), scan.strip()) if chosen and scan else None
    if last and last["key"]:
        told["held"] = [*held.split(), last["key"]]
    return {**told, "last": last}


def _judged(record: Record, name: str, level: str, held: list[str], scan: str) -> dict[str, Any]:
    """Whether a scan goes into the pack: its key, or the refusal."""
    try:
        if len(held) >= MOST_SCANS:
            raise Refused(
                "pack_full",
                "The page takes no more scans for one pack.",
                expected=f"{MOST_SCANS} at most",
                came="one more",
                remedy="A longer list is packed on the command line.",
            )
        told = pack_checks.look(record, name, level, [*held, scan])
        return {"scan": scan, "key": told["key"], "refusal": None}
    except SerialKeeperError as error:
        return {"scan": scan, "key": None, "refusal": error.as_dict()}


@act(router, "/lots/{gtin}/{lot}/packing", "pack build", of=BENCH, beside=BESIDE)
def build_pack(record: InHand, form: Sent, name: Lot, level: Short = "", held: Held = "") -> Done:
    """Fill one pack with what was scanned."""
    made = nouns.pack.build(
        record,
        name,
        level,
        held.split(),
        into=form.text("into"),
        reason=form.text("reason"),
    )
    one = made["packs"][0]
    told = {"pack": one["key"], "held": one["held"], "level": one["level"]}
    return Done("told.packed", told, f"{lot_path(name)}/packing?{urlencode({'level': level})}")


# -- the packs of a lot --------------------------------------------------------------------------


@act(router, "/lots/{gtin}/{lot}/packs/order", "pack build", of=PACKS, beside=BESIDE)
def build_in_order(record: InHand, form: Sent, name: Lot) -> Done:
    """Fill packs in the order of the plan."""
    count = form.whole("count", 0, most=MOST_AT_ONCE) or None
    level, reason = form.text("level"), form.text("reason")
    made = nouns.pack.build(record, name, level, in_order=True, count=count, reason=reason)
    told = {"count": made["count"], "loose": made["units_loose"]}
    return Done("told.packed_in_order", told)


@act(router, "/lots/{gtin}/{lot}/packs/number", "pack number", of=PACKS, beside=BESIDE)
def number_packs(record: InHand, form: Sent, name: Lot) -> Done:
    """Give keys to packs that are still empty."""
    made = nouns.pack.number(
        record, name, form.text("level"), form.whole("count", most=MOST_AT_ONCE)
    )
    return Done("told.numbered", {"count": len(made["keys"])})


# -- one pack ------------------------------------------------------------------------------------


def _scanned(form: Form, name: str = "children") -> list[str]:
    """What was scanned into a field, one a line."""
    return [line.strip() for line in form.needed(name).splitlines() if line.strip()]


@act(router, "/packs/{key}/add", "pack add", of=PACK, beside=BESIDE)
def add_to(record: InHand, form: Sent, key: Name) -> Done:
    """Put more into a pack."""
    made = nouns.pack.add(record, key, _scanned(form), reason=form.text("reason"))
    return Done("told.pack_changed", {"held": made["held"]})


@act(router, "/packs/{key}/remove", "pack remove", of=PACK, beside=BESIDE)
def remove_from(record: InHand, form: Sent, key: Name) -> Done:
    """Take units or packs out."""
    made = nouns.pack.remove(record, key, _scanned(form), reason=form.text("reason"))
    return Done("told.pack_changed", {"held": made["held"]})


@act(router, "/packs/{key}/replace", "pack replace", of=PACK, beside={"not_in_pack": "bad"})
def replace_in(record: InHand, form: Sent, key: Name) -> Done:
    """Take one out and put another in, at once."""
    bad, good = form.needed("bad"), form.needed("good")
    made = nouns.pack.replace(record, key, bad, good, reason=form.text("reason"))
    return Done("told.pack_changed", {"held": made["held"]})


@act(router, "/packs/{key}/empty", "pack empty", of=PACK)
def empty(record: InHand, form: Sent, key: Name) -> Done:
    """Take everything out."""
    nouns.pack.empty(record, key, reason=form.text("reason"))
    return Done("told.pack_emptied")


@act(router, "/packs/{key}/check", "pack check", of=PACK)
def check_pack(record: InHand, form: Sent, key: Name) -> Done:
    """Compare what was scanned in a pack with the record."""
    made = nouns.pack.check(record, key, _scanned(form), units=form.ticked("units"))
    if made["complete"]:
        return Done("told.pack_complete", {"count": made["expected"]})
    told = {
        "missing": _some(made["missing"]),
        "extra": _some([one["scan"] for one in made["extra"]]),
    }
    return Done("told.pack_differs", told, kind="danger")


def _some(names: list[str]) -> str:
    return (
        f"{len(names)} ({', '.join(names[:5])}{', …' if len(names) > 5 else ''})" if names else "0"
    )


@act(router, "/packs/{key}/decommission", "pack decommission", of=PACK)
def end_pack(record: InHand, form: Sent, key: Name) -> Done:
    """End an empty pack; its key is never used again."""
    return _end(record, form, key, whole=False)


@act(router, "/packs/{key}/end", "pack decommission", of=PACK)
def end_whole(record: InHand, form: Sent, key: Name) -> Done:
    """End a pack with everything in it."""
    return _end(record, form, key, whole=True)


def _end(record: Record, form: Form, key: str, *, whole: bool) -> Done:
    reason, note = form.needed("reason"), form.text("note")
    made = nouns.pack.decommission(record, key, reason=reason, note=note, whole=whole)
    return Done("told.pack_ended", {"pack": made["key"]})


@act(router, "/packs/{key}/ship", "pack ship", of=PACK, beside=BESIDE)
def ship_pack(record: InHand, form: Sent, key: Name) -> Done:
    """Say that the pack left for a place."""
    to, transaction = form.needed("to"), form.text("transaction")
    made = nouns.pack.ship(record, [key], to=to, transaction=transaction)
    return Done("told.shipped", {"units": made["units"], "to": made["to"]})


@act(router, "/packs/{key}/unship", "pack unship", of=PACK)
def unship_pack(record: InHand, form: Sent, key: Name) -> Done:
    """Take back what was said of a pack that never left."""
    nouns.pack.unship(record, [key], reason=form.text("reason"))
    return Done("told.unshipped")


@act(router, "/packs/{key}/label", "pack label", of=PACK)
def make_label(record: InHand, form: Sent, key: Name) -> Response:
    """Make the pack's label, and count it."""
    with private_folder() as folder:
        out = folder / f"{quote(key, safe='')}.pdf"
        carrier = form.text("carrier") or BARS
        nouns.pack.label(record, key, out=out, carrier=carrier, reason=form.text("reason"))
        return file_answer(out, "application/pdf")


@act(router, "/packs/{key}/scan", "pack label", of=PACK, beside={"not_in_pack": "scan"})
def check_label(record: InHand, form: Sent, key: Name) -> Done:
    """Check the label on the pack by a scan."""
    nouns.pack.label(record, key, scan=form.needed("scan"))
    return Done("told.label_right")
