"""What is in a pack, and what is around it: the tree from any node, up and down."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import Delivery
from serialkeeper.rules.figures import svg
from serialkeeper.rules.levels import SSCC, Level, level_named, levels_of
from serialkeeper.rules.pack_entries import STATES, capacity
from serialkeeper.rules.pack_tree import picture
from serialkeeper.store import packs as store
from serialkeeper.store.listings import pack_rows
from serialkeeper.store.pack_trees import describe_pack
from serialkeeper.store.packing import company_of, used_ssccs
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def show(record: Record, name: str, *, out: Path | None = None) -> dict[str, Any]:
    """A pack with everything in it and around it.

    Args:
        name: its SSCC, GTIN/NUMBER or a scan of its label.
        out: draw the tree there, too: `FILE.svg`.

    Refuses `pack_unknown`, and a malformed text by what is wrong with it; with `out` `bad_value`,
    `file_exists`.

    Returns:
        key, level, state, lot, gtin, holds, held, full; `around`: the packs around it, from the
        inside out; `children`: units (serial, lot, position, state) and packs of the same form;
        `units` and `contents`: all units in it, by lot and expiry; `doubtful`: units in it that
        are not good any more; `on_hold`: the open holds on it, on anything in it, and on the packs
        around it; `held_by` of a pack or unit: names of those on itself, for a unit also by its
        lot; `file`: the picture, or None.
    """
    if out and out.suffix.lower() != ".svg":
        raise Refused(
            "bad_value",
            "The picture of a pack is an SVG file.",
            expected=".svg",
            came=out.name,
            remedy="Give --out FILE.svg.",
        )
    with record.read() as view:
        pack = store.named_pack(view, name, record.now().year)
        told = describe_pack(view, pack)
    if out:
        with Delivery(out) as file:
            file.write(svg(picture(told)).encode())
            file.sync()
            file.deliver()
    return {**told, "file": str(out) if out else None}


def all_packs(record: Record, name: str, *, level: str = "", state: str = "") -> dict[str, Any]:
    """The packs that were made in a lot, and what its levels have left.

    Args:
        level: only packs of this level.
        state: only those in this state, `part` for packs that hold fewer than they can, `empty`,
            or `held` for those that are held, hold something that is, or stand in a held pack.

    Refuses `level_unknown`, `bad_value`, `lot_unknown`.
    """
    if state not in ("", "part", "empty", "held", *STATES):
        raise Refused(
            "bad_value",
            "There is no such state of a pack.",
            expected=f"part, empty, held, {', '.join(STATES)}",
            came=state,
            remedy="Give one of these.",
        )
    with record.read() as view:
        lot = view.lot(name)
        levels = levels_of(lot.packs)
        if level:
            level_named(levels, level, lot.full_name)
        there = [pack for pack in store.packs_of(view, key_of(lot)) if level in ("", pack.level)]
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            "levels": [_level(view, lot, one) for one in levels],
            "packs": [row for row in pack_rows(view, lot, there) if _is_in(row, state)],
        }


def _is_in(row: dict[str, Any], state: str) -> bool:
    if state == "part":
        return bool(0 < row["held"] < row["holds"])
    if state == "held":
        return bool(row["held_by"])
    return not row["held"] if state == "empty" else state in ("", row["state"])


def _level(view: View, lot: Lot, level: Level) -> dict[str, Any]:
    """A level, and how many SSCCs its company prefix and extension digit have left."""
    told: dict[str, Any] = {"level": level.name, "holds": level.holds, "key": level.key}
    if level.key != SSCC:
        return {**told, "gtin": level.gtin, "ssccs_left": None}
    company = company_of(lot)
    left = capacity(company) - used_ssccs(view, company, level.extension)
    return {**told, "extension": level.extension, "ssccs_left": left}
