"""The packed detail of up to 10,000 positions that belongs to a journal entry.

serials    the numbers in position order, a line feed after each (UTF-8)
states     four columns one after the other, each as long as the part's count:
           new state (one letter, `.` for unchanged), evidence (one letter),
           grade (one byte: tenths, 255 for not given), reading time (eight bytes,
           little-endian milliseconds since 1970, 0 for not given)
extras     what is printed with each number beside the usual elements, in position order, a line
           feed after each (`rules.imported`; UTF-8)
findings   JSON: a list of [position, word, seen, detail] or [..., together]
proofs     JSON: a list of [position, word, evidence, detail]
packs      for each position the id of the pack that the unit goes into, four bytes,
           little-endian, 0 for none
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import orjson
from numpy.typing import NDArray

from serialkeeper.rules.chain import Part

UNCHANGED = ord(".")
NO_GRADE = 255
NO_TIME = 0

EVIDENCE = {"r": "read", "p": "position", "t": "time", "c": "count", ".": None}
"""What told which label a reading belongs to: its own number read exactly, its reported
position, its time, or the count between neighbours."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong with one label.

    Attributes:
        position: the label's place in its lot's plan.
        word: one of `rules.findings.WORDS`.
        seen: what the camera sent, separators as `{GS}`; at most 200 characters.
        detail: one plain sentence.
        together: positions that the readings do not tell apart from this one and from each
            other, as `7 9-12`; empty where that is not the matter.
    """

    position: int
    word: str
    seen: str
    detail: str
    together: str = ""


@dataclass(frozen=True, slots=True)
class Presence:
    """What a further pass over a roll said of one label.

    Attributes:
        position: the label's place in its lot's plan.
        word: one of `rules.again.WORDS`.
        evidence: what tells it: `read`, `replaced`, `time`, `order` or empty.
        detail: one plain sentence.
    """

    position: int
    word: str
    evidence: str
    detail: str


def pack_serials(first: int, data: bytes) -> Part:
    """A part of numbers from their lines."""
    return Part("serials", first, data.count(b"\n"), data)


def pack_extras(first: int, data: bytes) -> Part:
    """A part of extras from their lines."""
    return Part("extras", first, data.count(b"\n"), data)


def unpack_serials(data: bytes) -> list[str]:
    """The numbers, or extras, of a part in position order."""
    return data.decode().split("\n")[:-1]


@dataclass(frozen=True, slots=True)
class States:
    """The columns of a `states` part; all arrays have the part's count as length.

    Attributes:
        first: first position.
        state: uint8, letters of `rules.moves.State`, or `UNCHANGED`.
        evidence: uint8, letters of `EVIDENCE`.
        grade: uint8, tenths, or `NO_GRADE`.
        time: int64, milliseconds since 1970 UTC, or `NO_TIME`.
    """

    first: int
    state: NDArray[np.uint8]
    evidence: NDArray[np.uint8]
    grade: NDArray[np.uint8]
    time: NDArray[np.int64]


def pack_states(states: States) -> Part:
    """A part from its columns."""
    data = (
        states.state.tobytes()
        + states.evidence.tobytes()
        + states.grade.tobytes()
        + states.time.astype("<i8").tobytes()
    )
    return Part("states", states.first, len(states.state), data)


def unpack_states(first: int, count: int, data: bytes) -> States:
    """The reverse of `pack_states`."""
    return States(
        first,
        np.frombuffer(data, np.uint8, count, 0),
        np.frombuffer(data, np.uint8, count, count),
        np.frombuffer(data, np.uint8, count, 2 * count),
        np.frombuffer(data, "<i8", count, 3 * count),
    )


def pack_findings(first: int, count: int, findings: list[Finding]) -> Part:
    """A part of findings for positions first .. first + count - 1."""
    rows = [[f.position, f.word, f.seen, f.detail, *filter(None, [f.together])] for f in findings]
    return Part("findings", first, count, orjson.dumps(rows))


def unpack_findings(data: bytes) -> list[Finding]:
    """The reverse of `pack_findings`."""
    return [Finding(*row) for row in orjson.loads(data)]


def pack_proofs(first: int, count: int, proofs: list[Presence]) -> Part:
    """A part of proofs for positions first .. first + count - 1."""
    rows = [[p.position, p.word, p.evidence, p.detail] for p in proofs]
    return Part("proofs", first, count, orjson.dumps(rows))


def pack_packs(first: int, packs: NDArray[np.int64]) -> Part:
    """A part of the packs that units go into, 0 for none."""
    return Part("packs", first, len(packs), packs.astype("<u4").tobytes())


def unpack_packs(data: bytes) -> NDArray[np.uint32]:
    """The pack that each unit of a part goes into, 0 for none."""
    return np.frombuffer(data, "<u4")


def unpack_proofs(data: bytes) -> list[Presence]:
    """The reverse of `pack_proofs`."""
    return [Presence(*row) for row in orjson.loads(data)]
