"""What steps ask the record about lots, labels and what was found on them; nothing here writes.
What only one subject asks stands in a module of its own beside this one."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select

from serialkeeper.errors import Refused
from serialkeeper.rules import guesses
from serialkeeper.rules.alarms import DEFAULT, Alarm, Open, Rules
from serialkeeper.rules.chain import LotKey, block_of
from serialkeeper.rules.corrections import BACK
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import unpack_serials
from serialkeeper.store import bulk, counting
from serialkeeper.store.challenge_tables import Challenge, ChallengeRun, Plant
from serialkeeper.store.house import House
from serialkeeper.store.import_tables import NumberImport
from serialkeeper.store.line_tables import (
    AlarmRow,
    AlarmRules,
    FindingRow,
    FollowRow,
    Mark,
    Proof,
    Removal,
    Replacement,
    Roll,
    Take,
)
from serialkeeper.store.pack_tables import PackLabel
from serialkeeper.store.tables import (
    Allocation,
    Chain,
    Departure,
    Job,
    Label,
    Lot,
    Product,
    Tally,
    made_of,
    table_of,
)

UNFINISHED = ("following", "finishing")
"""States of a following that no take has ended."""

LAST_POSITION = 2**31 - 1
"""The highest position that a label can have; keys are whole numbers of 32 bits."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a take found wrong with one label; `state` is `open` or `settled`, `together` the
    positions that were not told apart, `seq` the entry that says it."""

    position: int
    take: int
    word: str
    seen: str
    detail: str
    state: str
    together: str
    seq: int


class View(House):
    """A consistent look at the record through one connection."""

    # -- lots ----------------------------------------------------------------------------

    def lots(self) -> list[Lot]:
        """All lots, in order of opening."""
        return sorted(self._all(Lot), key=lambda lot: lot.id)

    def find_lot(self, product_id: int, number: str) -> Lot | None:
        """A lot by product and number."""
        return self._one(Lot, product_id=product_id, number=number)

    def lot_of(self, row: Label | NumberImport | Allocation) -> Lot:
        """The lot that a row belongs to."""
        return self.lot_at(LotKey(row.product_id, row.lot_id))

    def lot_at(self, key: LotKey) -> Lot:
        """One lot by its key."""
        return self._expect(Lot, product_id=key.product_id, id=key.lot_id)

    def lot(self, name: str) -> Lot:
        """A lot by number, or by GTIN/LOT. Refuses `lot_unknown`, `lot_ambiguous`."""
        gtin, slash, number = name.partition("/")
        if slash and len(gtin) == 14 and gtin.isdigit():
            product = self.find_product(gtin)
            found = self._all(Lot, product_id=product.id, number=number) if product else []
        else:
            found = self.lots_numbered(name)
        if not found:
            raise Refused(
                "lot_unknown",
                "The record knows no such lot.",
                expected=", ".join(lot.number for lot in self.lots()[-10:]) or "none yet",
                came=name,
                remedy=guesses.remedy(
                    name,
                    (one for lot in self.lots() for one in (lot.number, lot.full_name)),
                    "Check the lot number (lot list), or open the lot: lot open.",
                ),
            )
        if len(found) > 1:
            raise Refused(
                "lot_ambiguous",
                "More than one product has a lot of that number.",
                expected=" or ".join(lot.full_name for lot in found),
                came=name,
                remedy="Name the lot as GTIN/LOT.",
            )
        return found[0]

    def lots_numbered(self, number: str) -> list[Lot]:
        """The lots of that number, of any product; one look into the index for each product."""
        table = table_of(Lot)
        products = select(table_of(Product).c.id)
        query = select(table).where(table.c.product_id.in_(products), table.c.number == number)
        rows = self.connection.execute(query.order_by(*table.primary_key.columns)).mappings()
        return [made_of(row, Lot) for row in rows]

    def last_chain(self) -> int:
        """The highest id of a lot; new lots take the ids after it."""
        return int(self.connection.execute(select(func.max(table_of(Chain).c.lot_id))).scalar_one())

    def allocations(self, key: LotKey) -> list[Allocation]:
        """A lot's allocations."""
        return self._all(Allocation, **key.row())

    def imports(self, key: LotKey) -> list[NumberImport]:
        """A lot's files of imported numbers, in order of position."""
        return self._all(NumberImport, **key.row())

    def imports_of(self, product_id: int) -> list[NumberImport]:
        """All files of imported numbers of a product."""
        return self._all(NumberImport, product_id=product_id)

    def jobs(self, key: LotKey) -> list[Job]:
        """A lot's print jobs."""
        return self._all(Job, **key.row())

    def job(self, key: LotKey, number: int) -> Job:
        """One print job. Refuses `job_unknown`."""
        found = [job for job in self.jobs(key) if job.id == number]
        if not found:
            raise Refused(
                "job_unknown",
                "The lot has no such print job.",
                expected=", ".join(str(job.id) for job in self.jobs(key)) or "none yet",
                came=str(number),
                remedy="Look at the lot's jobs: lot show.",
            )
        return found[0]

    def takes(self, key: LotKey) -> list[Take]:
        """A lot's results files."""
        return self._all(Take, **key.row())

    def count_numbers(self, product_id: int) -> int:
        """How many numbers a product has in all its lots."""
        c = table_of(Allocation).c
        query = select(func.coalesce(func.sum(c.done), 0)).where(c.product_id == product_id)
        return int(self.connection.execute(query).scalar_one())

    def unfinished_allocations(self, *, product_id: int = 0) -> list[Allocation]:
        """Allocations, of a product or of all, that were begun and not ended."""
        c = table_of(Allocation).c
        query = select(table_of(Allocation)).where(c.done < c["count"])
        if product_id:
            query = query.where(c.product_id == product_id)
        return [made_of(row, Allocation) for row in self.connection.execute(query).mappings()]

    def unfinished_takes(self) -> list[Take]:
        """Results files of all lots that were begun and not ended."""
        return self._all(Take, state="unfinished")

    def unfinished_follows(self) -> list[FollowRow]:
        """Followings of all lots that were not ended by a take."""
        return [row for state in UNFINISHED for row in self._all(FollowRow, state=state)]

    def rolls(self, key: LotKey) -> list[Roll]:
        """A lot's rolls."""
        return self._all(Roll, **key.row())

    def roll(self, key: LotKey, number: int) -> Roll:
        """One roll. Refuses `roll_unknown`."""
        found = [roll for roll in self.rolls(key) if roll.id == number]
        if not found:
            raise Refused(
                "roll_unknown",
                "The lot has no such roll.",
                expected=", ".join(str(roll.id) for roll in self.rolls(key)[:50]) or "none yet",
                came=str(number),
                remedy="Look at the lot's rolls (roll list), or name one: roll add.",
            )
        return found[0]

    def marks(self, key: LotKey) -> list[Mark]:
        """What was noted on a lot's rolls, in order."""
        return self._all(Mark, **key.row())

    def removals(self, key: LotKey) -> list[Removal]:
        """Labels that were taken off their rolls, by position."""
        return self._all(Removal, **key.row())

    def removals_at(self, key: LotKey, position: int) -> list[Removal]:
        """Every time that one label was taken off a roll."""
        return self._all(Removal, **key.row(), position=position)

    def replacements(self, key: LotKey) -> list[Replacement]:
        """Spares that were put in the place of bad labels, in order."""
        return sorted(self._all(Replacement, **key.row()), key=lambda one: one.seq)

    def replaced(self, key: LotKey, bad: int) -> Replacement | None:
        """The spare that was put in the place of a label."""
        return self._one(Replacement, **key.row(), bad=bad)

    def replacing(self, key: LotKey, spare: int) -> Replacement | None:
        """In whose place a spare was put."""
        return self._one(Replacement, **key.row(), spare=spare)

    def proofs(self, key: LotKey) -> list[Proof]:
        """What further passes said of labels, by position and take."""
        return self._all(Proof, **key.row())

    def proofs_at(self, key: LotKey, position: int) -> list[Proof]:
        """What further passes said of one label, by take."""
        return self._all(Proof, **key.row(), position=position)

    def follows(self, key: LotKey) -> list[FollowRow]:
        """A lot's results files that were read while they grew."""
        return self._all(FollowRow, **key.row())

    def alarms(self, key: LotKey) -> list[AlarmRow]:
        """A lot's alarms, in order of id."""
        return self._all(AlarmRow, **key.row())

    def open_alarms(self, key: LotKey) -> list[Open]:
        """A lot's alarms that nobody has acknowledged, in order of id."""
        return [
            Open(row.id, alarm_of(row)) for row in self._all(AlarmRow, **key.row(), state="open")
        ]

    def count_open_alarms(self, key: LotKey) -> int:
        """How many alarms of a lot nobody has acknowledged."""
        c = table_of(AlarmRow).c
        mine = (c.product_id == key.product_id, c.lot_id == key.lot_id, c.state == "open")
        return int(self.connection.execute(select(func.count()).where(*mine)).scalar_one())

    def alarm_rules(self) -> list[AlarmRules]:
        """All alarm rules that were ever set, in order of entry."""
        return self._all(AlarmRules)

    def alarm_rules_at(self, station: str) -> Rules:
        """When labels alarm at a station."""
        rows = self._all(AlarmRules, station=station)
        return Rules(rows[-1].in_a_row, rows[-1].share, rows[-1].window) if rows else DEFAULT

    def tallies(self, key: LotKey) -> list[Tally]:
        """A lot's counts."""
        return self._all(Tally, **key.row())

    def challenges(self, key: LotKey) -> list[Challenge]:
        """A lot's sets of labels that are bad on purpose."""
        return self._all(Challenge, **key.row())

    def challenge_runs(self, key: LotKey) -> list[ChallengeRun]:
        """Every time that one of these sets was shown to a reader."""
        return self._all(ChallengeRun, **key.row())

    def plants(self, key: LotKey) -> list[Plant]:
        """A lot's labels that were made bad on purpose, by position."""
        return self._all(Plant, **key.row())

    def planted_at(self, key: LotKey, position: int) -> Plant | None:
        """The label at this place, if it was made bad on purpose."""
        return self._one(Plant, **key.row(), position=position)

    def count_departures(self, key: LotKey) -> dict[tuple[str, str], int]:
        """Labels that were voided or decommissioned, by state letter and reason."""
        c = table_of(Departure).c
        rows = self.connection.execute(
            select(c.state, c.reason, func.sum(c["last"] - c["first"] + 1))
            .where(c.product_id == key.product_id, c.lot_id == key.lot_id, c.state != BACK)
            .group_by(c.state, c.reason)
        )
        return {(state, reason): int(count) for state, reason, count in rows}

    def departures(self, key: LotKey, **only: str) -> list[Departure]:
        """Why labels were voided or decommissioned, in order; not of those that came back.

        Args:
            only: values of columns that the rows have to have.
        """
        return [row for row in self._all(Departure, **key.row(), **only) if row.state != BACK]

    def departures_at(self, key: LotKey, position: int) -> list[Departure]:
        """Why one label was voided or decommissioned, in order, unless it came back."""
        table = table_of(Departure)
        query = select(table).where(
            table.c.product_id == key.product_id,
            table.c.lot_id == key.lot_id,
            table.c["first"] <= position,
            table.c["last"] >= position,
            table.c.state != BACK,
        )
        rows = self.connection.execute(query.order_by(*table.primary_key.columns)).mappings()
        return [made_of(row, Departure) for row in rows]

    def pack_labels(self, key: LotKey, pack: int) -> list[PackLabel]:
        """The labels that were made for a pack, in order."""
        return self._all(PackLabel, **key.row(), pack=pack)

    # -- labels --------------------------------------------------------------------------

    def states(self, key: LotKey, first: int, last: int) -> bytes:
        """The state letters of positions first..last."""
        return bulk.read_states(self.connection, key, first, last)

    def count_states(self, key: LotKey) -> dict[State, int]:
        """How many labels of a lot are in each state; they were counted as they were moved."""
        return counting.counts(self.connection, key)

    def label(self, product_id: int, serial: str) -> Label | None:
        """One label by GTIN and serial."""
        return self._one(Label, product_id=product_id, serial=serial)

    def labels_numbered(self, serial: str) -> list[Label]:
        """The labels of that number, of any product."""
        return self._all(Label, serial=serial)

    def label_at(self, key: LotKey, position: int) -> Label | None:
        """One label by place."""
        if not 1 <= position <= LAST_POSITION:
            return None
        return self._one(Label, **key.row(), position=position)

    def known_label(self, lot: Lot, position: int) -> Label:
        """One label by place. Refuses `label_unknown`."""
        if label := self.label_at(key_of(lot), position):
            return label
        raise Refused(
            "label_unknown",
            "The lot has no such label.",
            where=lot.full_name,
            expected=f"positions 1 to {lot.labels}",
            came=str(position),
            remedy="Look the position up: label list. If its numbers are still to come, finish the "
            "allocation or the import first.",
        )

    def findings(
        self,
        key: LotKey,
        *,
        first: int = 1,
        last: int = LAST_POSITION,
        state: str = "",
        take: int = 0,
    ) -> list[Found]:
        """Findings in a range of positions, by position and take."""
        c = table_of(FindingRow).c
        query = (
            select(c.position, c.take, c.word, c.seen, c.detail, c.state, c.together, c.seq)
            .where(c.product_id == key.product_id, c.lot_id == key.lot_id)
            .where(c.position.between(first, last))
            .order_by(c.position, c.take)
        )
        if state:
            query = query.where(c.state == state)
        if take:
            query = query.where(c["take"] == take)
        return [Found(*row) for row in self.connection.execute(query)]

    def count_findings(self, key: LotKey, take: int) -> dict[str, int]:
        """How often a take found each thing wrong."""
        c = table_of(FindingRow).c
        rows = self.connection.execute(
            select(c.word, func.count())
            .where(c.product_id == key.product_id, c.lot_id == key.lot_id, c.take == take)
            .group_by(c.word)
        )
        return {str(word): int(count) for word, count in rows}

    def taken(self, product_id: int, numbers: list[str]) -> list[tuple[str, int]]:
        """Which of these numbers the product has already, each with its lot's id."""
        return bulk.find_taken(self.connection, product_id, numbers)

    def extra_rows(self, key: LotKey, first: int, last: int) -> list[str]:
        """The extras of positions first..last that have any, from their table."""
        _, lines = bulk.read_extras(self.connection, key, first, last)
        return unpack_serials(lines.encode())

    def serials(self, key: LotKey, first: int, count: int) -> list[str]:
        """The numbers of `count` positions from `first`, from the journal's parts."""
        return self._lines(key, first, count, "serials")

    def extras(self, key: LotKey, first: int, count: int) -> list[str]:
        """What is printed with each of `count` imported numbers, from the journal's parts."""
        return self._lines(key, first, count, "extras")

    def _lines(self, key: LotKey, first: int, count: int, kind: str) -> list[str]:
        last = first + count - 1
        found: list[str] = []
        for block in range(block_of(first), block_of(last) + 1):
            for part in self.parts(key, block, kind=kind):
                if part.first > last or part.first + part.count <= first:
                    continue
                lines = unpack_serials(part.data)
                start = max(first - part.first, 0)
                found += lines[start : last - part.first + 1]
        if len(found) != count:
            raise Refused(
                "label_unknown",
                "The lot does not reach that far.",
                where=f"positions {first} to {last}",
                expected=f"{count} allocated positions",
                came=str(len(found)),
                remedy="Look at the lot: lot show.",
            )
        return found


def alarm_of(row: AlarmRow) -> Alarm:
    """The alarm that a row keeps."""
    return Alarm(row.word, row.lane, row.first, row.last, row.labels)


def key_of(lot: Lot) -> LotKey:
    """The key that a lot's rows share."""
    return LotKey(lot.product_id, lot.id)
