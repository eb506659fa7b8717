"""The journal's form: canonical entries, their hashes, and the first broken link.

An entry's bytes are canonical JSON (RFC 8785, restricted to ASCII keys, no floats and
integers below 2^53 in size). Its hash is SHA-256 over the previous hash and the bytes, so
that a changed, missing, swapped or added entry shows. A part is packed detail of up to
10,000 positions; the entry holds the part's SHA-256.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from serialkeeper.errors import Damaged

BLOCK = 10_000
"""Positions that share a part."""

START = bytes(32)
"""What stands before the first entry of a chain."""


@dataclass(frozen=True, slots=True, order=True)
class LotKey:
    """Which lot a chain belongs to; the first part of every key of its rows."""

    product_id: int
    lot_id: int

    def row(self) -> dict[str, int]:
        """The key as columns."""
        return {"product_id": self.product_id, "lot_id": self.lot_id}


HOUSE = LotKey(0, 0)
"""The chain of people, products and everything else that belongs to no lot."""

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


@dataclass(frozen=True, slots=True)
class PartRef:
    """Where an entry's packed detail lies and what it hashes to.

    Attributes:
        kind: `serials`, `extras`, `states`, `findings`, `proofs` or `packs`.
        first: first position.
        count: positions covered.
        sha256: hex digest of the part's exact bytes.
    """

    kind: str
    first: int
    count: int
    sha256: str

    @property
    def block(self) -> int:
        """The block of 10,000 positions that the part belongs to."""
        return block_of(self.first)


@dataclass(frozen=True, slots=True)
class Part:
    """A part and its bytes."""

    kind: str
    first: int
    count: int
    data: bytes

    def ref(self) -> PartRef:
        """What an entry says of this part."""
        return PartRef(self.kind, self.first, self.count, hashlib.sha256(self.data).hexdigest())


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal.

    Attributes:
        chain: 0 for the house, otherwise the lot's id.
        seq: 1, 2, 3, ... within the chain.
        verb: what happened, past tense.
        at: UTC, RFC 3339 with milliseconds.
        offset: minutes east of UTC at the station.
        person: who did it, by name.
        role: in which role.
        second: who confirmed it, or empty.
        station: where.
        reason: why, or empty.
        data: what; plain JSON values without floats.
        parts: packed detail.
        token: the token that a script wrote it with, 0 for a person.
    """

    chain: int
    seq: int
    verb: str
    at: str
    offset: int
    person: str
    role: str
    second: str
    station: str
    reason: str
    data: Mapping[str, Any] = field(default_factory=dict)
    parts: tuple[PartRef, ...] = ()
    token: int = 0

    def body(self) -> bytes:
        """The exact bytes that are kept and hashed."""
        return canonical(self.told())

    def told(self) -> dict[str, Any]:
        """What the bytes tell."""
        return {
            "at": self.at,
            "chain": self.chain,
            "data": dict(self.data),
            "offset": self.offset,
            "parts": [
                {"count": p.count, "first": p.first, "kind": p.kind, "sha256": p.sha256}
                for p in self.parts
            ],
            "person": self.person,
            "reason": self.reason,
            "role": self.role,
            "second": self.second,
            "seq": self.seq,
            "station": self.station,
            "verb": self.verb,
            **({"token": self.token} if self.token else {}),
        }


def written(moment: datetime) -> str:
    """A moment as entries tell it: UTC, RFC 3339 with milliseconds."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


class Clocks:
    """Where a station's clock was set back between two of its entries in one chain.

    Nothing else shows in a record: a clock set forward looks like a pause, until it is set right.

    Attributes:
        back: how many entries are earlier than the one before them by a second or more.
        most: by how many seconds, at most.
        where: the first of them; empty if there is none.
    """

    def __init__(self) -> None:
        self.back = self.most = 0
        self.where = ""
        self._last: dict[tuple[LotKey, str], str] = {}

    def read(self, key: LotKey, entry: Entry) -> None:
        """The next entry of a chain."""
        before = self._last.get((key, entry.station), "")
        self._last[key, entry.station] = entry.at
        if entry.at >= before:
            return
        apart = datetime.fromisoformat(before) - datetime.fromisoformat(entry.at)
        if apart >= timedelta(seconds=1):
            self.back += 1
            self.most = max(self.most, int(apart.total_seconds()))
            chain = "house" if key == HOUSE else f"lot {key.lot_id}"
            self.where = self.where or f"{chain}, entry {entry.seq}, station {entry.station}"

    def describe(self) -> dict[str, Any]:
        """As plain data."""
        return {"entries": self.back, "seconds": self.most, "first": self.where or None}


def block_of(position: int) -> int:
    """The block that a position belongs to, 0-based."""
    return (position - 1) // BLOCK


def canonical(value: Any) -> bytes:
    """Canonical JSON bytes (RFC 8785 on our restricted values).

    Raises TypeError for what the restriction excludes.
    """
    _check_plain(value)
    return orjson.dumps(value, option=orjson.OPT_SORT_KEYS)


def _check_plain(value: Any) -> None:
    match value:
        case None | bool() | str():
            return
        case int():
            if abs(value) >= 2**53:
                raise TypeError(f"{value} is too large for the journal")
        case list() | tuple():
            for item in value:
                _check_plain(item)
        case dict():
            for key, item in value.items():
                if not (isinstance(key, str) and key.isascii()):
                    raise TypeError(f"{key!r} cannot be a key in the journal")
                _check_plain(item)
        case _:
            raise TypeError(f"{type(value).__name__} cannot stand in the journal")


_WORD = re.compile(rb'"[^"\\]*"')
_PERHAPS_NOT_PLAIN = re.compile(rb"[0-9][.eE]|[0-9]{16}|\\")


def _rendered(entry: Entry, body: bytes) -> bytes:
    """An entry that was read from these bytes, as canonical JSON. Its values are looked at one by
    one only where the bytes leave it open whether each is plain: with a number that is long or has
    a fraction, an escape, or signs beyond ASCII."""
    if body.isascii() and not _PERHAPS_NOT_PLAIN.search(_WORD.sub(b"", body)):
        return orjson.dumps(entry.told(), option=orjson.OPT_SORT_KEYS)
    return entry.body()


def parse(body: bytes) -> Entry:
    """The entry that these bytes hold; raises Damaged if they hold none."""
    try:
        raw = orjson.loads(body)
        entry = Entry(
            **{name: raw[name] for name in raw if name != "parts"},
            parts=tuple(PartRef(**part) for part in raw["parts"]),
        )
        canonical_form = _rendered(entry, body) == body and bool(_TIME.fullmatch(entry.at))
        names = (entry.verb, entry.person, entry.role, entry.second, entry.station, entry.reason)
        canonical_form &= all(isinstance(name, str) for name in names)
        numbers = (entry.chain, entry.seq, entry.offset, entry.token)
        canonical_form &= all(type(number) is int for number in numbers)
    except (ValueError, TypeError, LookupError, AttributeError) as error:
        raise _damaged("A journal entry is not readable.", "", str(error)) from None
    if not canonical_form:
        where = f"chain {entry.chain}, entry {entry.seq}"
        raise _damaged("A journal entry is not in its canonical form.", where, "other bytes")
    return entry


def _damaged(message: str, where: str, came: str) -> Damaged:
    return Damaged(
        "chain_broken",
        message,
        where=where,
        expected="canonical JSON",
        came=came,
        remedy="Restore the record from a verified backup; keep this one as evidence.",
    )


def link(previous: bytes, body: bytes) -> bytes:
    """The hash of an entry that follows `previous` (FIPS 180-4, SHA-256)."""
    return hashlib.sha256(previous + body).digest()


def first_broken(
    chain: int, stored: Iterable[tuple[int, bytes, bytes]], *, count: int, head: bytes
) -> str | None:
    """What is wrong with a chain, in words, or None.

    Args:
        chain: the chain's id.
        stored: (seq, body, hash) of each entry in order.
        count: how many entries the head row names.
        head: the last hash the head row names.
    """
    previous, expected = START, 1
    for seq, body, stored_hash in stored:
        if seq != expected:
            return f"entry {expected} is missing (entry {seq} follows)"
        try:
            entry = parse(body)
        except Damaged as damaged:
            return f"entry {seq} cannot be read: {damaged.came}"
        if (entry.chain, entry.seq) != (chain, seq):
            return f"entry {seq} says it is entry {entry.seq} of chain {entry.chain}"
        previous = link(previous, body)
        if previous != stored_hash:
            return f"entry {seq} ({entry.verb}) does not match its hash"
        expected += 1
    if expected - 1 != count:
        return f"the chain has {expected - 1} entries, its head row names {count}"
    if previous != head:
        return "the last entry is not the one that the head row names"
    return None
