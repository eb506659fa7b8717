"""The review list: what of a lot a second pair of eyes has to see before the lot closes.

Every finding, every decision on a label or a pack, every acknowledged alarm, every lifted hold and
whatever went wrong in a run is an *item*. Items of the same kind, with the same reason, by the same
people are one *group*, and are signed together; what may mean a wrong medicine (`CRITICAL`) is a
group of its own, signed singly. A group's reference is the beginning of the SHA-256 of all that is
in it, so a signature is for what was shown and nothing else.

Of a group some labels have to be opened. Which ones, the digest says, not the reviewer. How many,
and what is critical, is common practice, no source. Whoever did or seconded a thing cannot review
it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import recovery, runs
from serialkeeper.rules.chain import Entry, canonical
from serialkeeper.rules.changes import Change, Insert, Row
from serialkeeper.rules.counts import many
from serialkeeper.rules.holds import Stretches, count, stretches
from serialkeeper.rules.jobs import read_runs, short_runs, spread
from serialkeeper.rules.moves import COMPLIANCE, RESTORED

FOUND, ALARM, LIFTED, COUNTED = "found", "alarm", "hold lifted", "count corrected"
CHALLENGE, CLOCK, GRADE = "challenge", "clock", "grade"
"""Kinds of items that are no decision on labels; those are called by their verb."""

DECISIONS = ("accepted", "voided", "decommissioned", "numbers returned", "settled", "corrected")
"""Verbs that decide on labels."""

CRITICAL: Mapping[str, tuple[str, ...]] = {
    FOUND: (
        *("wrong_product", "wrong_lot", "wrong_expiry", "foreign", "not_issued"),
        *("voided_number", "used_number", "repeated", "other_number", "missed_plant"),
    ),
    ALARM: ("missed_plant", "still_there", "released_roll", "unchallenged"),
    CHALLENGE: (runs.FAILED,),
}
"""By kind, the reasons that are signed singly."""

MOST_TOLD = 5
"""Items of a group whose words are told with it."""

REFERENCE = 10
"""Hex digits of a digest by which a group is named."""


@dataclass(frozen=True, slots=True)
class Item:
    """Something to be reviewed.

    Attributes:
        kind: FOUND and so on, or a verb of the journal.
        reason: the finding, the alarm's kind, or why somebody did it.
        person, second: who did it, or took the file; who confirmed it.
        seq: the entry that tells it.
        at: when.
        positions: ascending, of the labels concerned; none where it is not about labels.
        told: more of it, in words.
        alarm: the alarm's number, 0 for what is none.
        things: how many packs and the like it is about, where it is about no labels.
    """

    kind: str
    reason: str
    person: str
    second: str
    seq: int
    at: str
    positions: NDArray[np.int64]
    told: str = ""
    alarm: int = 0
    things: int = 1

    @property
    def critical(self) -> bool:
        """Whether it is signed singly."""
        return self.reason in CRITICAL.get(self.kind, ())


@dataclass(frozen=True)
class Group:
    """Items that are signed together.

    Attributes:
        kind, reason, person, second: of every item.
        critical: whether it is a single critical one.
        items: in order.
    """

    kind: str
    reason: str
    person: str
    second: str
    critical: bool
    items: tuple[Item, ...]

    @property
    def positions(self) -> NDArray[np.int64]:
        """The labels concerned, ascending, each once."""
        return np.unique(np.concatenate([one.positions for one in self.items]))

    @property
    def through(self) -> int:
        """The last entry that tells of it."""
        return max(one.seq for one in self.items)

    @property
    def count(self) -> int:
        """How many labels it is about; how many packs or other things, where it is about none."""
        return len(self.positions) or sum(one.things for one in self.items)

    @property
    def _told(self) -> str:
        words = list(dict.fromkeys(one.told for one in self.items if one.told))
        more = f" and {len(words) - MOST_TOLD:,} more" if len(words) > MOST_TOLD else ""
        return "; ".join(words[:MOST_TOLD]) + more

    @cached_property
    def digest(self) -> str:
        """SHA-256, in hex, of the canonical form of all that is in it."""
        told: list[Any] = [self.kind, self.reason, self.person, self.second]
        told += [[one.seq, one.told, stretches(one.positions)] for one in self.items]
        return hashlib.sha256(canonical(told)).hexdigest()

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        positions, digest = self.positions, self.digest
        return {
            "group": digest[:REFERENCE],
            "digest": digest,
            "kind": self.kind,
            "reason": self.reason,
            "critical": self.critical,
            "person": self.person,
            "second": self.second or None,
            "count": self.count,
            "positions": stretches(positions),
            "told": self._told or None,
            "first": self.items[0].at,
            "last": self.items[-1].at,
            "open": examples(digest, positions),
        }


def how_many(labels: int) -> int:
    """How many labels of a group have to be opened: all up to 5; 5 up to 1,000, 10 up to 10,000,
    then 20 (common practice, no source)."""
    return min(labels, 5 if labels <= 1_000 else 10 if labels <= 10_000 else 20)


def examples(digest: str, positions: NDArray[np.int64]) -> list[int]:
    """Which labels of a group have to be opened: chosen by its digest, so by nobody.

    >>> examples("00", np.array([3, 9]))
    [3, 9]
    """
    wanted, chosen, turn = how_many(len(positions)), set[int](), 0
    while len(chosen) < wanted:
        said = hashlib.sha256(f"{digest} {turn}".encode()).digest()
        chosen.add(int(positions[int.from_bytes(said[:8], "big") % len(positions)]))
        turn += 1
    return sorted(chosen)


@dataclass(frozen=True, slots=True)
class Review:
    """A review that was signed.

    Attributes:
        seq, person, at: of its entry; `note` is its reason.
        kind, reason, by, second: what was reviewed.
        position: of the label of a critical item; 0 for none.
        through: up to which entry.
        count, digest, examples: what the signature is bound to.
    """

    seq: int
    kind: str
    reason: str
    by: str
    second: str
    position: int
    through: int
    count: int
    digest: str
    examples: str
    person: str
    note: str
    at: str

    def covers(self, item: Item, position: int) -> bool:
        """Whether it is a review of an item, as far as that is about this label."""
        same = (self.kind, self.reason, self.by, self.second) == (
            item.kind,
            item.reason,
            item.person,
            item.second,
        )
        in_time = item.seq == self.through if item.critical else item.seq <= self.through
        return same and in_time and self.position in (0, position)

    def describe(self) -> dict[str, Any]:
        """As answers tell it."""
        return {
            "entry": self.seq,
            "at": self.at,
            "reviewer": self.person,
            "kind": self.kind,
            "reason": self.reason,
            "count": self.count,
            "opened": read_runs(self.examples),
            "note": self.note or None,
        }


def groups(items: Iterable[Item], reviews: Iterable[Review]) -> list[Group]:
    """What is still to be reviewed: critical ones first, then by the time of the first item.

    Args:
        items: all of a lot.
        reviews: all that were signed.
    """
    through: dict[tuple[str, str, str, str], int] = {}
    signed = set()
    for one in reviews:
        who = (one.kind, one.reason, one.by, one.second)
        through[who] = max(one.through, through.get(who, -1))
        signed.add(one.digest)
    made: dict[tuple[str, str, str, str], list[Item]] = {}
    told: list[Group] = []
    for item in items:
        who = (item.kind, item.reason, item.person, item.second)
        if item.critical:
            told += [Group(*who, critical=True, items=(one,)) for one in _singly(item)]
        elif item.seq > through.get(who, -1):
            made.setdefault(who, []).append(item)
    told = [one for one in told if one.digest not in signed]
    told += [Group(*who, critical=False, items=tuple(some)) for who, some in made.items()]
    return sorted(told, key=lambda one: (not one.critical, one.items[0].seq))


def _singly(item: Item) -> Iterable[Item]:
    if len(item.positions) < 2:
        return (item,)
    return (replace(item, positions=item.positions[i : i + 1]) for i in range(len(item.positions)))


def chosen(there: Sequence[Group], names: Sequence[str], where: str) -> list[Group]:
    """The groups named by the beginning of their digest. Refuses `review_unknown`."""
    found = {one.digest[:REFERENCE]: one for one in there}
    unknown = [name for name in names if name not in found]
    if unknown or not names:
        raise Refused(
            "review_unknown",
            "The review list has no such group, or it is not what it was when it was shown.",
            where=where,
            expected=", ".join(list(found)[:20]) or "nothing is to be reviewed",
            came=", ".join(unknown) or "none",
            remedy="Look at the list again: review list.",
        )
    return [found[name] for name in dict.fromkeys(names)]


def check_reviewer(
    group: Group, person: str, reviewers: Iterable[str], *, practice: bool, where: str
) -> None:
    """Refuses `own_work`; in a practice record one person may play both parts.

    Args:
        reviewers: everybody who is at work in the role that reviews.
    """
    concerned = (group.person, group.second)
    if practice or person not in concerned:
        return
    others = [one for one in reviewers if one not in concerned]
    did, confirmed = (person == one for one in concerned)
    came = " and ".join(["did it"] * did + ["confirmed it"] * confirmed)
    them = " nor ".join(dict.fromkeys(one for one in concerned if one))
    alone = (
        f"Nobody of this record can. An administrator adds another person (person add NAME --role "
        f"{COMPLIANCE}), who looks at it and signs; the groups that you had no part in are yours."
    )
    raise Refused(
        "own_work",
        "Whoever did or confirmed a thing cannot review it.",
        where=f"{where}: {group.kind}, {group.reason}",
        expected=f"{COMPLIANCE}, and {'neither' if group.second else 'not'} {them}",
        came=f"{person}, who {came}",
        remedy=f"Let one of these sign it: {', '.join(others[:10])}." if others else alone,
    )


def check_opened(group: Group, opened: Iterable[int], where: str) -> list[int]:
    """The labels that were opened, of those that had to be. Refuses `examples_needed`."""
    wanted = examples(group.digest, group.positions)
    missing = sorted(set(wanted).difference(opened))
    if missing:
        raise Refused(
            "examples_needed",
            "Some labels of the group have to be opened and looked at before it is signed.",
            where=f"{where}, group {group.digest[:REFERENCE]}",
            expected=f"opened: {', '.join(map(str, wanted))}",
            came=f"without {', '.join(map(str, missing))}",
            remedy="Look at them (review show), then name them: --opened "
            + ",".join(map(str, wanted)),
        )
    return wanted


def as_data(group: Group, opened: Sequence[int]) -> dict[str, Any]:
    """A signed review as its entry tells it."""
    positions = group.positions
    return {
        "kind": group.kind,
        "reason": group.reason,
        "by": group.person,
        "second": group.second,
        "position": int(positions[0]) if group.critical and len(positions) else 0,
        "through": group.through,
        "count": group.count,
        "digest": group.digest,
        "examples": list(opened),
    }


TELLING = (
    *DECISIONS,
    *("label replaced", "hold lifted", "counted", "destruction counted", "packs decommissioned"),
    *("shipping voided", "import given up", "allocation moved", "ssccs given up"),
    *("take started", "alarms acknowledged"),
)
"""Verbs that `of_entry` knows, and those that say who took a file and who acknowledged an alarm."""


def of_entry(entry: Entry) -> list[Item]:
    """The items that an entry tells by itself; alarms, findings and runs are told by others."""
    data, reason = entry.data, entry.reason
    match entry.verb:
        case "accepted" | "voided" | "decommissioned" | "corrected" | "numbers returned":
            ranges = [move[:2] for move in data["moves"]]
        case "settled":
            ranges = data["ranges"]
        case "label replaced":
            ranges = [[data["bad"], data["bad"]], [data["spare"], data["spare"]]]
        case "hold lifted":
            return [_item(entry, LIFTED, reason, [], f"hold {data['hold']}")]
        case "counted" | "destruction counted" if data["value"] < 0:
            return [_item(entry, COUNTED, reason, [], f"{data['term']} {data['value']:+d}")]
        case "packs decommissioned" | "shipping voided":
            return [_packs(entry)]
        case "import given up":
            told = recovery.import_given_up(data)
            return [_item(entry, entry.verb, reason or RESTORED, [], told)]
        case "allocation moved" | "ssccs given up":
            told = recovery.sentence(entry)
            return [_item(entry, entry.verb, reason or RESTORED, [], told)]
        case _:
            return []
    return [_item(entry, entry.verb, reason, ranges)]


def _item(
    entry: Entry, kind: str, reason: str, ranges: Sequence[Sequence[int]], told: str = ""
) -> Item:
    places = spread(ranges)
    return Item(kind, reason, entry.person, entry.second, entry.seq, entry.at, places, told)


def _packs(entry: Entry) -> Item:
    """Packs that came to an end, or did not leave after all."""
    note, packs = entry.data.get("note", ""), len(entry.data["packs"])
    reason = RESTORED if note == recovery.EMPTY_PACKS else entry.reason
    told = many(packs, "pack") + f": {note}" * bool(note)
    return replace(_item(entry, entry.verb, reason, [], told), things=packs)


def of_event(event: runs.Event, told: Mapping[str, Any]) -> Item | None:
    """What went wrong in a run, if this did."""
    if event.outcome not in runs.WRONG:
        return None
    kind = {runs.CHALLENGED: CHALLENGE, runs.CLOCK: CLOCK, runs.GRADE: GRADE}[event.word]
    none = np.zeros(0, dtype=np.int64)
    words = runs.sentence(event, told)
    return Item(kind, event.outcome, event.person, event.second, event.seq, event.at, none, words)


def short(some: Stretches) -> str:
    """Stretches for people, the first few of them."""
    text = ", ".join(
        str(first) if first == last else f"{first}-{last}" + f"/{step}" * (step > 1)
        for first, last, step in some[:6]
    )
    return text + f" and {count(some[6:]):,} more" * (len(some) > 6)


# -- what entries do -----------------------------------------------------------------------------


def _reviewed(entry: Entry, key: Row) -> list[Change]:
    data = dict(entry.data)
    row = {**key, "seq": entry.seq, "what": data.pop("kind"), "note": entry.reason}
    row |= {"person": entry.person, "at": entry.at, "examples": short_runs(data.pop("examples"))}
    return [Insert("review", {**row, **data})]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {"reviewed": _reviewed}
"""What entries of a lot's chain do."""
