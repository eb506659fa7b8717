"""The review list of a lot: what is on it, its groups label by label, and signing them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

import numpy as np

from serialkeeper.rules import review
from serialkeeper.rules.holds import stretches
from serialkeeper.rules.moves import COMPLIANCE
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.review import Group
from serialkeeper.store.lives import describe, life_of
from serialkeeper.store.plans import places_of
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import reviews_of, to_review
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def list_groups(
    record: Record,
    name: str,
    *,
    kind: str = "",
    reason: str = "",
    person: str = "",
    day: date | None = None,
    lane: int | None = None,
) -> dict[str, Any]:
    """What of a lot is still to be reviewed, critical things first, and what was.

    Args:
        kind: only groups of this kind.
        reason: only those whose reason has this text in it.
        person: only what this person did or confirmed.
        day: only groups with something of this day (UTC).
        lane: only groups with a label of this lane.

    Refuses `lot_unknown`, `nothing_printed` for a lane of a lot without a web.

    Returns:
        lot, gtin, groups: group (its reference), digest, kind, reason, critical, person, second,
        count, positions (stretches), first and last (when), open (labels to be opened); labels and
        count over them; open_groups: how many there are without any filter; reviewed: entry, at,
        reviewer, kind, reason, count, opened, note of each signed review.
    """
    with record.read() as view:
        lot = view.lot(name)
        there = to_review(view, lot)
        shown = [
            one
            for one in there
            if kind in ("", one.kind)
            and reason.casefold() in one.reason.casefold()
            and person in ("", one.person, one.second)
            and (day is None or any(item.at.startswith(str(day)) for item in one.items))
        ]
        if lane is not None:
            shown = _in_lane(view, lot, shown, lane)
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            "groups": [one.describe() for one in shown],
            "open_groups": len(there),
            "reviewed": [one.describe() for one in reviews_of(view, key_of(lot))],
        }


def _in_lane(view: View, lot: Lot, groups: Iterable[Group], lane: int) -> list[Group]:
    places = places_of(view, lot)
    return [
        one for one in groups if any(places.cell(int(place))[2] == lane for place in one.positions)
    ]


def show(record: Record, name: str, group: str) -> dict[str, Any]:
    """One group, with every item of it and the whole life of the labels to be opened.

    Args:
        group: its reference in the list.

    Refuses `review_unknown`, `lot_unknown`.

    Returns:
        What `list_groups` gives of it; lot, gtin; items: entry, at, told, positions; labels:
        position, serial, findings and life of each label to be opened.
    """
    with record.read() as view:
        lot = view.lot(name)
        [one] = review.chosen(to_review(view, lot), [group], lot.full_name)
        told = one.describe()
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            **told,
            "items": [
                {
                    "entry": item.seq,
                    "at": item.at,
                    "told": item.told or None,
                    "positions": stretches(np.sort(item.positions)),
                }
                for item in one.items
            ],
            "labels": [_opened(view, lot, position) for position in told["open"]],
        }


def _opened(view: View, lot: Lot, position: int) -> dict[str, Any]:
    key = key_of(lot)
    label = view.label_at(key, position)
    found = view.findings(key, first=position, last=position)
    return {
        "position": position,
        "serial": label.serial if label else None,
        "findings": [describe(row) for row in found],
        "life": list(life_of(view, lot, position)),
    }


def sign(
    record: Record, name: str, groups: Sequence[str], *, opened: Sequence[int] = (), note: str = ""
) -> dict[str, Any]:
    """Sign groups as reviewed, each with a signature of its own.

    Args:
        groups: their references in the list, as it was shown.
        opened: the labels that were opened; those that every group asks for have to be among them.
        note: what the reviewer has to say.

    Refuses `review_unknown` where a group is not what it was any more; `examples_needed`,
    `own_work`, `lot_unknown`, `role_not_allowed`. Nothing is signed unless all can be.

    Returns:
        lot, gtin, signed: group, kind, reason, count and entry of each; left: how many groups
        are still to be reviewed.
    """
    record.check_may("reviewed")
    said = check_remark(note, "--note", needed=False)
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        lot = work.lot(lot.full_name)
        there = to_review(work, lot)
        wanted = review.chosen(there, groups, lot.full_name)
        reviewers = [
            one.name for one in work.people() if one.role == COMPLIANCE and not one.retired
        ]
        bound = [(one, _checked(record, one, opened, lot, reviewers)) for one in wanted]
        signed = []
        for one, examples in bound:
            data = review.as_data(one, examples)
            entry = work.write(key_of(lot), "reviewed", data, reason=said)
            told = {"group": one.digest[: review.REFERENCE], "kind": one.kind}
            signed.append(told | {"reason": one.reason, "count": one.count, "entry": entry.seq})
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "signed": signed,
        "left": len(there) - len(wanted),
    }


def _checked(
    record: Record, group: Group, opened: Sequence[int], lot: Lot, reviewers: Sequence[str]
) -> list[int]:
    """The labels that had to be opened. Refuses `own_work`, `examples_needed`."""
    where = f"lot {lot.full_name}, group {group.digest[: review.REFERENCE]}"
    review.check_reviewer(group, record.person, reviewers, practice=record.practice, where=where)
    return review.check_opened(group, opened, lot.full_name)
