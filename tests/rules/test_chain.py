"""The journal's form and its chain: canonical bytes, and every single fault is found."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Damaged
from serialkeeper.rules import chain
from serialkeeper.rules.chain import Entry, Part

LARGEST = 2**53 - 1
texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
keys = st.text(st.characters(max_codepoint=127), max_size=6)
scalars = st.none() | st.booleans() | st.integers(-LARGEST, LARGEST) | texts
plain = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=12,
)
parts = st.builds(
    Part,
    kind=st.sampled_from(("serials", "states", "findings")),
    first=st.integers(1, 10_000_000),
    count=st.integers(1, 10_000),
    data=st.binary(max_size=20),
)
entries = st.builds(
    Entry,
    chain=st.just(7),
    seq=st.just(0),
    verb=st.sampled_from(("allocated", "taken", "voided")),
    at=st.just("2026-01-31T08:00:00.250Z"),
    offset=st.sampled_from((0, 60, -330, 120)),
    person=texts,
    role=texts,
    second=texts,
    station=texts,
    reason=texts,
    data=st.dictionaries(keys, plain, max_size=3),
    parts=st.lists(parts.map(Part.ref), max_size=2).map(tuple),
)
Stored = tuple[int, bytes, bytes]


def stored(made: list[Entry]) -> list[Stored]:
    """A sound chain of these entries, hashed here with hashlib alone."""
    previous = bytes(32)
    rows = []
    for seq, entry in enumerate(made, 1):
        body = replace(entry, seq=seq).body()
        previous = hashlib.sha256(previous + body).digest()
        rows.append((seq, body, previous))
    return rows


def broken(rows: list[Stored], *, count: int, head: bytes) -> bool:
    """Whether the check finds a fault, in words or by finding an entry damaged."""
    try:
        return chain.first_broken(7, rows, count=count, head=head) is not None
    except Damaged:
        return True


def by_the_rules(value: Any) -> bytes:
    """RFC 8785 on values without floats and with ASCII keys: sorted keys, no spaces, UTF-8.

    Python's own json writes strings as RFC 8785 section 3.2.2.2 asks.
    """
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode()


@given(plain)
@example({"b": [True, None, {"": ""}], "a": '\x00\x1f\b\t\n\f\r"\\/\x7f\u2028é😀', "A": LARGEST})
@example({"a": 1, "aa": 2, "a\x00": 3, "_": 4, "B": -LARGEST})
def test_canonical_form_is_that_of_rfc_8785(value: Any) -> None:
    """Our bytes are those of a plain JSON writer with sorted keys and no spaces (RFC 8785)."""
    assert chain.canonical(value) == by_the_rules(value)


@given(plain)
def test_canonical_form_reads_back(value: Any) -> None:
    """What is written is read back as the same value, and written again as the same bytes."""
    written = chain.canonical(value)
    assert json.loads(written) == value
    assert chain.canonical(json.loads(written)) == written


def test_the_worked_example_of_the_rfc() -> None:
    """The string of RFC 8785 section 3.2.2 comes out as printed there (section from memory)."""
    value = {"string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/", "literals": [None, True]}
    expected = '{"literals":[null,true],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    assert chain.canonical(value) == expected.encode()


@pytest.mark.parametrize(
    "value",
    [
        1.0,
        float("nan"),
        2**53,
        -(2**53),
        10**30,
        b"bytes",
        {1: "number key"},
        {"é": "key outside ASCII"},
        {None: 1},
        {"a", "b"},
        object(),
        "\ud800",
    ],
)
@pytest.mark.parametrize("wrap", [lambda v: v, lambda v: [v], lambda v: {"a": [{"b": v}]}])
def test_what_the_restriction_excludes_is_refused(value: Any, wrap: Any) -> None:
    """Floats, numbers from 2^53, keys outside ASCII and other objects stay out, at any depth."""
    with pytest.raises(TypeError):
        chain.canonical(wrap(value))


@given(st.lists(entries, min_size=1, max_size=4))
@settings(deadline=None, max_examples=60)
def test_entries_read_back(made: list[Entry]) -> None:
    """An entry's bytes hold all of it, and its form is canonical."""
    for seq, body, _ in stored(made):
        assert chain.parse(body) == replace(made[seq - 1], seq=seq)
        assert by_the_rules(json.loads(body)) == body


@given(st.lists(entries, max_size=5))
@settings(deadline=None, max_examples=60)
def test_a_sound_chain_is_sound(made: list[Entry]) -> None:
    """Hashed by FIPS 180-4's SHA-256 over the hash before and the bytes, a chain has no fault."""
    rows = stored(made)
    head = rows[-1][2] if rows else chain.START
    assert chain.first_broken(7, rows, count=len(rows), head=head) is None
    for before, (_, body, digest) in zip([chain.START, *(r[2] for r in rows)], rows, strict=False):
        assert chain.link(before, body) == digest


PLAIN = Entry(7, 0, "taken", "2026-01-31T08:00:00.250Z", 120, "Ada", "", "", "line 1", "")


@given(st.lists(entries, min_size=1, max_size=5), st.data())
@settings(deadline=None, max_examples=150)
def test_a_changed_byte_is_found(made: list[Entry], data: st.DataObject) -> None:
    """Any one byte of any entry or hash, changed to anything else, shows."""
    rows = stored(made)
    head = rows[-1][2]
    at = data.draw(st.integers(0, len(rows) - 1))
    seq, body, digest = rows[at]
    change = data.draw(st.integers(1, 255))
    if data.draw(st.booleans()):
        place = data.draw(st.integers(0, len(body) - 1))
        body = body[:place] + bytes([body[place] ^ change]) + body[place + 1 :]
    else:
        place = data.draw(st.integers(0, 31))
        digest = digest[:place] + bytes([digest[place] ^ change]) + digest[place + 1 :]
    rows[at] = (seq, body, digest)
    assert broken(rows, count=len(rows), head=head)


@pytest.mark.parametrize("place", range(len(replace(PLAIN, seq=1).body())))
def test_no_changed_byte_makes_the_check_stumble(place: int) -> None:
    """Whatever a byte of an entry is changed to, the check says so in its own words."""
    [(seq, body, digest)] = stored([PLAIN])
    for other in range(256):
        if other != body[place]:
            changed = body[:place] + bytes([other]) + body[place + 1 :]
            assert broken([(seq, changed, digest)], count=1, head=digest)


@given(st.lists(entries, min_size=1, max_size=6), st.data())
@settings(deadline=None, max_examples=60)
def test_missing_swapped_doubled_and_cut_entries_are_found(
    made: list[Entry], data: st.DataObject
) -> None:
    """No entry can be taken out, moved, doubled or cut off the end."""
    rows = stored(made)
    head, count = rows[-1][2], len(rows)
    at = data.draw(st.integers(0, count - 1))
    assert broken(rows[:at] + rows[at + 1 :], count=count, head=head)
    assert broken(rows[:at], count=count, head=head)
    assert broken(rows[: at + 1] + rows[at:], count=count, head=head)
    if count > 1:
        other = (at + 1) % count
        swapped = list(rows)
        swapped[at], swapped[other] = swapped[other], swapped[at]
        assert broken(swapped, count=count, head=head)


@given(st.lists(entries, min_size=1, max_size=6), entries, st.data())
@settings(deadline=None, max_examples=60)
def test_an_inserted_entry_is_found(made: list[Entry], more: Entry, data: st.DataObject) -> None:
    """An entry put in is found, even if it and all after it are numbered and hashed anew."""
    rows = stored(made)
    head, count = rows[-1][2], len(rows)
    at = data.draw(st.integers(0, count))
    forged = stored([*made[:at], more, *made[at:]])
    assert broken(forged, count=count, head=head)
    assert broken([*rows[:at], forged[at], *rows[at:]], count=count, head=head)
    # The head row was moved too, but it names a hash that the forger could not know.
    assert broken(forged, count=count + 1, head=head)


@given(st.lists(entries, min_size=2, max_size=6), st.data())
@settings(deadline=None, max_examples=60)
def test_a_tail_cut_with_its_count_is_found(made: list[Entry], data: st.DataObject) -> None:
    """Cutting the tail and lowering the count still leaves the head's hash wrong."""
    rows = stored(made)
    left = data.draw(st.integers(0, len(rows) - 1))
    assert broken(rows[:left], count=left, head=rows[-1][2])


@given(st.lists(entries, min_size=1, max_size=3))
@settings(deadline=None, max_examples=60)
def test_entries_of_another_chain_are_found(made: list[Entry]) -> None:
    """A sound chain put in the place of another lot's is found."""
    rows = stored(made)
    assert chain.first_broken(8, rows, count=len(rows), head=rows[-1][2]) is not None


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"null",
        b"5",
        b"[]",
        b"[5]",
        b"{}",
        b'{"parts":[]}',
        b'{"parts":5}',
        PLAIN.body()[:-1],
        PLAIN.body() + b" ",
        b" " + PLAIN.body(),
        PLAIN.body().replace(b'"seq":0', b'"seq":0.0'),
        PLAIN.body().replace(b'"seq":0', b'"seq":99999999999999999999'),
        PLAIN.body().replace(b'"data":{}', b'"data":[5]'),
        PLAIN.body().replace(b'"data":{}', b'"data":{"a":1.5}'),
        PLAIN.body().replace(b'"data":{}', '"data":{"é":1}'.encode()),
        PLAIN.body().replace(b'"at":"2026-01-31T08:00:00.250Z"', b'"at":20260131'),
        PLAIN.body().replace(b".250Z", b"Z"),
        PLAIN.body().replace(b'"seq":0', b'"seq":0,"more":1'),
        PLAIN.body().replace(b'"chain":7,', b""),
        PLAIN.body().replace(b'"parts":[]', b'"parts":[5]'),
        PLAIN.body().replace(b'"parts":[]', b'"parts":{}'),
    ],
)
def test_what_is_no_entry_is_called_damaged(body: bytes) -> None:
    """Bytes that hold no canonical entry are the record's damage, never a fault of ours."""
    with pytest.raises(Damaged) as damage:
        chain.parse(body)
    assert damage.value.word == "chain_broken"


@given(st.integers(1, 10_000_000))
def test_blocks_hold_ten_thousand(position: int) -> None:
    """Positions 1 to 10,000 share block 0, the next 10,000 block 1, and so on."""
    assert chain.block_of(position) == len(range(10_001, position + 1, 10_000))
