"""Which label each reading of a file stands for, also where the camera gives no positions.

Numbers read exactly are anchors; between two anchors the plan says which labels stand there.
An unreadable label does not tell its number; the plan does. Where the evidence does not
suffice, the labels concerned are named together and nothing is guessed.

Between two anchors stand m labels whose number was not read and u readings without a usable
number. A reading's time, where it is fine enough, names its row; what is left goes by count:
m = 0: readings too many; u = 0: m labels not seen; u < m: not told apart; u >= m: all m bad.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules.jobs import Web
from serialkeeper.rules.streams import Seen, Stream, common_span, find_streams
from serialkeeper.rules.tempo import Tempo

COUNT, TIME, READ = ord("c"), ord("t"), ord("r")
EDGE = 8
"""Labels beyond the last one read that unread readings there may stand for, besides their own
number."""
STRANGERS = 3
"""Numbers at most of labels inspected before that are taken for repeats on this web."""
BLOCK_FROM = 3
"""Numbers in a row from which readings out of place are a block of the web."""


@dataclass(frozen=True, slots=True)
class Group:
    """Labels that the readings between their neighbours cannot tell apart.

    Attributes:
        positions: the labels, ascending.
        readings: how many readings stand there; one label each was seen, the others were not.
    """

    positions: tuple[int, ...]
    readings: int


@dataclass(slots=True)
class Alignment:
    """What stands where.

    Attributes:
        place: int32 per reading: position of the label, 0 where it is no label's place.
        evidence: uint8 per reading: a letter of `parts.EVIDENCE`.
        same: bool per reading: proven to be the label of an earlier reading once more.
        groups: labels that were not told apart.
        unseen: int32 positions at whose places no reading stands.
        doubtful: int32 positions that may have changed places with an unread label.
        notes: what a person should know of the whole: kind and figures.
    """

    place: NDArray[np.int32]
    evidence: NDArray[np.uint8]
    same: NDArray[np.bool_]
    groups: list[Group] = field(default_factory=list)
    unseen: list[int] = field(default_factory=list)
    doubtful: list[int] = field(default_factory=list)
    notes: list[dict[str, object]] = field(default_factory=list)


def align(
    seen: Seen, web: Web, free: NDArray[np.bool_], *, home: NDArray[np.bool_], where: str
) -> Alignment:
    """Align readings without positions.

    Args:
        seen: the readings.
        web: where the labels stand.
        free: bool by position: printed, and not inspected before; what an unread reading may be.
        home: bool by position: labels whose numbers belong on this web.
        where: the file, for refusals.

    Refuses `results_unplaced` if no reading names a label of the lot.
    """
    size = len(seen.number)
    made = Alignment(
        np.zeros(size, np.int32), np.full(size, ord("."), np.uint8), np.zeros(size, np.bool_)
    )
    on_web = (seen.number > 0) & (web.row[seen.number] > 0)
    if not on_web.any():
        raise Refused(
            "results_unplaced",
            "The file gives no positions, and no reading of it names a printed label of the lot.",
            where=where,
            expected="codes of this lot, or positions",
            came=f"readings without either: {size}",
            remedy="Check that the file belongs to this lot; if it does, give the readings' "
            "positions.",
        )
    read = np.zeros(len(web.row), dtype=np.bool_)
    read[seen.number] = True
    seen, on_web = _without_strangers(seen, on_web, home)
    read[0] = False
    streams = find_streams(seen, web, on_web)
    span = common_span(streams)
    for stream in streams:
        _Filler(stream, seen, web, free, read, made).fill(span)
    return made


def _without_strangers(
    seen: Seen, on_web: NDArray[np.bool_], home: NDArray[np.bool_]
) -> tuple[Seen, NDArray[np.bool_]]:
    """A few numbers of labels that other files told of are no anchors: this web's own labels
    carry them. Many of them are a claim to the same labels, which is refused later."""
    told = on_web & ~home[seen.number]
    if not 0 < len(np.unique(seen.number[told])) <= STRANGERS or told.sum() == on_web.sum():
        return seen, on_web
    number = np.where(told, 0, seen.number).astype(np.int32)
    return replace(seen, number=number, strange=seen.strange | told), on_web & ~told


class _Filler:
    """Gives every reading of a stream its place."""

    def __init__(
        self,
        stream: Stream,
        seen: Seen,
        web: Web,
        free: NDArray[np.bool_],
        read: NDArray[np.bool_],
        made: Alignment,
    ) -> None:
        self.stream, self.seen, self.web, self.made = stream, seen, web, made
        self.free, self.read = free, read
        self.at = np.flatnonzero(stream.anchor)
        self.time = seen.time[stream.index]
        self.tempo = Tempo.of(
            self.time[self.at], stream.step[self.at], len(stream.running.lanes), self.time
        )
        self.used = stream.anchor.copy()
        self.first_of_two = np.zeros(len(stream.index), dtype=np.bool_)
        self.of_two = np.zeros(len(stream.index), dtype=np.bool_)
        self.out_of_time = np.zeros(len(stream.index), dtype=np.bool_)

    def fill(self, span: tuple[int, int] | None) -> None:
        """Anchors, double triggers, blocks, then what stands between the anchors."""
        stream, made = self.stream, self.made
        anchors = stream.index[self.at]
        made.place[anchors] = self.seen.number[anchors]
        made.evidence[anchors] = READ
        self._find_double_triggers()
        self._release_out_of_time()
        self._release_twins()
        self._find_blocks()
        self._note_running()
        at, step = self.at, stream.step[self.at]
        if span is not None:
            # Labels before the first and behind the last one read of this lane, in rows that
            # other lanes reached, stand between bounds as well.
            at = np.concatenate(([-1], at, [len(stream.index)]))
            step = np.concatenate(([span[0] - 1], step, [span[1] + 1]))
        gaps = np.flatnonzero((np.diff(at) > 1) | (np.diff(step) > 1))
        balance = np.zeros(len(at), dtype=np.int64)
        for gap in gaps.tolist():
            balance[gap] = self._between(
                int(at[gap]), int(at[gap + 1]), int(step[gap]), int(step[gap + 1])
            )
        self._send_home()
        self._doubt(balance, at)
        if len(self.at):
            self._edges(span)

    # -- double triggers, blocks -----------------------------------------------------------

    def _find_double_triggers(self) -> None:
        """Readings of an anchor's number that time proves closer than half a label to it."""
        stream, step = self.stream, self.stream.step
        again = np.flatnonzero((step >= 0) & ~stream.anchor)
        # Labels of one row pass at the same time, so time parts them only lane by lane.
        if self.tempo is None or self.tempo.each > 1 or not len(again):
            return
        steps = step[self.at]
        order = np.searchsorted(steps, step[again])
        inside = order < len(steps)
        again, order = again[inside], order[inside]
        own = steps[order] == step[again]
        again, order = again[own], order[own]
        apart = np.abs(self.time[again] - self.time[self.at[order]])
        close = self.tempo.one_label(order, apart)
        self.used[again[close]] = True
        self.made.same[stream.index[again[close]]] = True
        self.made.place[stream.index[again[close]]] = self.seen.number[stream.index[again[close]]]
        self.made.evidence[stream.index[again[close]]] = TIME

    def _release_twins(self) -> None:
        """A number read twice in a row may stand at its own place and at a neighbour's, and
        nothing says yet which reading is which: neither is an anchor."""
        stream = self.stream
        again = np.flatnonzero((stream.step >= 0) & ~self.used)
        behind = np.searchsorted(self.at, again) - 1
        again, behind = again[behind >= 0], behind[behind >= 0]
        twins = stream.step[self.at[behind]] == stream.step[again]
        first = np.unique(self.at[behind[twins]])
        self.first_of_two[first] = True
        self.of_two[first] = self.of_two[again[twins]] = True
        self.used[first] = stream.anchor[first] = False
        self.made.place[stream.index[first]] = 0
        self.at = np.flatnonzero(stream.anchor)

    def _release_out_of_time(self) -> None:
        """Anchors that came early or late stand in another label's place."""
        if self.tempo is None:
            return
        late = self.at[self.tempo.out_of_time(self.time[self.at], self.stream.step[self.at])]
        self.out_of_time[late] = True
        self.used[late] = self.stream.anchor[late] = False
        self.made.place[self.stream.index[late]] = 0
        self.at = np.flatnonzero(self.stream.anchor)

    def _send_home(self) -> None:
        """Of a number read twice, one reading that no other place needed stands at its own."""
        index = self.stream.index[self.of_two]
        index = index[self.made.place[index] == 0]
        _, first = np.unique(self.seen.number[index], return_index=True)
        home = index[first]
        self.made.place[home] = self.seen.number[home]
        self.made.evidence[home] = READ

    def _find_blocks(self) -> None:
        """Stretches of the web that stand out of place, with the unread labels inside."""
        stream = self.stream
        off = np.flatnonzero((stream.step >= 0) & ~self.used & ~self.of_two)
        if len(off) < BLOCK_FROM:
            return
        behind = np.searchsorted(self.at, off)
        step = stream.step[off]
        goes_on = (np.diff(behind) == 0) & (np.diff(step) >= 1) & (np.diff(step) <= 64)
        starts = np.flatnonzero(np.concatenate(([True], ~goes_on)))
        stops = np.concatenate((starts[1:], [len(off)]))
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if stop - start < BLOCK_FROM:
                continue
            some = off[start:stop]
            self._note_block(some, int(behind[start]))
            for one, other in zip(some[:-1].tolist(), some[1:].tolist(), strict=True):
                if other - one > 1 or stream.step[other] - stream.step[one] > 1:
                    self._between(one, other, int(stream.step[one]), int(stream.step[other]))
            self.used[int(some[0]) : int(some[-1]) + 1] = True

    def _note_block(self, some: NDArray[np.int64], behind: int) -> None:
        positions = self.stream.position_of[self.stream.step[some]]
        twice = self.read_by_anchor(positions)
        if twice:
            kind = "read_again"
        elif len(some) < 8:
            return
        else:
            kind = "block_out_of_place"
        after = int(self.stream.position_of[self.stream.step[self.at[behind - 1]]]) if behind else 0
        self.made.notes.append(
            {
                "kind": kind,
                "first": int(positions.min()),
                "last": int(positions.max()),
                "labels": len(some),
                "after": after,
            }
        )

    def read_by_anchor(self, positions: NDArray[np.int32]) -> bool:
        """Whether most of these numbers were read in their place as well."""
        steps = self.stream.step[self.at]
        own = self.seen.number[self.stream.index[self.at]]
        return bool(len(steps)) and bool(np.isin(positions, own).mean() > 0.5)

    def _note_running(self) -> None:
        stream, lanes = self.stream, self.stream.running.lanes
        kinds = []
        if stream.running.back:
            kinds.append("reversed")
        if len(lanes) > 1 and lanes == tuple(sorted(lanes, reverse=True)):
            kinds.append("mirrored")
        elif lanes != tuple(sorted(lanes)):
            kinds.append("lanes_swapped")
        camera = int(self.seen.lane[stream.index[0]]) if stream.alone and len(stream.index) else 0
        if camera and camera != lanes[0]:
            kinds.append("lane_elsewhere")
        for kind in kinds:
            note: dict[str, object] = {"kind": kind}
            if kind != "reversed":  # the whole web runs one way
                note |= {"lanes": list(lanes), "camera": camera}
            if note not in self.made.notes:
                self.made.notes.append(note)

    # -- between two anchors ---------------------------------------------------------------

    def _between(self, one: int, other: int, step: int, next_step: int) -> int:
        """Judge what stands between two readings; gives readings too many, or too few (< 0)."""
        labels = self._labels(step + 1, next_step)
        readings = self._readings(one + 1, other, step + 1, next_step)
        if not len(labels) and not len(readings):
            return 0
        rows = None
        if len(readings) and one >= 0 and other < len(self.time) and self.tempo is not None:
            rows = self.tempo.units(self.time, readings, one, other, step, next_step)
        if rows is None:
            return self._by_count(labels, readings[~self.first_of_two[readings]], COUNT)
        own = self.tempo.unit(labels) if self.tempo else labels
        for unit in np.union1d(own, rows).tolist():
            self._by_count(labels[own == unit], readings[rows == unit], TIME)
        return 0

    def _labels(self, start: int, stop: int) -> NDArray[np.int64]:
        """Steps of the labels from start to stop - 1 whose number was not read anywhere."""
        positions = self.stream.position_of[max(start, 0) : max(stop, 0)]
        there = (positions > 0) & ~self.read[positions] & self.free[positions]
        return np.flatnonzero(there) + max(start, 0)

    def _readings(self, start: int, stop: int, step: int, next_step: int) -> NDArray[np.int64]:
        """Readings there that no other place accounts for.

        Numbers of this very stretch, read in the wrong order, account for themselves.
        """
        here = np.arange(start, stop)
        steps = self.stream.step[start:stop]
        own = ~self.of_two[start:stop] & ~self.out_of_time[start:stop]
        shuffled = (steps >= step) & (steps < next_step) & own
        loose: NDArray[np.int64] = here[~self.used[start:stop] & ~shuffled]
        return loose

    def _by_count(
        self, labels: NDArray[np.int64], readings: NDArray[np.int64], evidence: int
    ) -> int:
        positions = self.stream.position_of[labels]
        many, few = len(readings), len(positions)
        if not few:
            self.used[readings] = True
            return int((self.stream.step[readings] < 0).sum())
        if not many:
            self.made.unseen += positions.tolist()
            return -few
        if many < few:
            self.made.groups.append(Group(tuple(sorted(positions.tolist())), many))
            self._note_strange(readings, positions)
            return 0
        if many > few:
            # Readings too many: keep those that show something wrong before the unread ones.
            weight = np.where(self._tells(readings), 0, 1)
            readings = np.sort(readings[np.argsort(weight, kind="stable")[:few]])
        index = self.stream.index[readings]
        self.made.place[index] = positions
        self.made.evidence[index] = evidence
        self.used[readings] = True
        return 0

    def _tells(self, readings: NDArray[np.int64]) -> NDArray[np.bool_]:
        index = self.stream.index[readings]
        return self.seen.strange[index] | (self.seen.number[index] > 0)

    def _note_strange(self, readings: NDArray[np.int64], positions: NDArray[np.int32]) -> None:
        strange = int(self.seen.strange[self.stream.index[readings]].sum())
        if strange:
            self.made.notes.append(
                {
                    "kind": "strange_code",
                    "first": int(positions.min()),
                    "last": int(positions.max()),
                    "labels": strange,
                }
            )

    def _doubt(self, balance: NDArray[np.int64], at: NDArray[np.int64]) -> None:
        """A reading too many, then at most as many labels, then one too few: an unread label
        may have changed places with those between."""
        behind: list[int] = []
        over = np.flatnonzero(balance > 0).tolist()
        under = np.flatnonzero(balance < 0)
        for gap in over:
            near = under[(under > gap) & (under - gap <= balance[gap])]
            for short in near.tolist():
                if short - gap <= -balance[short]:
                    behind += range(gap + 1, short + 1)
            near = under[(under < gap) & (gap - under <= balance[gap])]
            for short in near.tolist():
                if gap - short <= -balance[short]:
                    behind += range(short + 1, gap + 1)
        inside = [int(at[one]) for one in behind if 0 <= at[one] < len(self.stream.index)]
        self.made.doubtful += self.seen.number[self.stream.index[inside]].tolist()

    # -- before the first and behind the last anchor ---------------------------------------

    def _edges(self, span: tuple[int, int] | None) -> None:
        """Unread readings beyond the labels read: the next free labels, if they suffice."""
        step = self.stream.step[self.at]
        first, last = int(step[0]), int(step[-1])
        if span is not None:
            first, last = span
        before = self._loose(0, int(self.at[0]))
        after = self._loose(int(self.at[-1]) + 1, len(self.stream.index))
        self._beyond(before, self._free_run(first - 1, -1, len(before)), int(self.at[0]))
        self._beyond(after, self._free_run(last + 1, 1, len(after)), int(self.at[-1]))

    def _loose(self, start: int, stop: int) -> NDArray[np.int64]:
        here = np.arange(start, stop)
        unplaced = self.made.place[self.stream.index[here]] == 0
        loose: NDArray[np.int64] = here[~self.used[start:stop] & unplaced]
        return loose

    def _free_run(self, step: int, by: int, wanted: int) -> NDArray[np.int64]:
        """Steps of the next labels from `step` on that are free, up to the next that is not."""
        found: list[int] = []
        positions = self.stream.position_of
        while 0 <= step < len(positions) and len(found) < wanted + EDGE and wanted:
            position = positions[step]
            if not position or self.read[position] or not self.free[position]:
                break
            found.append(step)
            step += by
        return np.array(sorted(found), dtype=np.int64)

    def _beyond(self, readings: NDArray[np.int64], labels: NDArray[np.int64], near: int) -> None:
        if not len(readings) or not len(labels):
            return
        if self.tempo is not None:
            units = self.tempo.beyond(self.time, readings, near, int(self.stream.step[near]))
            if units is not None:
                own = self.tempo.unit(labels)
                for unit in np.unique(units).tolist():
                    self._by_count(labels[own == unit], readings[units == unit], TIME)
                return
        self._by_count(labels, readings, COUNT)
