"""Shipping: packs leave, with a business transaction and a destination."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.holds import in_order, refusal
from serialkeeper.rules.pack_entries import COMMISSIONED, SHIPPED
from serialkeeper.rules.pack_events import check_transaction
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store import packs as store
from serialkeeper.store.filling import changing
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.pack_trees import shipments_of
from serialkeeper.store.record import Record
from serialkeeper.store.view import View


def ship(record: Record, names: Sequence[str], *, to: str, transaction: str = "") -> dict[str, Any]:
    """Say that packs left for a place; nothing in them changes any more.

    Args:
        names: loose packs, by key or by a scan of the label; all of one product.
        to: a location of the record, GLN or GLN/EXTENSION.
        transaction: `TYPE:URI`, such as `desadv:urn:epcglobal:cbv:bt:9521234567899:D-1`, TYPE one
            of CBV's business transaction types; or empty.

    Refuses `pack_state` for packs in others, empty, shipped or with units that are not good;
    `held` for packs that are held, or hold something that is; `pack_unknown`,
    `location_unknown`, `bad_value`, `role_not_allowed`.
    """
    record.check_may("packs shipped")
    check_transaction(transaction)
    with record.read() as view:
        chosen = _chosen(view, names, record.now().year)
        place = view.location(to)
    with changing(record, chosen[0].product_id, chosen, ()) as (work, now, _):
        inner = store.contents_of(work, now)
        for pack in now:
            _check(work, pack, inner[pack.lot_id, pack.id])
        told = {
            "to": place.gln,
            "extension": place.extension,
            "prefix_length": place.prefix_length,
            "transaction": transaction,
        }
        for lot in sorted({pack.lot_id for pack in now}):
            mine = [pack for pack in now if pack.lot_id == lot]
            data = {"packs": [pack.id for pack in mine], **told}
            work.write(LotKey(mine[0].product_id, lot), "packs shipped", data)
        units = sum(sum(one.units.values()) for one in inner.values())
    return {
        "packs": [pack.key for pack in now],
        "units": units,
        "to": to,
        "transaction": transaction or None,
        "at": work.at,
    }


def unship(record: Record, names: Sequence[str], *, reason: str) -> dict[str, Any]:
    """Say that packs had not left, although it was said; they are here, and may change again.

    Args:
        names: packs that were shipped, by key or by a scan of the label; all of one product.
        reason: how the mistake came about, in words.

    Refuses `pack_state` for packs that were not shipped; `reason_needed`, `pack_unknown`,
    `bad_value`, `role_not_allowed`.

    Returns:
        packs, at, reason.
    """
    record.check_may("shipping voided")
    why = check_remark(reason, "--reason", needed=True)
    with record.read() as view:
        chosen = _chosen(view, names, record.now().year)
    with changing(record, chosen[0].product_id, chosen, ()) as (work, now, _):
        for pack in now:
            if pack.state != SHIPPED:
                raise Refused(
                    "pack_state",
                    "This pack did not leave.",
                    where=f"{pack.level} {pack.key}",
                    expected=SHIPPED,
                    came=pack.state,
                    remedy="Nothing was changed. Look at it: pack show.",
                )
        for lot in sorted({pack.lot_id for pack in now}):
            key = LotKey(now[0].product_id, lot)
            left = shipments_of(work, key)
            mine = [pack.id for pack in now if pack.lot_id == lot]
            for seq in sorted({left[id_].seq for id_ in mine}):
                some = [id_ for id_ in mine if left[id_].seq == seq]
                data = {**left[some[0]].data, "packs": some, "shipped": seq}
                work.write(key, "shipping voided", data, reason=why)
        return {"packs": [pack.key for pack in now], "at": work.at, "reason": why}


def _chosen(view: View, names: Sequence[str], year: int) -> list[Pack]:
    """The packs of these names. Refuses `bad_value` for those of several products, or twice."""
    chosen = [store.named_pack(view, name, year) for name in names]
    if len({pack.product_id for pack in chosen}) != 1 or len(set(chosen)) != len(chosen):
        raise Refused(
            "bad_value",
            "Packs of one product are shipped together, each once.",
            expected="packs of one product, each once",
            came=", ".join(pack.key for pack in chosen) or "none",
            remedy="Ship the others by another call.",
        )
    return chosen


def _check(view: View, pack: Pack, inner: store.Contents) -> None:
    if pack.parent:
        raise _inside(view, pack)
    if pack.state == COMMISSIONED and inner.direct and not inner.doubtful:
        if inner.holds:
            name = f"{pack.level} {pack.key}"
            raise refusal(name, in_order(inner.holds), where=f"shipping {name}")
        return
    came = pack.state
    if pack.state == COMMISSIONED:
        came = f"units in it that are not good: {inner.doubtful:,}" if inner.doubtful else "empty"
    raise Refused(
        "pack_state",
        "This pack cannot leave.",
        where=f"{pack.level} {pack.key}",
        expected="a pack with good units only, that is still here",
        came=came,
        remedy="Look at it: pack show. What is not good is taken out first: pack remove.",
    )


def _inside(view: View, pack: Pack) -> Refused:
    """The refusal of a pack that is in another one."""
    outer = store.around(view, pack)[0].key
    return Refused(
        "pack_state",
        "The pack is in another one.",
        where=f"{pack.level} {pack.key}",
        expected="a loose pack",
        came=f"in pack {outer}",
        remedy=f"Ship the pack around it, or take it out: pack remove {outer} {pack.key}",
    )
