"""Does the record still say what its journal says?

Four questions, in order: are the chains unbroken; are all parts there, unaltered and
no more of them; do the kept originals hash to what their entries name, and do the entries bear
their signatures; and does replaying the journal give exactly the tables.
"""

from __future__ import annotations

import hashlib
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np

from serialkeeper.errors import Damaged
from serialkeeper.rules import changes, replay
from serialkeeper.rules.chain import (
    BLOCK,
    HOUSE,
    Clocks,
    Entry,
    LotKey,
    PartRef,
    first_broken,
    parse,
)
from serialkeeper.rules.moves import LEGAL, State
from serialkeeper.rules.parts import (
    UNCHANGED,
    unpack_findings,
    unpack_proofs,
    unpack_serials,
    unpack_states,
)
from serialkeeper.rules.progress import Counted
from serialkeeper.rules.signatures import Signers
from serialkeeper.store import counting
from serialkeeper.store.bulk import Rows
from serialkeeper.store.journal import unpacked
from serialkeeper.store.tables import METADATA, MODELS
from serialkeeper.store.verify_credentials import check_credentials
from serialkeeper.store.verify_packs import REMEDY, Contents, differs
from serialkeeper.store.view import View

_BLOCKS = ("label", "extra", "packed")  # compared block by block
_LOT_TABLES = frozenset(
    name
    for model in MODELS
    if model.__dict__.get("kind") == "replayed"
    and (name := str(model.__tablename__)) not in _BLOCKS
    and (name == "lot" or "lot_id" in METADATA.tables[name].c)
) | {"label_count"}
"""Small tables whose rows belong to lots."""


def sound_part(view: View, key: LotKey, entry: Entry, ref: PartRef) -> bytes:
    """The bytes of one part; raises Damaged if they are not what the entry names."""
    data = view.part(key, entry.seq, ref)
    if data is None or hashlib.sha256(data).hexdigest() != ref.sha256:
        raise Damaged(
            "chain_broken",
            "A part of the journal is missing." if data is None else "A part was altered.",
            where=f"chain {entry.chain}, entry {entry.seq}, {ref.kind} from position {ref.first}",
            expected=f"SHA-256 {ref.sha256}",
            came="nothing" if data is None else f"SHA-256 {hashlib.sha256(data).hexdigest()}",
            remedy=REMEDY,
        )
    return data


class Replay:
    """The tables as the journal tells them, built entry by entry.

    Small tables are dictionaries by primary key; labels are one state letter each. A lot's rows
    are compared when the end of its chain is reached.
    """

    def __init__(self, view: View, seen: Counted | None = None) -> None:
        self.view, self.seen, self.done, self.of = view, seen, 0, 0
        self.tables: dict[str, dict[tuple[Any, ...], dict[str, Any]]] = {
            str(model.__tablename__): {}
            for model in MODELS
            if model.__dict__.get("kind") == "replayed"
        }
        for name in _BLOCKS:
            del self.tables[name]
        self.contents = Contents(view)
        self.letters = bytearray()
        self.found: dict[int, list[dict[str, Any]]] = {}
        self.extras: list[PartRef] = []
        self.compared = Counter(dict.fromkeys((*self.tables, *_BLOCKS, "label_count"), 0))
        self.entries = 0
        self.parts = 0
        self.pieces = 0
        self.bytes = 0
        self.house: set[str] = set()
        self.closings: set[tuple[int, str]] = set()
        self.signers = Signers()
        self.clocks = Clocks()

    def step(self) -> None:
        """One entry, or one block of labels, is done."""
        self.done += 1
        if self.seen:
            self.seen(self.done, self.of)

    def follow(self, chain: LotKey) -> None:
        """Check one chain and carry out its entries; the house comes first."""
        head = self.view.chain(chain)
        stored = self._carried(chain, self.view.stored_entries(chain))
        broken = first_broken(chain.lot_id, stored, count=head.count, head=head.head)
        if broken:
            raise Damaged(
                "chain_broken",
                f"The journal was altered: {broken}.",
                where=f"chain {chain.lot_id}" + (" (house)" if chain == HOUSE else ""),
                expected="an unbroken chain",
                came=broken,
                remedy=REMEDY,
            )
        self.entries += head.count

    def _carried(
        self, key: LotKey, stored: Iterator[tuple[int, bytes, bytes]]
    ) -> Iterator[tuple[int, bytes, bytes]]:
        """Passes entries on to the chain's check and carries out each one found sound."""
        previous: tuple[int, bytes, bytes] | None = None
        for row in stored:
            if previous is not None:
                self._carry_out(key, parse(previous[1]), previous[2].hex())
            yield row
            previous = row
        if previous is not None:
            self._carry_out(key, parse(previous[1]), previous[2].hex())

    def _carry_out(self, key: LotKey, entry: Entry, own_hash: str) -> None:
        self.step()
        if entry.verb == "lot opened" and key != LotKey(entry.data["product_id"], entry.data["id"]):
            self._impossible(entry, f"it stands in the chain of product {key.product_id}")
        self.clocks.read(key, entry)
        self._check_witness(entry, own_hash)
        self._check_signatures(key, entry)
        data = {ref: self._part(key, entry, ref) for ref in entry.parts}
        if entry.verb in replay.KEEPING:
            self._check_original(key, entry)
        for change in replay.changes(entry, key):
            self._change(change, key, entry, data)

    def _check_witness(self, entry: Entry, own_hash: str) -> None:
        """The house and the lots' chains name each other's heads."""
        if entry.chain == HOUSE.lot_id:
            self.house.add(own_hash)
            if entry.verb == "lot closing noted":
                self.closings.add((entry.data["lot_id"], entry.data["head"]))
            return
        if entry.data.get("house_head", own_hash) not in {*self.house, own_hash}:
            self._impossible(entry, "it names a head that the house chain never had")
        if entry.verb == "lot closed":
            if (entry.chain, own_hash) not in self.closings:
                self._impossible(entry, "the house chain does not confirm this closing")
            self.closings.remove((entry.chain, own_hash))

    def _check_signatures(self, key: LotKey, entry: Entry) -> None:
        if key == HOUSE:
            self.signers.note(entry)
        if fault := self.signers.fault(entry):
            raise Damaged(
                "signature_broken",
                f"An entry's signatures do not stand: {fault}.",
                where=f"chain {entry.chain}, entry {entry.seq} ({entry.verb})",
                expected="signatures of this entry by people of the record",
                came=fault,
                remedy=REMEDY,
            )

    def _part(self, key: LotKey, entry: Entry, ref: PartRef) -> bytes:
        data = sound_part(self.view, key, entry, ref)
        self.parts += 1
        self.bytes += len(data)
        return data

    def _check_original(self, key: LotKey, entry: Entry) -> None:
        digest, packed = hashlib.sha256(), hashlib.sha256()
        try:
            numbers = []
            for number, piece in self.view.packed_original(key, entry.data["sha256"]):
                packed.update(piece)
                digest.update(unpacked(piece))
                numbers.append(number)
            came = digest.hexdigest()
            if numbers != list(range(entry.data["pieces"])):
                came = f"pieces {numbers[:20]} instead of {entry.data['pieces']} pieces from 0"
            elif packed.hexdigest() != entry.data["packed"]:
                came = "pieces that are not as they were kept"
            self.pieces += len(numbers)
        except (OSError, EOFError, zlib.error) as error:
            came = f"unreadable pieces: {error}"
        if came != entry.data["sha256"]:
            raise Damaged(
                "original_differs",
                "A kept results file is not the one that was taken.",
                where=f"chain {entry.chain}, entry {entry.seq}, {entry.data['name']}",
                expected=f"SHA-256 {entry.data['sha256']}",
                came=came,
                remedy=REMEDY,
            )

    def _change(
        self,
        change: changes.Change,
        key: LotKey,
        entry: Entry,
        data: dict[PartRef, bytes],
    ) -> None:
        match change:
            case changes.Insert(table, row):
                self._insert(table, row, entry)
                return
            case changes.Update(table, where, values):
                columns = METADATA.tables[table].primary_key.columns
                self.tables[table][tuple(where[c.name] for c in columns)].update(values)
                return
        letters = self.letters
        match change:
            case changes.AddLabels(part):
                if len(letters) != part.first - 1:
                    self._impossible(entry, f"positions do not follow: {part.first}")
                letters.extend(State.ALLOCATED.encode() * part.count)
            case changes.AddExtras(part):
                self.extras.append(part)
            case changes.SetStates(part):
                self._set_states(entry, letters, part, data[part])
            case changes.MoveLabels(first, last, source, target):
                span = slice(first - 1, last)
                if letters[span] != source.encode() * (last - first + 1):
                    self._impossible(entry, f"labels {first} to {last} were not all '{source}'")
                if (source, target) not in LEGAL:
                    self._impossible(entry, f"no move leads from '{source}' to '{target}'")
                letters[span] = target.encode() * (last - first + 1)
            case (
                changes.PutUnits() | changes.TakeUnits() | changes.FillPacks() | changes.MovePacks()
            ):
                what = self.contents.carry_out(change, key, data, self.tables["pack"], len(letters))
                if what:
                    self._impossible(entry, what)
            case _:
                self._judge(change, key, entry, data)

    def _judge(
        self, change: changes.Change, key: LotKey, entry: Entry, data: dict[PartRef, bytes]
    ) -> None:
        """What a take or a person said of labels."""
        match change:
            case changes.AddFindings(take, seq, part):
                for row in _finding_rows(key, take, seq, data[part]):
                    kept = self._insert("finding", row, entry)
                    self.found.setdefault(row["position"], []).append(kept)
            case changes.AddProofs(take, seq, part):
                for told in unpack_proofs(data[part]):
                    row = {**key.row(), **asdict(told), "take": take, "seq": seq}
                    self._insert("proof", row, entry)
            case changes.SettleFindings(first, last):
                self._settle(first, last)

    def _insert(self, table: str, row: dict[str, Any], entry: Entry) -> dict[str, Any]:
        columns = METADATA.tables[table].primary_key.columns
        place = tuple(row[c.name] for c in columns)
        if place in self.tables[table]:
            self._impossible(entry, f"{table} {place} is there already")
        return self.tables[table].setdefault(place, dict(row))

    def _set_states(self, entry: Entry, letters: bytearray, part: PartRef, data: bytes) -> None:
        new = unpack_states(part.first, part.count, data).state
        span = slice(part.first - 1, part.first - 1 + part.count)
        old = np.frombuffer(bytes(letters[span]), np.uint8)
        for pair in np.unique(old.astype(np.uint16) * 256 + new).tolist():
            source, target = chr(pair // 256), chr(pair % 256)
            if target != chr(UNCHANGED) and (source, target) not in LEGAL:
                self._impossible(entry, f"no move leads from '{source}' to '{target}'")
        letters[span] = np.where(new == UNCHANGED, old, new).tobytes()

    def _settle(self, first: int, last: int) -> None:
        for position in range(first, last + 1):
            for row in self.found.get(position, ()):
                row["state"] = "settled"

    def _impossible(self, entry: Entry, what: str) -> None:
        raise Damaged(
            "chain_broken",
            f"The journal tells something impossible: {what}.",
            where=f"chain {entry.chain}, entry {entry.seq} ({entry.verb})",
            remedy=REMEDY,
        )

    def compare_lot(self, key: LotKey) -> None:
        """Hold a lot's rows against the replay of its chain, then forget them: so memory is that
        of the largest lot, however many there are."""
        self.compared["packed"] += self.contents.compare_lot(key, self.letters, self.tables["pack"])
        counts = {**key.row(), **counting.told(self.letters)}
        self.tables["label_count"] = {(key.product_id, key.lot_id): counts}
        for table in _LOT_TABLES:
            self._compare_rows(table, key)
        self._compare_labels(key, self.letters)
        self.compared["label"] += len(self.letters)
        for ref in self.extras:
            self._compare_extras(key, ref)
            self.compared["extra"] += ref.count
        for kept in (self.letters, self.found, self.extras):
            kept.clear()

    def compare_rest(self) -> int:
        """Hold the house's rows against the replay, and say if any lot's rows are left over; gives
        the number of rows compared."""
        for table in self.tables:
            if table not in _LOT_TABLES:
                self._compare_rows(table, None)
        rows = self.compared.total() - self.compared["extra"] - self.compared["label_count"]
        journal = {"entry": self.entries, "part": self.parts, "original": self.pieces}
        for table, wanted in {**self.compared, **journal}.items():
            there = self.view.count_rows(METADATA.tables[table])
            if there != wanted:
                differs(table, "rows", wanted, there)
        return rows

    def _compare_rows(self, table: str, key: LotKey | None) -> None:
        """One small table's rows: those of a lot, or all; the replayed ones are forgotten."""
        told, there = self.tables[table], 0
        columns = METADATA.tables[table].primary_key.columns
        for row in self.view.rows(METADATA.tables[table], key):
            place = tuple(row[c.name] for c in columns)
            if told.get(place) != row:
                differs(table, place, told.get(place), row)
            there += 1
        if there != len(told):
            differs(table, "rows", len(told), there)
        self.compared[table] += there
        told.clear()

    def _compare_labels(self, key: LotKey, letters: bytearray) -> None:
        for block in range(-(-len(letters) // BLOCK)):
            self.step()
            first = block * BLOCK + 1
            told = letters[first - 1 : first - 1 + BLOCK].decode()
            serials = "".join(
                part.data.decode() for part in self.view.parts(key, block, kind="serials")
            )
            there = self.view.label_block(key, block)
            wanted = (len(told), first, first + len(told) - 1, serials, told)
            if tuple(there) != wanted:
                _first_difference(key, there, wanted)

    def _compare_extras(self, key: LotKey, ref: PartRef) -> None:
        last = ref.first + ref.count - 1
        there = self.view.extra_rows(key, ref.first, last)
        told = self.view.extras(key, ref.first, ref.count)
        if there != told:
            rows = zip(told, [*there, *[""] * len(told)], strict=False)
            place, (one, other) = next(
                (at, pair) for at, pair in enumerate(rows, ref.first) if pair[0] != pair[1]
            )
            differs("extra", f"lot {key.lot_id}, position {place}", one, other)


def _first_difference(key: LotKey, there: Rows, wanted: tuple[int, int, int, str, str]) -> None:
    """Name the first label of a block that is not as it should be."""
    count, first, last, serials, states = wanted
    if (there.number, there.first, there.last) != (count, first, last):
        came = f"{there.number} labels, {there.first} to {there.last}"
        differs("label", f"lot {key.lot_id}", f"{count} labels, {first} to {last}", came)
    told = zip(unpack_serials(serials.encode()), states, strict=True)
    came_rows = zip(unpack_serials(there.serials.encode()), there.states, strict=True)
    for position, (expected, came_row) in enumerate(zip(told, came_rows, strict=True), first):
        if expected != came_row:
            place = f"lot {key.lot_id}, position {position}"
            differs("label", place, _in_words(expected), _in_words(came_row))


def _in_words(row: tuple[str, str]) -> str:
    return f"{row[0]}, {State(row[1]).word}"


def _finding_rows(key: LotKey, take: int, seq: int, data: bytes) -> list[dict[str, Any]]:
    """The rows that a `findings` part stands for."""
    return [
        {
            **key.row(),
            "position": found.position,
            "take": take,
            "word": found.word,
            "seen": found.seen,
            "detail": found.detail,
            "state": "open",
            "together": found.together,
            "seq": seq,
        }
        for found in unpack_findings(data)
    ]


def verify(view: View, seen: Counted | None = None) -> dict[str, Any]:
    """Check everything; raises Damaged at the first fault, and what `seen` raises.

    Returns:
        chains, entries, parts, part bytes and rows that were checked; set_back: where a station's
        clock went backwards (`rules.chain.Clocks`), which is no fault of the record's.
    """
    replayed = Replay(view, seen)
    chains = view.chains()
    replayed.of = sum(chain.count for chain in chains)
    replayed.of += sum(-(-lot.labels // BLOCK) for lot in view.lots())
    for chain in chains:
        key = LotKey(chain.product_id, chain.lot_id)
        replayed.follow(key)
        if key != HOUSE:
            replayed.compare_lot(key)
    _chains_registered(view, {chain.lot_id for chain in chains})
    if replayed.closings:
        lot = min(replayed.closings)[0]
        differs("chain", f"lot {lot}", "a closing, as the house chain says", "none")
    replayed.contents.check_places()
    rows = replayed.compare_rest()
    check_credentials(view)
    return {
        "chains": len(chains),
        "entries": replayed.entries,
        "parts": replayed.parts,
        "bytes": replayed.bytes,
        "rows": rows,
        "set_back": replayed.clocks.describe(),
    }


def _chains_registered(view: View, there: set[int]) -> None:
    """Every lot that the house registered has a chain, and every chain is registered."""
    told = {HOUSE.lot_id} | {
        entry.data["lot_id"] for entry in view.entries(HOUSE) if entry.verb == "lot registered"
    }
    if told != there:
        raise Damaged(
            "chain_broken",
            "The house chain and the lots' chains do not name the same lots.",
            where="chain table",
            expected=f"chains {sorted(told)[:20]}",
            came=f"chains {sorted(there)[:20]}",
            remedy=REMEDY,
        )
