"""Reading a roll again: what it confirms, what it settles, and what it proves gone.

A further pass never makes a label good. A good label stays good while it reads good, and is
pulled when it reads bad; a label that was not seen for certain is found again, for a person to
accept, or named as not seen; a label that should be gone is proven absent, or is still there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import findings
from serialkeeper.rules.absence import prove
from serialkeeper.rules.alarms import Alarm, extra_codes, find
from serialkeeper.rules.alignment import Group
from serialkeeper.rules.chain import BLOCK, Part
from serialkeeper.rules.findings import CODE, GOOD, NOT_SEEN, ORDER, Readings, Verdicts
from serialkeeper.rules.jobs import Web, short_runs
from serialkeeper.rules.parts import UNCHANGED, Presence, pack_proofs
from serialkeeper.rules.results import Interpretation
from serialkeeper.rules.rolls import REVERSED, Places, Span, is_whole
from serialkeeper.rules.taking import Judged, name_the_gone

ABSENT, STILL_THERE, NOT_PROVEN = WORDS = ("absent", "still_there", "not_proven")
"""What a pass may say of a label that should be gone."""
THERE = "there"
"""What it says of a label that an earlier pass found absent, and that is there after all."""

_ALLOCATED, _ISSUED, _VERIFIED, _COMMISSIONED = (ord(letter) for letter in "aivc")
_REJECTED, _PULLED = (ord(letter) for letter in "rR")


@dataclass(frozen=True)
class Before:
    """A roll and what stands against its labels before it is read again.

    Attributes:
        roll: its number.
        span: which part of the web it is.
        wound: which end should come off first.
        places: where the labels of the lot stand now.
        states: uint8, state letters by position, a filler before the first.
        findings: words of open findings, by position.
        gone: bool by position: taken off or proven absent, and not read since.
        taken_off: bool by position: taken off by somebody.
        planted: bool by position: made bad on purpose.
    """

    roll: int
    span: Span
    wound: str
    places: Places
    states: NDArray[np.uint8]
    findings: Mapping[int, tuple[str, ...]]
    gone: NDArray[np.bool_]
    taken_off: NDArray[np.bool_]
    planted: NDArray[np.bool_]

    def web(self) -> Web:
        """Where the labels of this roll stand; no other label stands anywhere."""
        there = self.places.on(self.span)
        lane = np.where(there, self.places.lane, 0).astype(np.uint8)
        return Web(np.where(there, self.places.row, 0).astype(np.int32), lane, int(lane.max()))

    def free(self) -> NDArray[np.bool_]:
        """Labels that an unread reading may be of, by position."""
        return self.places.on(self.span) & ~self.gone

    def occupant(self) -> NDArray[np.int32]:
        """The label that stands where each label was printed, 0 where a spare was taken from."""
        stands = np.arange(len(self.states), dtype=np.int32)
        printed: dict[int, int] = {}
        for bad, spare in self.places.replaced.items():
            printed[spare] = printed.pop(bad, bad)
            stands[spare] = 0  # its own place is empty
        for spare, place in printed.items():
            stands[place] = spare
        return stands

    def missing(self) -> NDArray[np.bool_]:
        """Labels that no reading was of for certain, and nothing else is open, by position."""
        found = np.zeros(len(self.states), dtype=np.bool_)
        for position, words in self.findings.items():
            found[position] = set(words) <= set(NOT_SEEN)
        return found

    def open(self, *words: str) -> NDArray[np.bool_]:
        """Labels with an open finding of one of these words, by position."""
        found = np.zeros(len(self.states), dtype=np.bool_)
        for position, there in self.findings.items():
            found[position] = bool(set(words) & set(there))
        return found


@dataclass(frozen=True)
class JudgedAgain(Judged):
    """A further pass, judged.

    Attributes:
        states: what the judgement rests on, uint8 by position.
        proofs: what it says of labels that should be gone, and of good ones that are, by position.
        result: how many labels it confirmed, pulled, rejected, found again, did not see, proved
            absent, saw though they should be gone, or could not prove; how many readings were of
            something that does not belong on the roll (`strange`) or unread at no label's place
            (`surplus`); at how many places it read anything (`placed`), of how many (`standing`).
    """

    states: NDArray[np.uint8]
    proofs: dict[int, Presence]
    result: dict[str, int]

    def concerned(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Which positions from start to stop - 1 the pass says anything about."""
        said = super().concerned(start, stop)
        here = [position - start for position in self.proofs if start <= position < stop]
        said[here] = True
        return said

    def parts(self, block: int, states: NDArray[np.uint8]) -> list[Part]:
        """What the journal keeps of one block; `states` are those that it was judged by."""
        made = super().parts(block, states)
        first, count = made[0].first, made[0].count
        listed = [
            one for place, one in sorted(self.proofs.items()) if block == (place - 1) // BLOCK
        ]
        return [*made, pack_proofs(first, count, listed)] if listed else made


def decide_again(
    readings: Readings, notes: Interpretation, before: Before, *, where: str
) -> JudgedAgain:
    """What a further pass over a roll says of its labels.

    Args:
        readings, notes: the whole file, interpreted against `before.web()`.
        before: the roll as it was.
        where: file, lot and roll, for refusals.

    Refuses `roll_mistaken` if the file shows another roll.
    """
    states = before.states
    members = before.places.on(before.span)
    replaced = _flags(before.places.stood_on(before.span), len(states))
    read = _flags(np.concatenate((readings.number, readings.also)), len(states))
    _check_roll(read, members | replaced, before.roll, where)
    _check_places(readings, before.roll, where)
    verdicts = _of_this_roll(findings.judge(readings, len(states) - 1), members, replaced, read)
    finding = verdicts.finding.copy()
    finding[read & ~members & ~replaced & (finding == GOOD)] = CODE["out_of_place"]
    good_before = np.isin(states, (_COMMISSIONED, _VERIFIED))
    undecided = good_before | (states == _ISSUED)
    bad = verdicts.touched & (finding != GOOD)
    target = np.full(len(states), UNCHANGED, dtype=np.uint8)
    target[bad & np.isin(states, (_ISSUED, _VERIFIED))] = _REJECTED
    target[bad & (states == _COMMISSIONED)] = _PULLED
    finding[~undecided & ~_news(finding, before, verdicts, read)] = GOOD
    name_the_gone(finding, read, states)
    confirmed = good_before & verdicts.placed & (finding == GOOD) & members
    found_again = _found_again(notes, before, verdicts, finding) & members
    _name_found(finding, target, found_again, before)
    groups = _not_seen(finding, notes, before, verdicts, members & undecided & ~before.gone)
    settled = before.missing() & (confirmed | (finding != GOOD))
    proofs = _proofs(readings, notes, before, verdicts, read, members, replaced)
    together = {group: short_runs(group.positions) for group in set(groups.values())}
    result = {
        "confirmed": int(confirmed.sum()),
        "pulled": int((target == _PULLED).sum()),
        "rejected": int((target == _REJECTED).sum()),
        "found_again": int(found_again.sum()),
        "not_seen": int((finding == CODE["not_seen"]).sum()),
        **_proven(proofs),
        **_beyond(readings, notes.placed, read & ~members & ~replaced, before.gone),
        "placed": int((verdicts.placed & members).sum()),
        "standing": int((members & ~before.gone).sum()),
    }
    return JudgedAgain(
        readings=readings,
        verdicts=verdicts,
        notes=notes,
        target=target,
        finding=finding,
        found=settled,
        alarms=_alarms(finding, before, verdicts, proofs, undecided) + extra_codes(readings),
        groups=groups,
        together={position: together[group] for position, group in groups.items()},
        present=read,
        states=states,
        proofs=proofs,
        result=result,
    )


def _proven(proofs: Mapping[int, Presence]) -> dict[str, int]:
    """How often each word was said of labels that should be gone."""
    return {word: sum(one.word == word for one in proofs.values()) for word in WORDS}


def _beyond(
    readings: Readings, placed: bool, others: NDArray[np.bool_], gone: NDArray[np.bool_]
) -> dict[str, int]:
    """How much was read that is of no label of the roll.

    Args:
        placed: whether the camera gives places; it may well report an empty one as unread.
        others: bool by position: labels of other rolls whose numbers were read.
        gone: bool by position: labels that had left; what stands in their places is none of them.
    """
    odd = ((readings.place == 0) | gone[readings.place]) & (readings.number == 0)
    odd &= readings.finding != GOOD
    unread = odd & (readings.finding == CODE["unreadable"])
    strange = int(others.sum() + (odd & ~unread).sum())
    return {"strange": strange, "surplus": 0 if placed else int(unread.sum())}


def _flags(positions: object, size: int) -> NDArray[np.bool_]:
    """Positions as an array of truths; 0 stands for none."""
    found = np.zeros(size, dtype=np.bool_)
    found[np.asarray(positions, dtype=np.int64)] = True
    found[0] = False
    return found


def _check_roll(read: NDArray[np.bool_], there: NDArray[np.bool_], roll: int, where: str) -> None:
    total, own = int(read.sum()), int((read & there).sum())
    if own and 2 * own >= total:
        return
    raise Refused(
        "roll_mistaken",
        "The file shows another roll.",
        where=where,
        expected=f"numbers of roll {roll}",
        came=f"{own} of {total} numbers are of labels of this roll",
        remedy="Check the roll's number (roll list) and the file.",
    )


def _check_places(readings: Readings, roll: int, where: str) -> None:
    """Where most numbers stand elsewhere than the camera says, its lanes or rows are mistaken."""
    shown = (readings.number > 0) & (readings.place > 0)
    elsewhere = int((shown & (readings.number != readings.place)).sum())
    if 2 * elsewhere <= int(shown.sum()):
        return
    raise Refused(
        "roll_mistaken",
        "The file's places are not those of the roll.",
        where=where,
        expected=f"numbers of roll {roll} in their places",
        came=f"{elsewhere} of {int(shown.sum())} numbers stand in the places of others",
        remedy="Check the lanes and rows that the camera gives, and which end came off first.",
    )


def _of_this_roll(
    verdicts: Verdicts,
    members: NDArray[np.bool_],
    replaced: NDArray[np.bool_],
    read: NDArray[np.bool_],
) -> Verdicts:
    """The verdicts on labels of the roll and on labels whose numbers were read on it."""
    concerned = members | replaced | read
    return replace(
        verdicts,
        finding=np.where(concerned, verdicts.finding, GOOD).astype(np.uint8),
        reading=np.where(concerned, verdicts.reading, -1).astype(np.int32),
        placed=verdicts.placed & concerned,
        touched=verdicts.touched & concerned,
    )


def _news(
    finding: NDArray[np.uint8],
    before: Before,
    verdicts: Verdicts,
    read: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Rejected labels of which the pass says something worse than what is open already."""
    rejected: NDArray[np.bool_] = np.isin(before.states, (_REJECTED, _PULLED)) & (finding != GOOD)
    rejected &= verdicts.touched & (read | ~before.gone)
    for position in np.flatnonzero(rejected).tolist():
        if ORDER[finding[position] - 1] in before.findings.get(position, ()):
            rejected[position] = False
    return rejected


def _found_again(
    notes: Interpretation, before: Before, verdicts: Verdicts, finding: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """Labels that nobody saw for certain before, read good in their place now."""
    found: NDArray[np.bool_] = (before.states == _ISSUED) & verdicts.placed & (finding == GOOD)
    if notes.aligned:
        found[notes.aligned.doubtful] = False
    found[[place for place, words in before.findings.items() if set(words) - set(NOT_SEEN)]] = False
    return found


def _name_found(
    finding: NDArray[np.uint8],
    target: NDArray[np.uint8],
    found_again: NDArray[np.bool_],
    before: Before,
) -> None:
    """Name the labels found again; one made bad on purpose is none of them, and was missed."""
    missed = found_again & before.planted
    finding[missed], target[missed] = CODE["missed_plant"], _REJECTED
    found_again &= ~missed
    finding[found_again & ~before.open("found_again")] = CODE["found_again"]


def _not_seen(
    finding: NDArray[np.uint8],
    notes: Interpretation,
    before: Before,
    verdicts: Verdicts,
    wanted: NDArray[np.bool_],
) -> dict[int, Group]:
    """Name the labels at whose places no reading stands, or not for certain; gives the groups."""
    silent = wanted & ~verdicts.touched
    groups: dict[int, Group] = {}
    if notes.aligned is None:
        row, lane = before.places.row, before.places.lane
        placed = verdicts.placed & before.places.on(before.span)
        first, last = row[placed].min(initial=2**31 - 1), row[placed].max(initial=0)
        inside = (row >= first) & (row <= last)
        unseen = np.flatnonzero(silent & inside & np.isin(lane, np.unique(lane[placed])))
    else:
        unseen = np.array(notes.aligned.unseen, dtype=np.int64)
        unseen = unseen[silent[unseen]]
        for group in notes.aligned.groups:
            groups |= {position: group for position in group.positions if silent[position]}
    named = before.open("not_seen")
    finding[unseen[~named[unseen]]] = CODE["not_seen"]
    known = before.open("not_seen", "not_told_apart")
    groups = {position: group for position, group in groups.items() if not known[position]}
    finding[list(groups)] = CODE["not_told_apart"]
    return groups


def _proofs(
    readings: Readings,
    notes: Interpretation,
    before: Before,
    verdicts: Verdicts,
    read: NDArray[np.bool_],
    members: NDArray[np.bool_],
    replaced: NDArray[np.bool_],
) -> dict[int, Presence]:
    """What the pass says of every label that should be gone, and of others that are gone."""
    staying = np.isin(before.states, (_ISSUED, _COMMISSIONED, _VERIFIED)) & ~before.taken_off
    good = staying & (before.states != _ISSUED) & ~before.gone
    left = (members | replaced) & ~staying
    proven = prove(readings, notes.told, before.places, members, verdicts, read, good)
    made: dict[int, Presence] = {}
    unread = members & ~verdicts.touched & ~read
    back = members & staying & before.gone & read
    for position in np.flatnonzero(left | unread | back).tolist():
        word, evidence, detail = NOT_PROVEN, "", proven.reasons.get(position, "")
        reading = int(verdicts.reading[position]) if verdicts.placed[position] else -1
        if back[position]:
            word, evidence, detail = THERE, "read", "its number was read after all"
        elif read[position]:
            word, evidence, detail = STILL_THERE, "read", "its number was read"
        elif position in before.places.replaced:
            spare = before.places.replaced[position]
            detail = f"label {spare}, which was put in its place, was not read there"
            shown = int(verdicts.reading[spare])
            if shown >= 0 and readings.number[shown] == readings.place[shown] == spare:
                word, evidence = ABSENT, "replaced"
                detail = f"label {spare} stands in its place"
        elif reading >= 0 and readings.number[reading] == 0 and reading in notes.seen:
            word, detail = STILL_THERE, "a strange code was read at its place"
        elif reading >= 0:
            detail = "a label that was not read stands at its place"
        elif position in proven.evidence:
            word, evidence = ABSENT, proven.evidence[position]
        if word == NOT_PROVEN and not left[position]:
            continue  # not seen, as its finding says
        made[position] = Presence(position, word, evidence, detail)
    return made


def _alarms(
    finding: NDArray[np.uint8],
    before: Before,
    verdicts: Verdicts,
    proofs: dict[int, Presence],
    undecided: NDArray[np.bool_],
) -> list[Alarm]:
    """Reasons to stop and look: new findings as in a first pass, and labels that should not be
    there, or should."""
    on = before.places.on(before.span)
    web = np.flatnonzero(on & undecided & (verdicts.touched | (finding != GOOD))).astype(np.int32)
    web = web[np.lexsort((before.places.lane[web], before.places.row[web]))]
    told = np.where(finding == CODE["found_again"], GOOD, finding).astype(np.uint8)
    raised = find(web, before.places.lane[web], told[web])
    good = np.isin(before.states, (_COMMISSIONED, _VERIFIED)) & ~before.gone
    for kind, hit in (
        ("still_there", [one.position for one in proofs.values() if one.word == STILL_THERE]),
        (
            "good_gone",
            [p for p, one in proofs.items() if one.word == ABSENT and good[p]],
        ),
    ):
        if hit:
            raised.append(Alarm(kind, 0, min(hit), max(hit), len(hit)))
    return raised


def notes_on(judged: JudgedAgain, before: Before) -> list[dict[str, object]]:
    """What a person should know of the pass as a whole: the way it came off, and readings that
    belong to no label, since a label spliced in elsewhere would look like that."""
    notes, told, result = judged.notes, judged.notes.notes, judged.result
    if beyond := result["strange"] + result["surplus"]:
        told = [*told, {"kind": "surplus", "labels": beyond}]
    if not is_whole(result):
        told = [*told, {"kind": "part_of_roll", "labels": result["placed"]}]
    if before.span.lane:  # a slit roll runs past whatever camera there is
        told = [note for note in told if note["kind"] != "lane_elsewhere"]
    came_back = any(note["kind"] == "reversed" for note in told)
    if notes.aligned is not None and came_back != (before.wound == REVERSED):
        told = [*told, {"kind": "wound_other_way", "roll": before.roll}]
    return told
