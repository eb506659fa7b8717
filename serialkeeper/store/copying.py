"""A record's journal on its way into another database, chain by chain and entry by entry.

Only the journal is copied: entries and parts byte by byte, kept files as they are kept. The tables
follow from it there, by the same rule and the same statements as where it was written. Lots come
first and the house last, all of it at once: so a copy that is not finished has no people and no
settings, and nobody can work on it. How far a chain has come is what its own head row says; so a
copy that was stopped goes on from there.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Generator, Iterator
from contextlib import closing
from typing import Any

from serialkeeper.errors import Damaged, Refused
from serialkeeper.rules.chain import HOUSE, Entry, LotKey, Part, PartRef, parse
from serialkeeper.rules.replay import KEEPING
from serialkeeper.store.failures import speaking_plainly
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import METADATA, Chain
from serialkeeper.store.verify import sound_part, verify
from serialkeeper.store.view import View

ENTRIES_AT_ONCE = 500
"""Entries in one transaction, at most."""

BYTES_AT_ONCE = 4_000_000
"""Bytes of parts after which a transaction takes no further entry."""

Seen = Callable[[int, int], None]
"""Is told after each transaction how many entries there are, and how many there will be."""

_Told = tuple[Entry, bytes, list[Part], Iterator[bytes]]
"""An entry, its hash, its parts, and the pieces of the file that it keeps."""


def copy_lots(source: Record, target: Record, seen: Seen) -> None:
    """Copy what the target lacks of the lots' chains, a bounded number of entries at a time.

    Refuses `record_exists` if what is there is not the beginning of this record, and raises
    Damaged at the first entry, part or kept file that is not what its hash says.
    """
    waiting, there, all_there = _behind(source, target)
    seen(there, all_there)
    while waiting:
        with target.work() as work:
            work.check_ours(named=False)
            room = _Room()
            while waiting and room.left:
                if copy_chain(source, work, waiting[0], room):
                    waiting.popleft()
        there += room.entries
        seen(there, all_there)


class _Room:
    """What still goes into a transaction."""

    def __init__(self) -> None:
        self.entries = 0
        self._bytes = 0

    def fill(self, parts: list[Part]) -> None:
        """One more entry."""
        self.entries += 1
        self._bytes += sum(len(part.data) for part in parts)

    @property
    def left(self) -> bool:
        """Whether another entry goes in."""
        return self.entries < ENTRIES_AT_ONCE and self._bytes < BYTES_AT_ONCE


def copy_chain(source: Record, work: Work, key: LotKey, room: _Room | None = None) -> bool:
    """Append what a chain of the target lacks, as far as there is room; whether that was all."""
    if work.find_chain(key):
        work.lock((key,))
    else:
        work.open_chain(key)
    with closing(_lacking(source, key, work.length(key))) as lacking:
        for entry, own_hash, parts, pieces in lacking:
            if room and not room.left:
                return False
            if (entry.chain, entry.seq) != (key.lot_id, work.length(key) + 1):
                raise _altered(key, entry, "another place in the chain")
            if entry.verb in KEEPING:
                work.keep_pieces(key, entry.data["sha256"], _checked(pieces, key, entry))
            work.append(key, entry, parts)
            if work.head(key) != own_hash.hex():
                raise _altered(key, entry, "another hash")
            if room:
                room.fill(parts)
    return True


def _lacking(source: Record, key: LotKey, after: int) -> Generator[_Told]:
    """A chain's entries after one, and all that belongs to them, one at a time."""
    with source.read() as view:
        for _, body, own_hash in view.stored_entries(key, after=after):
            entry = parse(body)
            parts = [_part(view, key, entry, ref) for ref in entry.parts]
            sha256 = entry.data["sha256"] if entry.verb in KEEPING else ""
            yield entry, own_hash, parts, _pieces(source.url, view, key, sha256)


def _part(view: View, key: LotKey, entry: Entry, ref: PartRef) -> Part:
    return Part(ref.kind, ref.first, ref.count, sound_part(view, key, entry, ref))


def _pieces(url: str, view: View, key: LotKey, sha256: str) -> Iterator[bytes]:
    """A kept file's pieces; whoever uses them stands in a transaction of the other record."""
    with speaking_plainly(url):
        for _, piece in view.packed_original(key, sha256):
            yield piece


def _checked(pieces: Iterator[bytes], key: LotKey, entry: Entry) -> Iterator[bytes]:
    """The pieces; raises Damaged at the end if they are not the ones that were kept."""
    digest = hashlib.sha256()
    for piece in pieces:
        digest.update(piece)
        yield piece
    if digest.hexdigest() != entry.data["packed"]:
        raise Damaged(
            "original_differs",
            "A kept results file is not the one that was taken.",
            where=f"lot {key.lot_id}, entry {entry.seq}, {entry.data['name']}",
            expected=f"pieces with SHA-256 {entry.data['packed']}",
            came=digest.hexdigest(),
            remedy=_REMEDY,
        )


def _behind(source: Record, target: Record) -> tuple[deque[LotKey], int, int]:
    """The lots' chains of which the target lacks entries; how many entries it has, and will have.

    Refuses `record_exists`.
    """
    with source.read() as view, target.read() as other:
        chains = {_key(chain): chain for chain in view.chains()}
        there = {_key(chain): chain for chain in other.chains()}
        for key, chain in there.items():
            _check_beginning(view, chains.get(key), chain, target.url)
    del chains[HOUSE]
    waiting = deque(
        key
        for key, chain in sorted(chains.items())
        if key not in there or there[key].count < chain.count
    )
    done = sum(chain.count for chain in there.values())
    return waiting, done, sum(chain.count for chain in chains.values())


def _check_beginning(view: View, ours: Chain | None, theirs: Chain, url: str) -> None:
    """Refuses `record_exists` for a chain that is not the beginning of ours."""
    if ours and theirs.count <= ours.count:
        if theirs.count == 0:
            return
        if view.hash_at(_key(theirs), theirs.count) == theirs.head:
            return
    raise Refused(
        "record_exists",
        "What is at that place is not the beginning of a copy of this record.",
        where=url,
        expected="an empty place, or the beginning of a copy of this record",
        came=f"{theirs.count} other entries in the chain of lot {theirs.lot_id}",
        remedy="Choose an empty place; nothing is ever overwritten.",
    )


def copy_house(source: Record, work: Work) -> dict[str, Any]:
    """Copy the house chain, then check all that is there as `record verify` does.

    Raises Damaged at the first fault; then the copy has no house chain, as before.

    Returns:
        How many chains, entries, parts and labels there are, and one SHA-256 over all heads.
    """
    copy_chain(source, work, HOUSE)
    with source.read() as view:
        for kept in view.credentials():
            work.keep_credential(kept.person, kept.data)
        for pin in view.pins():
            work.keep_credential(pin.person, pin.data, pin=True)
        heads = [_head(chain) for chain in view.chains()]
    if [_head(chain) for chain in work.chains()] != heads:
        raise Damaged(
            "table_differs",
            "The copy's heads are not those of the record.",
            where="chain table",
            expected=f"{len(heads)} equal heads",
            came="others",
            remedy="Copy into an empty place.",
        )
    checked = verify(work)
    return {
        "chains": checked["chains"],
        "entries": checked["entries"],
        "parts": checked["parts"],
        "labels": work.count_rows(METADATA.tables["label"]),
        "heads": hashlib.sha256("\n".join(heads).encode()).hexdigest(),
    }


def _head(chain: Chain) -> str:
    return f"{chain.product_id} {chain.lot_id} {chain.count} {chain.head.hex()}"


def _key(chain: Chain) -> LotKey:
    return LotKey(chain.product_id, chain.lot_id)


def _altered(key: LotKey, entry: Entry, came: str) -> Damaged:
    return Damaged(
        "chain_broken",
        f"The journal was altered: entry {entry.seq} ({entry.verb}) is not what follows.",
        where=f"chain {key.lot_id}, entry {entry.seq}",
        expected="an unbroken chain",
        came=came,
        remedy=_REMEDY,
    )


_REMEDY = "Nothing is copied from here on. Check the record that is copied: record verify."
