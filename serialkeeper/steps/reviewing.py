"""The review list of a lot: what is on it, its groups label by label, and signing them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import islice
from typing import Any

import numpy as np

from serialkeeper.rules import review, surroundings
from serialkeeper.rules.figures import svg
from serialkeeper.rules.file_lines import TIME, find_lines, needles
from serialkeeper.rules.holds import stretches
from serialkeeper.rules.moves import COMPLIANCE
from serialkeeper.rules.remarks import check_remark
from serialkeeper.rules.review import Group
from serialkeeper.store.lives import describe, lives_of
from serialkeeper.store.plans import places_of
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import reviews_of, to_review
from serialkeeper.store.surroundings import Neighbours, label_unknown
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of

LINES = 50
"""Lines of a file that are shown of one label."""


def list_groups(
    record: Record,
    name: str,
    *,
    kind: str = "",
    reason: str = "",
    person: str = "",
    day: date | None = None,
    lane: int | None = None,
    after: int = 0,
    most: int | None = None,
) -> dict[str, Any]:
    """What of a lot is still to be reviewed, critical things first, and what was.

    Args:
        kind: only groups of this kind.
        reason: only those whose reason has this text in it.
        person: only what this person did or confirmed.
        day: only groups with something of this day (UTC).
        lane: only groups with a label of this lane.
        after, most: not the first so many, and no more than so many; all of them without.

    Refuses `lot_unknown`, `nothing_printed` for a lane of a lot without a web.

    Returns:
        lot, gtin, groups: group (its reference), digest, kind, reason, critical, person, second,
        count, positions (stretches), first and last (when), open (labels to be opened); labels and
        count over them; matching: how many there are, `after` and `most` aside; open_groups: how
        many without any filter, and of which kinds and people; reviewed: entry, at, reviewer,
        kind, reason, count, opened, note of each signed review.
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
            "groups": [one.describe() for one in shown[after:][:most]],
            "matching": len(shown),
            "open_groups": len(there),
            "kinds": sorted({one.kind for one in there}),
            "people": sorted({who for one in there for who in (one.person, one.second) if who}),
            "reviewed": [one.describe() for one in reviews_of(view, key_of(lot))],
        }


def due(record: Record, *, after: int = 0, most: int | None = None) -> dict[str, Any]:
    """Where something is to be reviewed: lots that are not closed first, the newest first.

    Args:
        after, most: not the first so many, and no more than so many; all of them without.

    Returns:
        count of all lots, and lots: lot, gtin, state, expiry, groups and critical ones to be
        reviewed.
    """
    with record.read() as view:
        there = [lot for lot in view.lots() if lot.state != "discarded"]
        lots = sorted(there, key=lambda lot: (lot.state == "closed", -lot.id))
        listed = []
        for lot in lots[after:][:most]:
            left = to_review(view, lot) if lot.labels else []
            critical = sum(one.critical for one in left)
            told = {"lot": lot.number, "gtin": lot.gtin, "state": lot.state, "expiry": lot.expiry}
            listed.append({**told, "groups": len(left), "critical": critical})
        return {"count": len(lots), "lots": listed}


def _in_lane(view: View, lot: Lot, groups: Iterable[Group], lane: int) -> list[Group]:
    lanes = places_of(view, lot).lane
    return [one for one in groups if (lanes[one.positions] == lane).any()]


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
        [told] = _opened(view, lot, [one])
        return {"lot": lot.number, "gtin": lot.gtin, **told}


def look(record: Record, name: str, groups: Sequence[str]) -> dict[str, Any]:
    """Some groups at once, for somebody who is to sign them.

    Args:
        groups: their references in the list.

    Refuses `lot_unknown`.

    Returns:
        lot, gtin, groups; labels: those to be opened, each once, as `show` gives them, with the
        references of the groups that ask for it; concerned: how many labels the groups are about;
        gone: the references of those that are not what they were any more; open_groups: how many
        there are in all; around: by position, what stands around each of the labels to be opened
        (`rules.surroundings.Surroundings.describe`); takes: by number, file, sha256, at and station
        of the results files that findings are from.
    """
    with record.read() as view:
        lot = view.lot(name)
        there = {one.digest[: review.REFERENCE]: one for one in to_review(view, lot)}
        wanted = list(dict.fromkeys(groups))
        found = [there[one] for one in wanted if one in there]
        told = _opened(view, lot, found)
        labels: dict[int, dict[str, Any]] = {}
        for one in told:
            for label in one.pop("labels"):
                here = labels.setdefault(label["position"], {**label, "groups": []})
                here["groups"].append(one["group"])
        takes = {row.id: row for row in view.takes(key_of(lot))}
        named = {f["take"] for label in labels.values() for f in label["findings"]}
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            "groups": told,
            "labels": list(labels.values()),
            "concerned": _concerned(found),
            "gone": [one for one in wanted if one not in there],
            "open_groups": len(there),
            "around": _around(record, view, lot, labels),
            "takes": {
                str(number): {"file": row.name, "sha256": row.sha256, "at": row.at}
                | {"station": row.station}
                for number, row in takes.items()
                if number in named
            },
        }


def readings(record: Record, name: str, position: int) -> dict[str, Any]:
    """What came of one label in the results files, line by line, as it came.

    Refuses `lot_unknown`, `label_unknown`.

    Returns:
        lot, gtin, position, serial; files: of each results file take, file, sha256, at, whether it
        is of our own `form`, and lines: line, text, and by what each is known
        (`rules.file_lines`), no more than `LINES`.
    """
    with record.read() as view:
        lot, key = view.lot(name), key_of(view.lot(name))
        label = view.label_at(key, position)
        if label is None:
            raise label_unknown(lot, position)
        seen = [row.seen for row in view.findings(key, first=position, last=position)]
        life = lives_of(view, lot, [position])[position]
        times = [step["read_at"] for step in life if step.get("read_at")]
        files = []
        for take in view.takes(key):
            own = not take.profile
            wanted = needles(label.serial, seen, position if own else 0, times)
            there = list(islice(find_lines(view.original(key, take.sha256), wanted), LINES))
            lines = [one for one in there if one.by != (TIME,)] or there
            told = {"take": take.id, "file": take.name, "sha256": take.sha256, "at": take.at}
            files.append(
                {
                    **told,
                    "form": own,
                    "lines": [
                        {"line": one.line, "text": one.text, "by": list(one.by)} for one in lines
                    ],
                }
            )
        told = {"lot": lot.number, "gtin": lot.gtin, "position": position}
        return {**told, "serial": label.serial, "files": files}


def _around(
    record: Record, view: View, lot: Lot, positions: Iterable[int]
) -> dict[str, dict[str, Any]]:
    if not view.jobs(key_of(lot)):
        return {}
    places = places_of(view, lot)
    near = Neighbours(view, lot, places, practice=record.practice)
    there = (one for one in positions if places.cell(one)[0])
    return {str(one): near.of(one, rows=1, lanes=1).describe() for one in there}


def picture(
    record: Record, name: str, position: int, words: Mapping[str, str] = surroundings.WORDS
) -> str:
    """The picture of a label among its neighbours on the web, as SVG; changes nothing.

    Args:
        words: what stands in it beside numbers.

    Refuses `lot_unknown`, `nothing_printed`, `label_unknown`.
    """
    with record.read() as view:
        lot = view.lot(name)
        near = Neighbours(view, lot, places_of(view, lot), practice=record.practice)
        return svg(surroundings.draw(near.of(position), words))


def _opened(view: View, lot: Lot, groups: Sequence[Group]) -> list[dict[str, Any]]:
    """Groups with their items, and with the labels of each that have to be opened."""
    key, told = key_of(lot), [one.describe() for one in groups]
    lives = lives_of(view, lot, {place for one in told for place in one["open"]})

    def opened(position: int) -> dict[str, Any]:
        label = view.label_at(key, position)
        found = view.findings(key, first=position, last=position)
        return {
            "position": position,
            "serial": label.serial if label else None,
            "findings": [describe(row) for row in found],
            "life": lives[position],
        }

    return [
        {
            **one,
            "items": [
                {
                    "entry": item.seq,
                    "at": item.at,
                    "told": item.told or None,
                    "positions": stretches(np.sort(item.positions)),
                }
                for item in group.items
            ],
            "labels": [opened(position) for position in one["open"]],
        }
        for one, group in zip(told, groups, strict=True)
    ]


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


def _concerned(groups: Sequence[Group]) -> int:
    """How many labels some groups are about, each once."""
    return len(np.unique(np.concatenate([one.positions for one in groups]))) if groups else 0
