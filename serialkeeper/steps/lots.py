"""Lots: opened by one person, approved by a second, their facts frozen from then on."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import fit, gs1, levels, readable, retention, signatures
from serialkeeper.rules.chain import HOUSE, LotKey
from serialkeeper.rules.layout import Layout, layout_of, longest_code, size_of
from serialkeeper.rules.locations import zone_of
from serialkeeper.rules.moves import OPEN_LOT, check_lot, check_second
from serialkeeper.rules.pack_events import TRANSACTIONS, is_uri
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.lots import decision_of, describe
from serialkeeper.store.record import Record, Work
from serialkeeper.store.reviews import to_review
from serialkeeper.store.tables import Lot, Product
from serialkeeper.store.view import View, key_of

LONGEST_TEXTS = 240
"""Characters of a lot's market and artwork together."""

GROUP_LIMIT = 10_000
"""Most units in one event, unless the lot says otherwise."""


def open_lot(
    record: Record,
    gtin: str,
    number: str,
    *,
    expiry: date,
    target: int,
    commission_at: str = "web",
    market: str = "",
    artwork: str = "",
    group_limit: int = GROUP_LIMIT,
    location: str = "",
    order: str = "",
) -> dict[str, Any]:
    """Open a lot as a draft.

    Args:
        gtin: the product's.
        number: the lot number as it is encoded, AI (10).
        expiry: a real day after today, AI (17).
        target: good labels wanted.
        commission_at: `web`, or `application` where labels count only once on the pack.
        market, artwork: for the lot's papers.
        group_limit: most units in one event, 1 to 10,000.
        location: GLN or GLN/EXTENSION or empty; events name it, and tell its zone's offset.
        order: URI of the production order, or empty; with one, events tell of printing.

    Refuses `product_unknown`, `bad_value`, `expiry_past`, `lot_exists` but for one that was
    discarded (its chain goes on), `symbol_too_small`, `layout_invalid`, `location_unknown`.
    """
    _check_order(order)
    gtin = gs1.parse_gtin(gtin)
    gs1.check_text("lot number", number)
    _check_expiry(expiry, record.now().date())
    _check_facts(target, commission_at, group_limit, market + artwork)
    with record.read() as view:
        before = _discarded(view, view.product(gtin), number)
    with record.work(key_of(before) if before else HOUSE) as work:
        work.lock((HOUSE,))
        product = work.product(gtin)
        again = _check_new(work, product, number, before)
        data = {
            "product_id": product.id,
            "id": again.id if again else work.last_chain() + 1,
            "number": number,
            "expiry": expiry.isoformat(),
            "target": target,
            "commission_at": commission_at,
            "market": market,
            "artwork": artwork,
            "gtin": gtin,
            "prefix_length": product.prefix_length,
            "ai_order": product.ai_order,
            "minimum_grade": product.minimum_grade,
            "group_limit": group_limit,
            "layout": frozen_layout(product, number, expiry).data(),
            "place": _place(work, location),
            "production_order": order,
        }
        _write_opened(work, data, again=again is not None)
        return describe(work, work.lot(f"{gtin}/{number}"))


def _write_opened(work: Work, data: dict[str, Any], *, again: bool) -> None:
    """A new lot is registered in the house and gets a chain; one that was discarded has both."""
    key = LotKey(data["product_id"], data["id"])
    if again:
        data = {**data, "again": True}
    else:
        told = {"lot_id": key.lot_id, "gtin": data["gtin"], "number": data["number"]}
        work.write(HOUSE, "lot registered", told)
        work.open_chain(key)
    work.write(key, "lot opened", {**data, "house_head": work.head(HOUSE)})


def _check_order(order: str) -> None:
    """Refuses `bad_value` for what is no URI, or a business transaction with its type before it."""
    word = order.partition(":")[0]
    if not order or (is_uri(order) and word not in TRANSACTIONS):
        return
    raise Refused(
        "bad_value",
        "The production order is named by a URI.",
        where="--order",
        expected="a URI alone, without a type before it",
        came=order,
        remedy="Such as urn:epcglobal:cbv:bt:9521234567899:PO-77.",
    )


def _discarded(view: View, product: Product, number: str) -> Lot | None:
    """The lot of that number, if it was discarded."""
    lot = view.find_lot(product.id, number)
    return lot if lot and lot.state == "discarded" else None


def _check_new(view: View, product: Product, number: str, before: Lot | None) -> Lot | None:
    """The discarded lot of that number whose chain goes on, None for none. Refuses `lot_exists`."""
    again = _discarded(view, product, number) if before else None
    if view.find_lot(product.id, number) and again is None:
        raise Refused(
            "lot_exists",
            "The product has a lot of that number already.",
            where=f"{product.gtin}/{number}",
            remedy="Look at it: lot show. If its facts are wrong and it has no numbers, discard it "
            "first: lot discard.",
        )
    return again


def _place(view: View, location: str) -> str:
    """A location as a lot keeps it, empty for none."""
    if not location:
        return ""
    found = view.location(location)
    return f"{found.prefix_length} {found.gln} {found.extension} {found.zone}"


def _check_expiry(expiry: date, today: date) -> None:
    if expiry <= today:
        raise Refused(
            "expiry_past",
            "The expiry date is not in the future.",
            expected=f"a day after {today.isoformat()}",
            came=expiry.isoformat(),
            remedy="Correct the expiry.",
        )
    if gs1.read_date(gs1.write_date(expiry), this_year=today.year) != expiry:
        raise Refused(
            "bad_value",
            "Two digits cannot carry that year.",
            expected=f"a year up to {today.year + 50}",
            came=expiry.isoformat(),
            remedy="Correct the expiry.",
        )


def _check_facts(target: int, commission_at: str, group_limit: int, texts: str) -> None:
    if (
        not 1 <= target <= 100_000_000
        or commission_at not in ("web", "application")
        or not 1 <= group_limit <= GROUP_LIMIT
        or not texts.isprintable()
        or len(texts) > LONGEST_TEXTS
    ):
        raise Refused(
            "bad_value",
            "A fact of the lot is out of its range.",
            expected="target 1 to 100,000,000; commission at 'web' or 'application'; "
            f"1 to {GROUP_LIMIT:,} units in an event; market and artwork printable, "
            f"{LONGEST_TEXTS} characters at most",
            came=f"target {target}, at {commission_at!r}, {group_limit} units in an event, "
            f"market and artwork {texts[:80]!a}",
            remedy="Correct it.",
        )


def frozen_layout(product: Product, number: str, expiry: date) -> Layout:
    """The product's layout as one lot has it: with the one size of all its symbols.

    Refuses `symbol_too_small`, and `layout_invalid` for a date that the lines would tell wrong.
    """
    layout = layout_of(product.layout)
    readable.check_day(layout.lines, expiry)
    size = size_of(
        layout,
        longest_code(
            layout,
            product.gtin,
            number,
            expiry,
            tuple(product.ai_order.split()),
            product.serial_length,
        ),
    )
    return replace(layout, size=size.name)


def approve(record: Record, name: str, *, second: str = "", entries: int = 0) -> dict[str, Any]:
    """Approve a draft; its facts are frozen from here on, its label layout as it is now.

    A live record needs a second person; in a practice record one person may play both
    parts. Refuses `lot_unknown`, `lot_state`, `second_person_needed`, `symbol_too_small`, and
    `symbol_too_large` where the layout gives a space that the symbol does not fit.

    Args:
        entries: how many entries the lot's chain had when its facts were shown to whoever approves
            them; 0 approves them as they are.
    """
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    record.check_may("lot approved")
    check_second(record.person, second, practice=record.practice)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        if lot.state == "discarded":
            check_lot(lot.state, "draft", where=lot.full_name)
        if lot.state != "draft":
            raise Refused(
                "lot_state",
                "The lot is approved already; its facts are frozen.",
                where=lot.full_name,
                expected="draft",
                came=lot.state,
                remedy=f"Go on with the lot: serials allocate {lot.number}",
            )
        chain = work.find_chain(key_of(lot))
        if entries and chain and chain.count != entries:
            raise Refused(
                "lot_state",
                "The lot is not as it was when it was shown.",
                where=lot.full_name,
                expected=f"entries in its chain: {entries:,}",
                came=f"{chain.count:,}",
                remedy="Look at its facts again: lot show",
            )
        product = work.product_of(lot)
        layout = frozen_layout(product, lot.number, date.fromisoformat(lot.expiry))
        _check_space(layout, product, lot)
        data = {
            "prefix_length": lot.prefix_length,
            "ai_order": lot.ai_order,
            "minimum_grade": lot.minimum_grade,
            "group_limit": lot.group_limit,
            "layout": layout.data(),
            "packs": levels.data_of(levels.levels_of(product.packs)),
        }
        work.write(key_of(lot), "lot approved", data, second=second)
        return describe(work, work.lot(lot.full_name))


def decide(
    record: Record,
    name: str,
    decision: str,
    *,
    on: date,
    by: str,
    reference: str = "",
    reason: str = "",
) -> dict[str, Any]:
    """Record what the quality unit decided about a closed lot; this program decides nothing.

    Args:
        decision: one of `rules.retention.DECISIONS`.
        on: the day of the decision.
        by: who decided, as printed on the decision.
        reference: of the paper that says so.
        reason: why another decision was recorded before; needed then.

    Refuses `lot_unknown`, `lot_state`, `bad_value`, `reason_needed`, `role_not_allowed`.

    Returns:
        The lot as `show` tells it in short, and unreviewed: how many groups of its review list
        nobody has signed, such as a hold that was lifted after the closing.
    """
    record.check_may("lot decided")
    made = retention.check_decision(decision, on, by, reference, today=record.now().date())
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        check_lot(lot.state, "closed", where=lot.full_name)
        _check_day(work, lot, on)
        earlier = decision_of(work, lot)
        if earlier and not reason.strip():
            raise Refused(
                "reason_needed",
                "Another decision was recorded before.",
                where=lot.full_name,
                expected="why there is a new one",
                came=f"{earlier['decision']} on {earlier['on']} by {earlier['by']}",
                remedy="Give --reason; the earlier decision stays in the journal.",
            )
        work.write(key_of(lot), "lot decided", made, reason=reason.strip())
        return {**describe(work, lot), "unreviewed": len(to_review(work, lot))}


def _check_day(view: View, lot: Lot, on: date) -> None:
    """Refuses `bad_value` for a day before the lot was closed; one is granted to zones."""
    closed = [entry.at for entry in view.entries(key_of(lot), verbs=("lot closed",))]
    day = date.fromisoformat(closed[-1][:10])
    if on < day - timedelta(days=1):
        raise Refused(
            "bad_value",
            "Nobody decided about a lot that was not closed.",
            where=lot.full_name,
            expected=f"a day from the closing on, {day}",
            came=str(on),
            remedy="Correct --on.",
        )


def decisions(record: Record, name: str) -> dict[str, Any]:
    """Where a lot stands between closing, decision and reopening. Refuses `lot_unknown`.

    Returns:
        lot, gtin, state; decision, as `show` tells it; told: of every closing, decision and
        reopening, the newest first: entry, verb, at, person, second, reason, the investigation of
        a closing, and decision, on, by and reference of a decision; unreviewed: groups of the
        review list that nobody signed.
    """
    with record.read() as view:
        lot = view.lot(name)
        names = ("decision", "on", "by", "reference", "investigation")
        told = [
            {
                **{"entry": entry.seq, "verb": entry.verb, "at": entry.at},
                **{"person": entry.person, "second": entry.second or None},
                "reason": entry.reason or None,
                **{name: entry.data.get(name) or None for name in names},
            }
            for entry in view.entries(
                key_of(lot), verbs=("lot closed", "lot decided", "lot reopened")
            )
        ]
        return {
            **{"lot": lot.number, "gtin": lot.gtin, "state": lot.state},
            "decision": decision_of(view, lot),
            "told": told[::-1],
            "unreviewed": len(to_review(view, lot)),
        }


def reopen(record: Record, name: str, *, reason: str, second: str = "") -> dict[str, Any]:
    """Open a closed lot again; it is reconciled, reviewed and closed anew.

    Args:
        reason: why, in words.
        second: who confirms it; needed in a live record.

    Refuses `lot_state` for one that is not closed, or whose release is recorded; `reason_needed`,
    `second_person_needed`, `lot_unknown`, `role_not_allowed`.

    Returns:
        lot, gtin, state, reason.
    """
    record.check_may("lot reopened")
    why = check_remark(reason, "--reason", needed=True)
    check_second(record.person, second, practice=record.practice)
    with record.read() as view:
        lot = view.lot(name)
        if second:
            view.person(second)
    with record.work(key_of(lot)) as work:
        lot, key = work.lot(lot.full_name), key_of(lot)
        check_lot(lot.state, "closed", where=lot.full_name)
        decided = decision_of(work, lot)
        if decided and decided["decision"] == "released":
            raise Refused(
                "lot_state",
                "The quality unit's release of this lot is recorded.",
                where=lot.full_name,
                expected="no release",
                came=f"released on {decided['on']} by {decided['by']}",
                remedy="If the quality unit takes it back, record that first: lot decide "
                f"{lot.number} refused --on DAY --by NAME --reason TEXT",
            )
        work.lock((HOUSE,))
        data = {"house_head": work.head(HOUSE)}
        work.write(key, "lot reopened", data, reason=why, second=second)
    return {"lot": lot.number, "gtin": lot.gtin, "state": "running", "reason": why}


def _check_space(layout: Layout, product: Product, lot: Lot) -> None:
    codewords = longest_code(
        layout,
        lot.gtin,
        lot.number,
        date.fromisoformat(lot.expiry),
        tuple(lot.ai_order.split()),
        product.serial_length,
    )
    found = fit.check_fit(size_of(layout, codewords), layout.module, layout.space, codewords)
    fit.refuse_if_too_large(found, lot.full_name)


def all_lots(record: Record) -> list[dict[str, Any]]:
    """Every lot as plain data.

    The labels of a closed lot are not counted, so that the list stays quick over the years: its
    `states` are None (`show` counts them).
    """
    with record.read() as view:
        return [describe(view, lot, count=lot.state != "closed") for lot in view.lots()]


def standing(record: Record, name: str) -> dict[str, Any]:
    """Of a lot: whether work still comes into it, and its place's time zone, empty for none.

    Refuses `lot_unknown`, `lot_ambiguous`.
    """
    with record.read() as view:
        lot = view.lot(name)
        return {"open": lot.state in OPEN_LOT, "zone": zone_of(lot.place)}


def show(record: Record, name: str) -> dict[str, Any]:
    """One lot as plain data, with everything that was signed of it, in order: who, in which role,
    with which meaning, and when; how much is still to be reviewed; and when, by whom and why it was
    discarded, if it was.

    Refuses `lot_unknown`, `lot_ambiguous`.
    """
    with record.read() as view:
        lot = view.lot(name)
        signed: list[dict[str, Any]] = []
        last = None
        for entry in view.entries(key_of(lot), verbs=signatures.NEEDED):
            told = {"entry": entry.seq, "verb": entry.verb, "at": entry.at}
            signed += [{**told, **one} for one in signatures.shown(entry)]
            last = entry if entry.verb == "lot discarded" else last
        gone = last if lot.state == "discarded" else None  # a number may have been opened again
        left = to_review(view, lot)
        return {
            **describe(view, lot),
            "discarded": gone and {"at": gone.at, "by": gone.person, "reason": gone.reason},
            "signatures": signed,
            "to_review": {"groups": len(left), "critical": sum(one.critical for one in left)},
        }
