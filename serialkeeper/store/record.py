"""An open record in the hands of a person at a station: reading it and working on it.

    with record.read() as view:            # one consistent look
        lot = view.lot("LOT24A")
    with record.work(key_of(lot)) as work:   # one transaction, the lot's chain locked
        work.write(key_of(lot), "counted", {...})

A `Work` changes rows only through the entries it writes, so nothing changes unjournalled.
Lock order: SQLite's turn to write, lots' chains by key, the house chain last, so that nobody waits
for a lot with the house in hand; who has to be alone waits for all of them. Nothing else is locked,
and nothing is read before the lock that a decision rests on, but what never changes.
"""

from __future__ import annotations

import fcntl
import hashlib
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection, Engine, insert, select, text, update

from serialkeeper.errors import Refused
from serialkeeper.rules import changes, replay, signatures, texts
from serialkeeper.rules.chain import HOUSE, START, Entry, LotKey, Part, block_of, link, written
from serialkeeper.rules.parts import unpack_states
from serialkeeper.rules.progress import Seen, nobody
from serialkeeper.rules.recovery import BACKUP, RECOVERY
from serialkeeper.rules.serials import Chance
from serialkeeper.rules.tokens import Token
from serialkeeper.store import authority, bulk, counting, pack_bulk
from serialkeeper.store.engines import WAIT_MILLISECONDS, file_of, reading, writing
from serialkeeper.store.failures import busy, record_changed, record_moved, speaking_plainly
from serialkeeper.store.people_tables import Credential, Person, Pin
from serialkeeper.store.sign_in import Component
from serialkeeper.store.tables import (
    METADATA,
    Chain,
    EntryRow,
    Original,
    PartRow,
    table_of,
)
from serialkeeper.store.view import View

SCHEMA = "0023"
"""The newest migration; a record of another version is refused."""

_STILL_OURS = text(
    "SELECT (SELECT max(version_num) FROM alembic_version), (SELECT count(*) FROM station), "
    "(SELECT count(*) FROM station WHERE name = :station), "
    "(SELECT value FROM setting WHERE name = 'moved_to')"
)


@dataclass(frozen=True)
class Record:
    """A record, who works on it, where, by which clock and with which chance.

    Attributes:
        engine: the database.
        url: as given, without password.
        person, role: who, and in which role.
        station: where.
        now: gives the current time with a zone.
        chance: gives random bytes.
        practice: whether this is a practice record, marked so for ever.
        moved_to: where it was moved to, empty for a record at work.
        confirming: who has given a password here as the second person, and in which role.
        temporary: whether the person first has to change a password that somebody else knows.
        token: the token that it was opened with, if it was; that is written into every entry.
        session: what signs in the session in which it was opened, if it was.
        wrote: the verbs of what was committed since somebody emptied this.
        seen: is told how far a long step is.
    """

    engine: Engine
    url: str
    person: str
    role: str
    station: str
    now: Callable[[], datetime]
    chance: Chance
    practice: bool
    moved_to: str = ""
    temporary: bool = False
    confirming: Mapping[str, str] = field(default_factory=dict)
    token: Token | None = None
    session: Component | None = None
    wrote: set[str] = field(default_factory=set, compare=False)
    seen: Seen = field(default=nobody, compare=False)

    def seen_by(self, person: str) -> Record:
        """A practice record in another person's hands.

        Refuses `person_unknown`, `person_retired`, `practice_only`.
        """
        if not self.practice:
            raise Refused(
                "practice_only",
                "A live record changes hands by signing in.",
                came=person,
                remedy="Open it again with the other person's name and password.",
            )
        with self.read() as view:
            found = view.person(person)
        return replace(self, person=found.name, role=found.role)

    def check_may(self, verb: str, narrower: tuple[str, ...] = ()) -> None:
        """Refuses before the work what `Work.write` would refuse at its end; in a session asks for
        what signs, if the verb's entries are signed."""
        authority.check_may(self, verb, narrower)

    def seconded_by(self, person: str, password: str, *, pin: Callable[[], str] = str) -> Record:
        """The same record, in which that person confirms as the second one, by password, or by
        badge and PIN.

        Refuses `sign_in_refused`, `password_needed`, `password_temporary`; a practice record takes
        the name alone.
        """
        return authority.seconded_by(self, person, password, pin)

    @contextmanager
    def read(self) -> Iterator[View]:
        """One consistent look at the record."""
        with speaking_plainly(self.url), reading(self.engine) as connection:
            yield View(connection)

    @contextmanager
    def work(self, *chains: LotKey, named: bool = True, moving: bool = False) -> Iterator[Work]:
        """One transaction with these chains locked; committed on leaving without an error.

        Args:
            chains: what the work rests on and writes to.
            named: whether the station has to be one that the record names, if it names any.
            moving: whether the work belongs to a move, so that a moved record takes it.

        Refuses `record_changed` if another version of the program has migrated the record,
        `record_moved` if it was moved away, and `station_unknown`.
        """
        with self._transaction() as work:
            work.lock(chains)
            if chains:
                work.check_ours(named=named, moving=moving)
            yield work

    @contextmanager
    def alone(self) -> Iterator[Work]:
        """One transaction beside which nobody works; it locks its chains itself.

        Others may look meanwhile.
        """
        with self._transaction() as work:
            if self.engine.dialect.name == "postgresql":
                work.connection.execute(text("LOCK TABLE chain IN EXCLUSIVE MODE"))
            yield work

    @contextmanager
    def _transaction(self) -> Iterator[Work]:
        with speaking_plainly(self.url), _turn(self.engine, self.url):  # noqa: SIM117
            with writing(self.engine) as connection:
                with connection.begin():
                    work = Work(connection, self)
                    yield work
                self.wrote.update(work.verbs)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Work(View):
    """A transaction: everything a `View` can do, and `write`."""

    def __init__(self, connection: Connection, record: Record) -> None:
        super().__init__(connection)
        self._record = record
        self._heads: dict[LotKey, tuple[int, bytes]] = {}
        self.verbs: set[str] = set()
        self._look_at_clock()

    def _look_at_clock(self) -> None:
        moment = self._record.now()
        offset = moment.utcoffset()
        self.at = written(moment)
        self._offset = round(offset.total_seconds() / 60) if offset else 0

    def hand_to(self, person: Person) -> None:
        """What is written from here on is this person's."""
        self._record = replace(self._record, person=person.name, role=person.role)

    def lock(self, chains: Sequence[LotKey]) -> None:
        """Lock chains that are not locked yet: lots' chains in order of their keys, then the house.

        So whoever holds the house waits for nobody, and it is held for a moment only.
        """
        table = table_of(Chain)
        first, wanted = not self._heads, set(chains).difference(self._heads)
        for chain in sorted(wanted, key=lambda chain: (chain == HOUSE, chain)):
            row = self.connection.execute(
                select(table.c["count"], table.c.head)
                .where(table.c.product_id == chain.product_id, table.c.lot_id == chain.lot_id)
                .with_for_update()
            ).one()
            self._heads[chain] = (row[0], row[1])
        if first and wanted:
            self._look_at_clock()  # who waited for the lock comes after what was written meanwhile

    def check_ours(
        self, *, named: bool = True, moving: bool = False, recovering: bool = False
    ) -> None:
        """Refuses `record_changed`; `record_moved`, but for the move itself; `backup_sealed` and
        `in_recovery`, but for the recovery; `station_unknown` where the station has to be named."""
        station, url = self._record.station, self._record.url
        values = {"station": station}
        version, stations, mine, moved_to = self.connection.execute(_STILL_OURS, values).one()
        if version != SCHEMA:
            message = "The record is not the one that was opened any more."
            raise record_changed(message, url, came=f"schema {version}")
        elsewhere = moved_to not in ("", BACKUP, RECOVERY)
        if moved_to and not (moving if elsewhere else recovering):
            raise record_moved(moved_to, url)
        if named and stations and not mine:
            raise Refused(
                "station_unknown",
                "The record takes entries from the stations that it names.",
                expected=", ".join(one.name for one in self.stations()[:20]),
                came=station,
                remedy=self.what_station(station),
            )

    def open_chain(self, chain: LotKey) -> None:
        """A new, empty chain."""
        row = {**chain.row(), "count": 0, "head": START}
        self.connection.execute(insert(table_of(Chain)), row)
        if chain != HOUSE:
            counting.begin(self.connection, chain)
        self._heads[chain] = (0, START)

    def length(self, chain: LotKey) -> int:
        """How many entries a locked chain has."""
        return self._heads[chain][0]

    def head(self, chain: LotKey) -> str:
        """The hash of a locked chain's last entry, in hex."""
        return self._heads[chain][1].hex()

    def write(
        self,
        chain: LotKey,
        verb: str,
        data: dict[str, Any],
        *,
        parts: Sequence[Part] = (),
        reason: str = "",
        second: str = "",
    ) -> Entry:
        """Append an entry, signed if its verb wants that, to a locked chain and carry out what it
        means for the tables.

        Refuses what `store.authority` does: `role_not_allowed`, `password_temporary`,
        `token_narrow`, `password_needed`, `second_person_needed`; `bad_value` for unseen signs.
        """
        record = self._record
        authority.check_writes(record, verb)
        authority.check_signs(record, verb)
        authority.check_second(record, verb, second)
        texts.check_entry(data, record.station, reason)
        entry = Entry(
            chain=chain.lot_id,
            seq=self.length(chain) + 1,
            verb=verb,
            at=self.at,
            offset=self._offset,
            person=record.person,
            role=record.role,
            second=second,
            station=record.station,
            reason=reason,
            data=data,
            parts=tuple(part.ref() for part in parts),
            token=record.token.id if record.token else 0,
        )
        role = record.confirming.get(second, "")
        if second and record.practice:
            role = self.person(second).role
        entry = signatures.signed(entry, role, practice=record.practice)
        self.append(chain, entry, parts)
        return entry

    def append(self, chain: LotKey, entry: Entry, parts: Sequence[Part] = ()) -> None:
        """Append an entry, made here or in the record that is copied, to a locked chain; carry out
        what it means for the tables.

        Args:
            entry: the chain's next one.
            parts: its packed detail, in the order in which the entry names it.
        """
        body = entry.body()
        new_head = link(self._heads[chain][1], body)
        row = {**chain.row(), "seq": entry.seq, "body": body, "hash": new_head}
        self.connection.execute(insert(table_of(EntryRow)), row)
        chains = table_of(Chain)
        self.connection.execute(
            update(chains)
            .where(chains.c.product_id == chain.product_id, chains.c.lot_id == chain.lot_id)
            .values(count=entry.seq, head=new_head)
        )
        self._heads[chain] = (entry.seq, new_head)
        self.verbs.add(entry.verb)
        self._keep(entry, parts, chain)
        by_ref = {ref: part.data for ref, part in zip(entry.parts, parts, strict=True)}
        for _, some in groupby(replay.changes(entry, chain), _kind):
            self._carry_out(list(some), chain, by_ref)

    def _keep(self, entry: Entry, parts: Sequence[Part], key: LotKey) -> None:
        if not parts:
            return
        rows = [
            {
                **key.row(),
                "block": block_of(part.first),
                "seq": entry.seq,
                "part_kind": part.kind,
                "first": part.first,
                "count": part.count,
                "data": part.data,
            }
            for part in parts
        ]
        self.connection.execute(insert(table_of(PartRow)), rows)

    def _carry_out(self, made: list[changes.Change], key: LotKey, data: dict[Any, bytes]) -> None:
        """Carry out successive changes of one kind, together where they are many."""
        match made[0]:
            case changes.Insert(name, _):
                rows = [change.row for change in made if isinstance(change, changes.Insert)]
                self.connection.execute(insert(METADATA.tables[name]), rows)
                return
            case changes.Update():
                for change in made:
                    if isinstance(change, changes.Update):
                        self._update(change)
                return
        moves = [change for change in made if isinstance(change, changes.MoveLabels)]
        if moves:
            counting.add(self.connection, key, bulk.move_labels(self.connection, key, moves))
        settled = [change for change in made if isinstance(change, changes.SettleFindings)]
        if settled:
            bulk.settle_findings(self.connection, key, settled)
        if added := [change.part for change in made if isinstance(change, changes.AddLabels)]:
            for part in added:
                bulk.add_labels(self.connection, key, part.first, data[part])
            counting.add(self.connection, key, {(counting.NEW, "a"): sum(p.count for p in added)})
        self._carry_out_packing(made, key)
        for change in made:
            self._carry_out_part(change, key, data)

    def _carry_out_packing(self, made: list[changes.Change], key: LotKey) -> None:
        """Carry out what goes into packs and out of them."""
        if put := [change for change in made if isinstance(change, changes.PutUnits)]:
            pack_bulk.put(self.connection, key, put)
        if taken := [change for change in made if isinstance(change, changes.TakeUnits)]:
            pack_bulk.take(self.connection, key, taken)
        if moved := [change for change in made if isinstance(change, changes.MovePacks)]:
            pack_bulk.move(self.connection, key, moved)

    def _carry_out_part(self, change: changes.Change, key: LotKey, data: dict[Any, bytes]) -> None:
        """Carry out what a part tells of its positions."""
        match change:
            case changes.AddExtras(part):
                bulk.add_extras(self.connection, key, part.first, data[part])
            case changes.SetStates(part):
                states = unpack_states(part.first, part.count, data[part])
                there = counting.counts(self.connection, key)
                moved = bulk.set_states(self.connection, key, states, frozenset(there))
                counting.add(self.connection, key, moved)
            case changes.FillPacks(part):
                pack_bulk.fill(self.connection, key, part.first, data[part])
            case changes.AddFindings(take, seq, part):
                bulk.add_findings(self.connection, key, take, seq, data[part])
            case changes.AddProofs(take, seq, part):
                bulk.add_proofs(self.connection, key, take, seq, data[part])

    def _update(self, change: changes.Update) -> None:
        table = METADATA.tables[change.table]
        matches = [table.c[column] == value for column, value in change.key.items()]
        self.connection.execute(update(table).where(*matches).values(**change.values))

    def keep_profile(self, name: str, text: str) -> None:
        """Keep a camera profile, if none of that name is kept; locks the house for that only."""
        if self.find_profile(name):
            return
        self.lock((HOUSE,))
        if self.find_profile(name):  # somebody was faster
            return
        row = {
            "id": len(self.profiles()) + 1,
            "name": name,
            "text": text,
            "sha256": hashlib.sha256(text.encode()).hexdigest(),
        }
        self.write(HOUSE, "profile kept", row)

    def keep_original(self, key: LotKey, sha256: str, pieces: Iterator[bytes]) -> None:
        """Keep a file as it came, in gzip pieces; an entry of this work names its SHA-256.

        Refuses `results_claimed` if another take or challenge run of the lot rests on these bytes.
        """
        if next(self.packed_original(key, sha256), None):
            raise Refused(
                "results_claimed",
                "These bytes were given before, for another purpose.",
                where=f"SHA-256 {sha256}",
                expected="a take's file for a take, a challenge's file for a challenge run",
                came="a file that is kept already",
                remedy="Check which file this is: lot show, challenge list.",
            )
        self.keep_pieces(key, sha256, pieces)

    def keep_credential(self, person: int, data: str, *, pin: bool = False) -> None:
        """Keep what is to be kept of a person's password, or PIN, instead of what was; an entry of
        this work names its SHA-256."""
        table = table_of(Pin if pin else Credential)
        there = update(table).where(table.c.person == person).values(data=data)
        if not self.connection.execute(there).rowcount:
            self.connection.execute(insert(table), {"person": person, "data": data})

    def keep_pieces(self, key: LotKey, sha256: str, pieces: Iterator[bytes]) -> None:
        """Keep a file's pieces as they are."""
        table = table_of(Original)
        for number, piece in enumerate(pieces):
            row = {**key.row(), "sha256": sha256, "piece": number, "data": piece}
            self.connection.execute(insert(table), row)


@contextmanager
def _turn(engine: Engine, url: str) -> Iterator[None]:
    """Wait in line for the right to write; SQLite's own waiting lets late comers pass.

    Refuses `record_busy` if the line does not move for as long as a server would let us wait.
    """
    path = file_of(engine)
    if path is None:
        yield
        return
    with Path(f"{path}-turn").open("a") as gate:
        if not _in_hand(gate):
            # In a thread of its own, for the system's waiting has no end; with the file it ends.
            waiting = threading.Thread(target=fcntl.flock, args=(gate, fcntl.LOCK_EX), daemon=True)
            waiting.start()
            waiting.join(WAIT_MILLISECONDS / 1000)
            if not _in_hand(gate):
                raise busy("another process has the turn to write, and does not let go", url)
        yield


def _in_hand(gate: IO[str]) -> bool:
    try:
        fcntl.flock(gate, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _kind(change: changes.Change) -> tuple[type, str]:
    """What changes can be carried out together."""
    return type(change), change.table if isinstance(change, changes.Insert) else ""
