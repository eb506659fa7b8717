"""What a lot's chain tells of people: who wrote in it, decided, counted, corrected and handed out.

Entries are read once, in order; nothing of it stands in a table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from typing import Any

from serialkeeper.rules import recovery, signatures
from serialkeeper.rules.chain import Clocks, Entry, LotKey
from serialkeeper.rules.counts import many
from serialkeeper.rules.events import write_offset
from serialkeeper.rules.runs import CLOCK_LIMIT

DECIDED = ("accepted", "voided", "decommissioned", "numbers returned", "settled", "corrected")
"""Verbs that decide on labels."""

MILESTONES = ("lot approved", "lot discarded", "reconciled", "lot closed", "lot reopened")
"""Verbs of the lot's own state."""

HANDED_OUT: Mapping[str, str] = {
    "issued": "print file",
    "symbols written": "symbols",
    "events written": "events",
    "lot reported": "lot report",
}
"""Verbs that tell of a file that left the record, and what it was."""


@dataclass(slots=True)
class Writer:
    """A person in one role, or their token: how many entries, of which kinds, from when to when."""

    person: str
    role: str
    verbs: Counter[str] = field(default_factory=Counter)
    seconded: Counter[str] = field(default_factory=Counter)
    first: str = ""
    last: str = ""

    def note(self, verbs: Counter[str], entry: Entry) -> None:
        """Take in an entry."""
        verbs[entry.verb] += 1
        self.first = self.first or entry.at
        self.last = entry.at


@dataclass(slots=True)
class Chronicle:
    """What was read so far.

    Attributes:
        writers: by person and role; second persons, whose role an unsigned entry does not tell,
            by an empty one.
        decisions: entries that decided on labels.
        milestones: entries of the lot's own state.
        decided: what the quality unit decided about the lot, in order: decision, on, by, reference.
        signed: by number, every entry that is signed.
        counted: counts that people entered.
        checks: whether what was printed, accepted, recorded and exported agreed (`events check`).
        handed: files that left the record.
        attested: documents of events of which a person said whether the receiver has them:
            destination's and document's number, stored.
        corrections: entries that corrected what earlier ones said: at, entry, person, sentence.
        rolls: by roll, the entry that released it.
        again: by take, what reading a roll again said.
        lifted: by hold, the entry that lifted it.
        recovered: entries with which a recovery changed the lot, each with its `sentence`.
        clocks: where a station's clock was set back.
        latest, behind: the latest time so far; how many entries are dated before it by more than
            two clocks may be apart.
        stations: where entries were written.
        roll_counts: by roll, what was counted of it last.
    """

    writers: dict[tuple[str, str], Writer] = field(default_factory=dict)
    decisions: list[dict[str, Any]] = field(default_factory=list)
    milestones: list[dict[str, Any]] = field(default_factory=list)
    decided: list[dict[str, Any]] = field(default_factory=list)
    signed: dict[int, dict[str, Any]] = field(default_factory=dict)
    counted: list[dict[str, Any]] = field(default_factory=list)
    checks: list[dict[str, Any]] = field(default_factory=list)
    handed: list[dict[str, Any]] = field(default_factory=list)
    attested: list[dict[str, Any]] = field(default_factory=list)
    corrections: list[dict[str, Any]] = field(default_factory=list)
    rolls: dict[int, dict[str, Any]] = field(default_factory=dict)
    again: dict[int, Mapping[str, int]] = field(default_factory=dict)
    lifted: dict[int, dict[str, Any]] = field(default_factory=dict)
    recovered: list[dict[str, Any]] = field(default_factory=list)
    clocks: Clocks = field(default_factory=Clocks)
    latest: str = ""
    behind: int = 0
    stations: Counter[str] = field(default_factory=Counter)
    roll_counts: dict[int, int] = field(default_factory=dict)

    def read(self, entry: Entry) -> None:
        """Take in the chain's next entry."""
        self._people(entry)
        self.stations[entry.station] += 1
        self._clock(entry)
        told = told_of(entry)
        if told["signatures"]:
            self.signed[entry.seq] = told
        data = entry.data
        if entry.verb in DECIDED:
            ranges = data["ranges"] if entry.verb == "settled" else data["moves"]
            self.decisions.append({**told, **_labels(ranges), "evidence": _evidence(data)})
        elif entry.verb in MILESTONES:
            more = {name: data[name] for name in ("explanation", "investigation") if data.get(name)}
            self.milestones.append({**told, **more})
        elif entry.verb == "lot decided":
            decision = {n: data[n] for n in ("decision", "on", "by", "reference")}
            self.decided.append({**told, **decision})
        elif entry.verb in HANDED_OUT:
            named = {name: data.get(name) for name in ("name", "sha256", "size")}
            what = HANDED_OUT[entry.verb]
            form = f", {data['form']}" if "form" in data else ""
            self.handed.append({**told, **named, "what": f"{what}{form}"})
        elif entry.verb in ("counted", "destruction counted"):
            self.counted.append({**told, **{n: data[n] for n in ("term", "value", "witness")}})
        elif entry.verb == "events checked":
            names = ("agrees", "entry", "events", "numbers", "sha256")
            self.checks.append({**told, "check": {name: data[name] for name in names}})
        elif entry.verb == "document settled":
            which = {name: data[name] for name in ("destination", "number", "stored")}
            self.attested.append({**told, **which})
        elif entry.verb == "hold lifted":
            self.lifted[data["hold"]] = told
        elif entry.verb == "roll released":
            self.rolls[data["roll"]] = told
        elif entry.verb == "take finished" and "again" in data:
            self.again[data["take"]] = data["again"]
        if sentence := recovery.sentence(entry):
            self.recovered.append({**told, "sentence": sentence})
        self._correction(entry, told)

    @property
    def reopened_since(self) -> bool:
        """Whether the lot was opened again after the quality unit's last decision."""
        last = self.decided[-1]["entry"] if self.decided else 0
        return any(one["verb"] == "lot reopened" and one["entry"] > last for one in self.milestones)

    def _clock(self, entry: Entry) -> None:
        self.clocks.read(LotKey(0, entry.chain), entry)
        self.latest = max(self.latest, entry.at)
        late = datetime.fromisoformat(self.latest) - datetime.fromisoformat(entry.at)
        self.behind += late > timedelta(seconds=CLOCK_LIMIT)

    def _people(self, entry: Entry) -> None:
        role = f"{entry.role}, token {entry.token}" if entry.token else entry.role
        mine = self.writers.setdefault((entry.person, role), Writer(entry.person, role))
        mine.note(mine.verbs, entry)
        if entry.second:
            roles = [
                one["role"] for one in signatures.shown(entry)[1:] if one["person"] == entry.second
            ]
            role = roles[0] if roles else ""
            other = self.writers.setdefault((entry.second, role), Writer(entry.second, role))
            other.note(other.seconded, entry)

    def _correction(self, entry: Entry, told: dict[str, Any]) -> None:
        """Note what corrected something that an earlier entry said."""
        said = _CORRECTIONS.get(entry.verb)
        sentence = said(entry.data, self) if said else ""
        if sentence:
            self.corrections.append({**told, "sentence": sentence})


def told_of(entry: Entry) -> dict[str, Any]:
    """What every entry tells of people."""
    return {
        "entry": entry.seq,
        "at": entry.at,
        "local": local(entry.at, entry.offset),
        "verb": entry.verb,
        "person": entry.person,
        "role": entry.role,
        "second": entry.second,
        "reason": entry.reason,
        "signatures": signatures.shown(entry),
    }


def header_of(entry: Entry) -> dict[str, Any]:
    """What every entry tells of itself in a journal that is looked through."""
    return {
        "entry": entry.seq,
        "at": entry.at,
        "zone": write_offset(entry.offset),
        "verb": entry.verb,
        "person": entry.person,
        "role": entry.role,
        "second": entry.second or None,
        "station": entry.station,
        "reason": entry.reason or None,
        "token": entry.token or None,
        "signatures": signatures.shown(entry),
    }


def local(at: str, offset: int) -> str:
    """An entry's time as the station's clock showed it, with its offset from UTC.

    >>> local("2026-06-30T22:30:00.123Z", 120)
    '2026-07-01 00:30:00+02:00'
    """
    zone = timezone(timedelta(minutes=offset))
    return datetime.fromisoformat(at).astimezone(zone).isoformat(" ", "seconds")


def people(told: Mapping[str, Any]) -> str:
    """Who did it; of signatures the printed name, role, meaning, date and time (21 CFR 11.50)."""
    if told["signatures"]:
        return f"{signers(told)}; signed {told['local']}"
    second = f", with {told['second']}" if told["second"] else ""
    return f"{told['person']} ({told['role']}){second}; not signed"


def signers(told: Mapping[str, Any]) -> str:
    """Who signed an entry: printed name, role, meaning."""
    return "; ".join(
        f"{one['person']} ({one['role']}): {one['meaning']}" + " (practice)" * one["practice"]
        for one in told["signatures"]
    )


def _labels(ranges: Sequence[Sequence[Any]]) -> dict[str, Any]:
    pairs = list(dict.fromkeys((one[0], one[1]) for one in ranges))  # a move may be two steps
    shown = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in pairs[:8])
    more = f" and {many(len(pairs) - 8, 'more stretch', 'more stretches')}" * (len(pairs) > 8)
    return {"labels": sum(b - a + 1 for a, b in pairs), "positions": shown + more}


def _evidence(data: Mapping[str, Any]) -> str:
    """What a decision rests on, beside its reason."""
    given = data.get("evidence") or {}
    told = [f"{name} {given[name]}" for name in given if given[name]]
    return "; ".join([*told, *([data["note"]] if data.get("note") else [])])


def _accepted(data: Mapping[str, Any], _told: Chronicle) -> str:
    labels = _labels(data["moves"])["labels"]
    return f"accepted after all: {many(labels, 'doubtful label')}"


def _counted(data: Mapping[str, Any], told: Chronicle) -> str:
    before = sum(one["value"] for one in told.counted[:-1] if one["term"] == data["term"])
    if data["value"] >= 0 and not before:
        return ""
    now = before + data["value"]
    return f"the count of {data['term']} was {before:,} and is {now:,} ({data['value']:+,})"


def _settled(data: Mapping[str, Any], _told: Chronicle) -> str:
    labels = _labels(data["ranges"])["labels"]
    return f"what was found on {many(labels, 'label')} was settled"


def _decided(data: Mapping[str, Any], told: Chronicle) -> str:
    return f"another decision, {data['decision']}, was recorded" if len(told.decided) > 1 else ""


def _corrected(data: Mapping[str, Any], _told: Chronicle) -> str:
    labels = _labels(data["moves"])["labels"]
    entries = ", ".join(map(str, data["entries"]))
    return f"decommissioned by mistake (entry {entries}), and back: {many(labels, 'label')}"


def _recounted(data: Mapping[str, Any], told: Chronicle) -> str:
    """A second count of a roll."""
    if data["word"] != "count":
        return ""
    before = told.roll_counts.get(data["roll"])
    told.roll_counts[data["roll"]] = data["labels"]
    if before is None:
        return ""
    return f"roll {data['roll']} was counted {before:,} and is counted {data['labels']:,}"


def _pulled(data: Mapping[str, Any], _told: Chronicle) -> str:
    """Labels that were good until their roll was read again."""
    again = data.get("again") or {}
    if not again.get("pulled"):
        return ""
    return f"rejected when their roll was read again: {many(again['pulled'], 'good label')}"


_CORRECTIONS: Mapping[str, Callable[[Mapping[str, Any], Chronicle], str]] = {
    "accepted": _accepted,
    "counted": _counted,
    "destruction counted": _counted,
    "settled": _settled,
    "corrected": _corrected,
    "shipping voided": lambda _data, _told: "a shipping that was entered by mistake was taken back",
    "import given up": lambda data, _told: recovery.import_given_up(data),
    "roll marked": _recounted,
    "take finished": _pulled,
    "lot reopened": lambda _data, _told: "the closed lot was opened again",
    "lot decided": _decided,
    "label replaced": lambda data, _told: (
        f"position {data['bad']} was replaced by the spare {data['spare']}"
    ),
    "hold lifted": lambda data, _told: f"hold {data['hold']} was lifted",
    "roll turned": lambda data, _told: f"roll {data['roll']} was turned: {data['wound']}",
    "unpacked": lambda _data, _told: "units or packs were taken out of their pack again",
    "pack label torn": lambda _data, _told: "a pack's label was torn and is made anew",
}
"""What corrects something earlier, and the sentence that says so."""
