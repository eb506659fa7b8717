"""Filling packs: their keys are drawn, and every lot concerned gets its entry.

SSCCs come to a lot in ranges, told by the house and by the lot; they are handed out under the
lot's lock, so that packing waits for no other lot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select

from serialkeeper.errors import Refused
from serialkeeper.rules import recovery
from serialkeeper.rules.chain import BLOCK, HOUSE, LotKey, Part
from serialkeeper.rules.levels import SSCC, Level
from serialkeeper.rules.pack_entries import NUMBERED, Made, capacity
from serialkeeper.rules.packs import UNIT, Child
from serialkeeper.rules.parts import pack_packs
from serialkeeper.rules.serials import ALPHABET, Chance
from serialkeeper.store.pack_bulk import Pack
from serialkeeper.store.pack_tables import SsccRange
from serialkeeper.store.packs import last_pack, stock_of
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Lot, table_of
from serialkeeper.store.view import View, key_of

AT_ONCE = 100
"""SSCCs that a lot is given at least, so that a bench asks the house now and then only."""

NUMBER_LENGTH = 12
MANY = 1_000
"""Units from which on an entry tells them in parts."""

Answer = TypeVar("Answer")


class _Short(Exception):
    """Somebody else used the SSCCs that were meant for this."""


def company_of(lot: Lot) -> str:
    """The company prefix that the lot's SSCCs begin with."""
    return lot.gtin[1 : 1 + lot.prefix_length]


def with_ssccs(
    record: Record, lot: Lot, wanted: Mapping[Level, int], step: Callable[[], Answer]
) -> Answer:
    """Do a step that draws that many keys of each level. Refuses `ssccs_exhausted`."""
    while True:
        for level, count in wanted.items():
            if level.key == SSCC:
                _supply(record, lot, level, count)
        try:
            return step()
        except _Short:
            continue


def _supply(record: Record, lot: Lot, level: Level, count: int) -> None:
    key, company = key_of(lot), company_of(lot)
    with record.read() as view:
        if _left(view, key, company, level) >= count:
            return
    with record.work(HOUSE, key) as work:
        short = count - _left(work, key, company, level)
        if short <= 0:
            return
        used = used_ssccs(work, company, level.extension)
        free = capacity(company) - used
        if free < short:
            raise Refused(
                "ssccs_exhausted",
                "The company prefix has no SSCCs left with that extension digit.",
                where=f"company prefix {company}, extension digit {level.extension}",
                expected=f"free serial references: {short:,}",
                came=f"{free:,} of {capacity(company):,}",
                remedy="Give the level another extension digit for lots to come: product packs.",
            )
        table = table_of(SsccRange)
        last = work.connection.execute(select(func.count()).select_from(table)).scalar_one()
        given: dict[str, Any] = {
            "id": last + 1,
            "company": company,
            "extension": level.extension,
            "first": used,
            "count": min(max(short, AT_ONCE), free),
        }
        whose = {"for_product": key.product_id, "for_lot": key.lot_id}
        work.write(HOUSE, "ssccs reserved", given | whose)
        work.write(key, "ssccs given", given)


def _left(view: View, key: LotKey, company: str, level: Level) -> int:
    return sum(one.count - one.used for one in stock_of(view, key, company, level.extension))


def used_ssccs(view: View, company: str, extension: int) -> int:
    """How many serial references of a company prefix and extension digit were given to lots, or are
    left out since a recovery: the next one follows."""
    c = table_of(SsccRange).c
    query = select(c["first"], c["count"]).where(c.company == company, c.extension == extension)
    given = [(int(first), int(count)) for first, count in view.connection.execute(query)]
    begin = int(view.setting("sscc_from") or 0)
    return recovery.first_free(given, begin, capacity(company))


@dataclass
class Drawn:
    """New packs and what their keys cost, as an entry tells them."""

    made: list[Made] = field(default_factory=list)
    used: dict[int, int] = field(default_factory=dict)

    def data(self) -> dict[str, Any]:
        """As it stands in an entry."""
        used = [[id_, used] for id_, used in sorted(self.used.items())]
        return {"made": [one.data() for one in self.made], "used": used}

    def keys(self) -> dict[int, str]:
        """The new packs' keys by id."""
        return {id_: key for made in self.made for id_, key in made.named()}


def draw_packs(work: Work, lot: Lot, wanted: Sequence[tuple[Level, int]], chance: Chance) -> Drawn:
    """New packs with the next keys, level after level; the lot is locked."""
    key, company = key_of(lot), company_of(lot)
    drawn, next_id = Drawn(), last_pack(work, key) + 1
    for level, count in wanted:
        if level.key != SSCC:
            numbers = tuple(_numbers(count, chance))
            drawn.made.append(Made(level.name, next_id, count, gtin=level.gtin, serials=numbers))
            next_id += count
            continue
        left = count
        for stock in stock_of(work, key, company, level.extension):
            used = drawn.used.get(stock.id, stock.used)
            some = min(left, stock.count - used)
            if some:
                first = stock.first + used
                made = Made(level.name, next_id, some, company, level.extension, first)
                drawn.made.append(made)
                drawn.used[stock.id] = used + some
                next_id, left = next_id + some, left - some
        if left:
            raise _Short
    return drawn


def _numbers(count: int, chance: Chance) -> Iterable[str]:
    """Numbers of packs: 60 random bits each, with a letter first, so that no spreadsheet harms
    them; the database refuses the same one twice."""
    raw = np.frombuffer(chance(count * NUMBER_LENGTH), np.uint8).reshape(count, NUMBER_LENGTH)
    signs = np.frombuffer(ALPHABET.encode(), np.uint8)[raw & 31]
    letters = np.frombuffer(b"ABCDFGHJKLMNPQRS", np.uint8)
    signs[:, 0] = letters[raw[:, 0] & 15]
    return [row.tobytes().decode() for row in signs]


@dataclass(eq=False)
class Filling:
    """One pack that is filled.

    Attributes:
        level: the pack's.
        children: what goes in; packs that are filled by the same step, too.
        pack: the pack where it is there already.
        key: its key, once it has one.
    """

    level: Level
    children: list[Child | Filling]
    pack: Pack | None = None
    key: str = ""
    id: int = 0
    lot_id: int = 0


def write_packed(
    work: Work, lot: Lot, fillings: Sequence[Filling], *, reason: str, chance: Chance
) -> None:
    """Write what goes into which pack; every lot concerned is locked, everything was checked.

    Args:
        lot: the one that all these packs are of.
        fillings: inner packs before those that they go into.
    """
    new = [one for one in fillings if one.pack is None]
    new.sort(key=lambda one: [level.name for level in _levels(fillings)].index(one.level.name))
    wanted = [(level, sum(one.level == level for one in new)) for level in _levels(new)]
    drawn = draw_packs(work, lot, wanted, chance)
    for one, (id_, name) in zip(new, drawn.keys().items(), strict=True):
        one.id, one.key = id_, name
    for one in fillings:
        if one.pack is not None:
            one.id, one.key = one.pack.id, one.pack.key
    begun = [one.id for one in fillings if one.pack and one.pack.state == NUMBERED]
    placed = _Placed()
    for one in fillings:
        one.lot_id = lot.id
        for child in one.children:
            placed.add(child, one)
    own = key_of(lot)
    data, parts = placed.of(lot.id, in_parts=not any(one.pack for one in fillings))
    work.write(own, "packed", {**drawn.data(), "begun": begun, **data}, parts=parts, reason=reason)
    for other in sorted(placed.lots - {lot.id}):
        data, _ = placed.of(other, in_parts=False)
        work.write(LotKey(lot.product_id, other), "packed", data, reason=reason)


def write_unpacked(
    work: Work, product_id: int, taken: Sequence[tuple[Child, Pack]], *, reason: str
) -> None:
    """Write what comes out of which pack; every lot concerned is locked, everything was checked."""
    placed = _Placed()
    for child, pack in taken:
        placed.add(child, _Out(pack.id, pack.lot_id, pack.key))
    for lot in sorted(placed.lots):
        data, _ = placed.of(lot, in_parts=False)
        work.write(LotKey(product_id, lot), "unpacked", data, reason=reason)


class _Out(NamedTuple):
    """A pack that something comes out of."""

    id: int
    lot_id: int
    key: str


def _levels(fillings: Iterable[Filling]) -> list[Level]:
    return list(dict.fromkeys(one.level for one in fillings))


class _Placed:
    """Where units and packs go, by lot."""

    def __init__(self) -> None:
        self.lots: set[int] = set()
        self.units: list[tuple[int, int, Filling | _Out]] = []
        self.packs: list[tuple[int, int, Filling | _Out]] = []

    def add(self, child: Child | Filling, into: Filling | _Out) -> None:
        """A child goes into a pack."""
        if isinstance(child, Filling):
            self.packs.append((into.lot_id, child.id, into))
            self.lots.add(into.lot_id)
            return
        where = self.units if child.what == UNIT else self.packs
        where.append((child.lot_id, child.place, into))
        self.lots.add(child.lot_id)

    def of(self, lot: int, *, in_parts: bool) -> tuple[dict[str, Any], list[Part]]:
        """What a lot's entry tells."""
        units = [(place, into) for id_, place, into in self.units if id_ == lot]
        packs = [(place, into) for id_, place, into in self.packs if id_ == lot]
        if in_parts and len(units) > MANY:
            places = np.array([place for place, _ in units])
            order = np.argsort(places)
            ids = np.array([into.id for _, into in units])
            return {"packs": self._runs(packs)}, parts_of(places[order], ids[order])
        return {"units": self._runs(units), "packs": self._runs(packs)}, []

    def _runs(self, some: list[tuple[int, Filling | _Out]]) -> list[list[Any]]:
        """[first, last, pack's lot, pack, its key] for successive places in one pack."""
        made: list[list[Any]] = []
        for place, into in sorted(some, key=lambda one: one[0]):
            if made and made[-1][1] == place - 1 and made[-1][2:4] == [into.lot_id, into.id]:
                made[-1][1] = place
            else:
                made.append([place, place, into.lot_id, into.id, into.key])
        return made


def parts_of(places: NDArray[np.int64], packs: NDArray[np.int64]) -> list[Part]:
    """Parts that tell which pack each unit goes into.

    Args:
        places: ascending positions.
        packs: the pack of each.
    """
    made = []
    blocks = (places - 1) // BLOCK
    for block in np.unique(blocks).tolist():
        some = places[blocks == block]
        first = int(some[0])
        told = np.zeros(int(some[-1]) - first + 1, dtype=np.int64)
        told[some - first] = packs[blocks == block]
        made.append(pack_packs(first, told))
    return made
