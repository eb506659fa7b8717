"""Packed detail: what goes in comes out, and lies in the bytes as the text says."""

from __future__ import annotations

import hashlib
import struct

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules import gs1, parts
from serialkeeper.rules.findings import ORDER
from serialkeeper.rules.parts import Finding, States

SET_82 = "".join(sorted(gs1.SET_82))
firsts = st.integers(1, 2**31 - 20_000)
rows = st.lists(
    st.tuples(
        st.sampled_from("aivcrRxd."),
        st.sampled_from("rptc."),
        st.integers(0, 255),
        st.integers(0, 2**63 - 1),
    ),
    max_size=40,
)
findings = st.builds(
    Finding,
    position=st.integers(1, 2**31),
    word=st.sampled_from(ORDER),
    seen=st.text(st.characters(exclude_categories=("Cs",)), max_size=200),
    detail=st.text(st.characters(exclude_categories=("Cs",)), max_size=60),
)


@given(firsts, st.lists(st.text(SET_82, min_size=1, max_size=20), max_size=40))
def test_serials_round_trip(first: int, numbers: list[str]) -> None:
    """Numbers lie in position order, a line feed after each, and come out so."""
    data = "".join(number + "\n" for number in numbers).encode()
    part = parts.pack_serials(first, data)
    assert (part.kind, part.first, part.count) == ("serials", first, len(numbers))
    assert parts.unpack_serials(part.data) == numbers


@given(firsts, rows)
def test_states_round_trip(first: int, made: list[tuple[str, str, int, int]]) -> None:
    """The four columns come out as they went in."""
    letters, evidence, grades, times = zip(*made, strict=True) if made else ((), (), (), ())
    states = States(
        first,
        np.array([ord(letter) for letter in letters], dtype=np.uint8),
        np.array([ord(letter) for letter in evidence], dtype=np.uint8),
        np.array(grades, dtype=np.uint8),
        np.array(times, dtype=np.int64),
    )
    part = parts.pack_states(states)
    assert (part.kind, part.first, part.count) == ("states", first, len(made))
    back = parts.unpack_states(part.first, part.count, part.data)
    assert back.first == first
    assert bytes(back.state).decode() == "".join(letters)
    assert bytes(back.evidence).decode() == "".join(evidence)
    assert back.grade.tolist() == list(grades)
    assert back.time.tolist() == list(times)


@given(firsts, rows)
def test_states_lie_as_the_text_says(first: int, made: list[tuple[str, str, int, int]]) -> None:
    """A reader written from the text alone, with struct, finds the same columns."""
    count = len(made)
    data = (
        "".join(row[0] for row in made).encode()
        + "".join(row[1] for row in made).encode()
        + bytes(row[2] for row in made)
        + struct.pack(f"<{count}q", *(row[3] for row in made))
    )
    states = parts.unpack_states(first, count, data)
    assert parts.pack_states(states).data == data
    assert len(data) == 11 * count


@given(firsts, st.lists(findings, max_size=8))
def test_findings_round_trip(first: int, made: list[Finding]) -> None:
    """Findings come out as they went in, whatever sign the camera sent."""
    part = parts.pack_findings(first, 10_000, made)
    assert (part.kind, part.first, part.count) == ("findings", first, 10_000)
    assert parts.unpack_findings(part.data) == made


@given(st.binary(max_size=200))
def test_an_entry_names_the_hash_of_a_part(data: bytes) -> None:
    """The reference in the entry is SHA-256 of the part's exact bytes (FIPS 180-4)."""
    part = parts.Part("states", 10_001, 3, data)
    assert part.ref().sha256 == hashlib.sha256(data).hexdigest()
    assert part.ref().block == 1
