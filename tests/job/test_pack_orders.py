"""Whatever is done to packs, in any order: invariant 9 holds, nothing held is packed or sent, and
the record is what the journal says. A model that knows only sets says what is in what, what left,
and what is held."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from conftest import Original
from databases import Databases
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)
from test_packs import LEVELS, packing

import serialkeeper as sk
from serialkeeper.rules import epc
from serialkeeper.store.view import key_of

UNITS, HOLDS = 12, {"case": 4, "pallet": 2}
ONE = st.integers(0, UNITS - 1)
SOME = st.lists(ONE, min_size=1, max_size=5)
WHICH = st.integers(0, 7)
REASON = "because of the test"
GLN = "9521234567899"
LOT = "the whole lot"


def told_by_events(path: Path) -> tuple[dict[str, str], set[str]]:
    """What is in what, and what has ended, by the events alone; refuses to add what is not
    commissioned, what is somewhere already, and to take out what is not there."""
    inside: dict[str, str] = {}
    active, ended = set[str](), set[str]()
    for event in json.loads(path.read_text())["epcisBody"]["eventList"]:
        names = [name_of(urn) for urn in event.get("epcList", event.get("childEPCs"))]
        if event["type"] == "ObjectEvent":
            if event["action"] == "ADD":
                assert not active & {*names}
                active |= {*names}
            elif event["action"] == "DELETE":
                assert {*names} <= active and not inside.keys() & {*names}
                ended |= {*names}
            continue
        parent = name_of(event["parentID"])
        for name in names:
            assert {name, parent} <= active - ended
            if event["action"] == "ADD":
                assert name not in inside
                inside[name] = parent
            else:
                assert inside.pop(name) == parent
    return inside, ended


def name_of(urn: str) -> str:
    """The number or SSCC in a URN."""
    found = dict(epc.read(urn).elements)
    return found.get("21") or found["00"]


class Packing(RuleBasedStateMachine):
    """People pack, take out and end things at will; most of what they try is refused."""

    def __init__(self, original: Original, databases: Databases) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        self.copied = original.copied(databases, Path(self.folder.name))
        self.bench = self.copied.__enter__()
        self.serials = packing(self.bench, "ORDERS", UNITS, LEVELS)
        self.inside: dict[str, str] = {}
        self.level: dict[str, str] = {}
        self.ended: set[str] = set()
        self.left: set[str] = set()
        self.holds: dict[int, set[str]] = {}
        sk.location.add(self.bench.record, GLN, prefix_length=7, name="Store", zone="Europe/Berlin")

    def teardown(self) -> None:
        """In the end the record is sound, and its events, replayed from nothing, tell the same
        tree as the model."""
        self.bench.heads()
        out = self.bench.folder / "events.jsonld"
        sk.events.write(self.bench.record, "ORDERS", form="json", out=out)
        inside, ended = told_by_events(out)
        assert inside == self.inside
        assert ended == self.ended
        self.copied.__exit__(None, None, None)
        self.folder.cleanup()

    @initialize()
    def begin(self) -> None:
        """Some packs are there."""
        self.build(list(range(4)))
        self.build([4, 5])

    def try_(self, step: Any) -> Any:
        """What the step gives, None if it was refused; then no chain has grown."""
        before = self.told()
        try:
            return step()
        except sk.Refused as refusal:
            assert refusal.remedy
            assert self.told() == before
            return None

    def told(self) -> list[int]:
        """The lot's entries, but those that give it SSCCs: these come before the step."""
        with self.bench.record.read() as view:
            entries = list(view.entries(key_of(view.lot("ORDERS"))))
        return [entry.seq for entry in entries if entry.verb != "ssccs given"]

    def pack(self, level: str, which: int) -> str:
        """One of the packs of a level, or a key that is none."""
        there = [key for key, of in self.level.items() if of == level]
        return there[which % len(there)] if there else "000000000000000000"

    def of(self, key: str) -> list[str]:
        """What is directly in a pack."""
        return [child for child, parent in self.inside.items() if parent == key]

    def under(self, key: str) -> set[str]:
        """A pack or unit, and everything in it."""
        return {key}.union(*(self.under(child) for child in self.of(key)))

    def above(self, key: str) -> set[str]:
        """The packs around it."""
        outer = self.inside.get(key)
        return {outer, *self.above(outer)} if outer else set()

    def held(self, *keys: str) -> bool:
        """Whether a hold is on any of these, on anything in them, or on the lot."""
        things = set().union(*map(self.under, keys), {LOT})
        return any(things & covered for covered in self.holds.values())

    def fixed(self, pack: str) -> bool:
        """Whether nothing goes in or comes out: it or one around it left, or a hold is on it, on
        one around it or on a pack in it."""
        line = {pack, *self.above(pack)}
        packs = {key for key in self.under(pack) | line if key in self.level}
        return bool(line & self.left) or any(packs & covered for covered in self.holds.values())

    @rule(first=ONE, last=ONE)
    def hold_labels(self, first: int, last: int) -> None:
        where = f"{first + 1}-{last + 1}"
        made = self.try_(
            lambda: sk.hold.place(self.bench.record, "ORDERS", positions=where, reason=REASON)
        )
        assert (made is None) == (first > last)
        if made:
            self.holds[made["hold"]] = {*self.serials[first : last + 1]}
            assert made["labels"] == last - first + 1

    @rule(which=WHICH, pallet=st.booleans())
    def hold_pack(self, which: int, pallet: bool) -> None:
        pack = self.pack("pallet" if pallet else "case", which)
        made = self.try_(
            lambda: sk.hold.place(self.bench.record, "ORDERS", pack=pack, reason=REASON)
        )
        gone = {pack, *self.above(pack)} & (self.left | self.ended)
        assert (made is None) == (pack not in self.level or bool(gone))
        if made:
            self.holds[made["hold"]] = {pack}

    @rule(often=st.integers(0, 5))
    def hold_lot(self, often: int) -> None:
        if not often:
            made = sk.hold.place(self.bench.record, "ORDERS", reason=REASON)
            self.holds[made["hold"]] = {LOT}

    @rule(which=st.integers(0, 3))
    def lift(self, which: int) -> None:
        number = [*self.holds, 10**6][which % (len(self.holds) + 1)]
        made = self.try_(lambda: sk.hold.lift(self.bench.record, "ORDERS", number, reason=REASON))
        assert (made is None) == (number not in self.holds)
        self.holds.pop(number, None)

    @rule(which=WHICH, pallet=st.booleans())
    def ship(self, which: int, pallet: bool) -> None:
        pack = self.pack("pallet" if pallet else "case", which)
        made = self.try_(lambda: sk.pack.ship(self.bench.record, [pack], to=GLN))
        bad = pack not in self.level or pack in self.ended or pack in self.left
        bad |= pack in self.inside or not self.of(pack)
        assert (made is None) == (bad or self.held(pack))
        if made:
            self.left.add(pack)

    @rule(which=WHICH, on=st.sampled_from(["lot", "pack", "inside", "labels"]), stays=st.booleans())
    def hold_what_could_leave(self, which: int, on: str, stays: bool) -> None:
        """A hold comes just before a pack is sent: left to chance, this would be rare."""
        ready = [
            key
            for key in self.level
            if key not in self.inside.keys() | self.ended | self.left
            and self.of(key)
            and not self.held(key)
        ]
        if not ready:
            return
        pack = ready[which % len(ready)]
        thing = {"lot": LOT, "pack": pack, "inside": self.of(pack)[0]}.get(on, pack)
        if on == "labels":
            thing = max(self.under(pack) & {*self.serials})
        more: dict[str, str] = {"pack": thing} if thing in self.level else {}
        if thing in self.serials:
            more = {"positions": str(self.serials.index(thing) + 1)}
        made = sk.hold.place(self.bench.record, "ORDERS", reason=REASON, **more)
        self.holds[made["hold"]] = {thing}
        assert not self.try_(lambda: sk.pack.ship(self.bench.record, [pack], to=GLN))
        if self.level[pack] == "case":
            build = sk.pack.build
            assert not self.try_(
                lambda: build(self.bench.record, "ORDERS", "pallet", [pack], reason=REASON)
            )
        if not stays:
            sk.hold.lift(self.bench.record, "ORDERS", made["hold"], reason=REASON)
            del self.holds[made["hold"]]

    @rule()
    def build_in_order(self) -> None:
        made = self.try_(lambda: sk.pack.build(self.bench.record, "ORDERS", "case", in_order=True))
        loose = [
            unit for unit in self.serials if unit not in self.inside and unit not in self.ended
        ]
        good = [unit for unit in loose if not self.held(unit)]
        assert (made is None) == (len(good) < HOLDS["case"])
        if made:
            assert made["passed_over"] == len(loose) - len(good)
            assert made["count"] == len(good) // HOLDS["case"]
            for place, one in enumerate(made["packs"]):
                self.level[one["key"]] = "case"
                some = good[place * HOLDS["case"] :][: HOLDS["case"]]
                self.inside |= dict.fromkeys(some, one["key"])

    @rule(chosen=SOME)
    def build(self, chosen: list[int]) -> None:
        units = [self.serials[one] for one in chosen]
        made = self.try_(
            lambda: sk.pack.build(self.bench.record, "ORDERS", "case", units, reason=REASON)
        )
        bad = len(set(units)) < len(units) or len(units) > HOLDS["case"]
        bad |= any(one in self.inside or one in self.ended for one in units)
        assert (made is None) == (bad or self.held(*units))
        if made:
            key = made["packs"][0]["key"]
            self.level[key] = "case"
            self.inside |= dict.fromkeys(units, key)

    @rule(which=st.lists(WHICH, min_size=1, max_size=3))
    def build_pallet(self, which: list[int]) -> None:
        cases = [self.pack("case", one) for one in which]
        made = self.try_(
            lambda: sk.pack.build(self.bench.record, "ORDERS", "pallet", cases, reason=REASON)
        )
        bad = len(set(cases)) < len(cases) or len(cases) > HOLDS["pallet"]
        bad |= any(one in self.inside or one in self.ended | self.left for one in cases)
        assert (made is None) == (bad or self.held(*cases))
        if made:
            key = made["packs"][0]["key"]
            self.level[key] = "pallet"
            self.inside |= dict.fromkeys(cases, key)

    @rule(which=WHICH, one=ONE)
    def add(self, which: int, one: int) -> None:
        case, unit = self.pack("case", which), self.serials[one]
        made = self.try_(lambda: sk.pack.add(self.bench.record, case, [unit], reason=REASON))
        bad = case in self.ended or unit in self.inside or unit in self.ended
        bad |= self.fixed(case) or self.held(unit)
        assert (made is None) == (bad or len(self.of(case)) == HOLDS["case"])
        if made:
            self.inside[unit] = case

    @rule(which=WHICH, one=ONE, pallet=st.booleans())
    def remove(self, which: int, one: int, pallet: bool) -> None:
        level = "pallet" if pallet else "case"
        pack = self.pack(level, which)
        child = self.pack("case", one) if pallet else self.serials[one]
        made = self.try_(lambda: sk.pack.remove(self.bench.record, pack, [child], reason=REASON))
        bad = self.inside.get(child) != pack
        bad |= pack in self.inside and len(self.of(pack)) == 1
        assert (made is None) == (bad or self.fixed(pack))
        if made:
            del self.inside[child]

    @rule(which=WHICH, bad=ONE, good=ONE)
    def replace(self, which: int, bad: int, good: int) -> None:
        case, out, put = self.pack("case", which), self.serials[bad], self.serials[good]
        made = self.try_(lambda: sk.pack.replace(self.bench.record, case, out, put, reason=REASON))
        wrong = self.inside.get(out) != case or put in self.inside or put in self.ended
        assert (made is None) == (wrong or self.fixed(case) or self.held(put))
        if made:
            del self.inside[out]
            self.inside[put] = case

    @rule(which=WHICH, pallet=st.booleans())
    def empty(self, which: int, pallet: bool) -> None:
        pack = self.pack("pallet" if pallet else "case", which)
        made = self.try_(lambda: sk.pack.empty(self.bench.record, pack, reason=REASON))
        assert (made is None) == (pack in self.inside or not self.of(pack) or self.fixed(pack))
        if made:
            for child in self.of(pack):
                del self.inside[child]

    @rule(one=ONE, which=WHICH)
    def move(self, one: int, which: int) -> None:
        unit, case = self.serials[one], self.pack("case", which)
        made = self.try_(lambda: sk.pack.move(self.bench.record, [unit], case, reason=REASON))
        source = self.inside.get(unit)
        bad = source in (None, case) or case in self.ended
        bad |= source in self.inside and len(self.of(str(source))) == 1
        bad |= self.fixed(str(source)) or self.fixed(case) or self.held(unit)
        assert (made is None) == (bad or len(self.of(case)) == HOLDS["case"])
        if made:
            self.inside[unit] = case

    @rule(one=ONE, take_out=st.booleans())
    def end_unit(self, one: int, take_out: bool) -> None:
        unit = self.serials[one]
        made = self.try_(
            lambda: sk.label.decommission(
                self.bench.record,
                "ORDERS",
                str(one + 1),
                reason="sampled",
                count=1,
                take_out=take_out,
            )
        )
        around = self.inside.get(unit)
        bad = unit in self.ended or (around is not None and not take_out)
        bad |= around in self.inside and len(self.of(str(around))) == 1
        bad |= around is not None and self.fixed(around)
        assert (made is None) == bad
        if made:
            self.inside.pop(unit, None)
            self.ended.add(unit)

    @rule(which=WHICH, pallet=st.booleans(), whole=st.booleans())
    def end_pack(self, which: int, pallet: bool, whole: bool) -> None:
        pack = self.pack("pallet" if pallet else "case", which)
        made = self.try_(
            lambda: sk.pack.decommission(self.bench.record, pack, reason="damaged", whole=whole)
        )
        bad = pack not in self.level or pack in self.ended
        bad |= not whole and (pack in self.inside or bool(self.of(pack)))
        # what is around it loses it, so a hold on any pack in that keeps it there, too
        bad |= any(self.fixed(one) for one in (pack, *self.above(pack)))
        assert (made is None) == bad
        if made:
            gone = [pack, *self.of(pack)]
            gone += [unit for key in self.of(pack) for unit in self.of(key)]
            for one in gone:
                self.inside.pop(one, None)
            self.ended |= set(gone)

    @invariant()
    def the_record_says_the_same(self) -> None:
        """Every pack holds what the model says, and every unit has one place."""
        record = self.bench.record
        for key in self.level:
            tree = sk.pack.show(record, key)
            there = [child.get("serial") or child["key"] for child in tree["children"]]
            assert sorted(there) == sorted(self.of(key))
            assert (tree["state"] == "decommissioned") == (key in self.ended)
            assert not tree["doubtful"] and len(there) <= HOLDS[tree["level"]]
            lines = self.under(key) | self.above(key) | {LOT}
            on_hold = {number for number, covered in self.holds.items() if covered & lines}
            assert {one["hold"] for one in tree["on_hold"]} == on_hold


def test_no_order_of_steps_breaks_a_pack(original: Original, databases: Databases) -> None:
    """Building, changing, holding, sending and ending packs and units in any order."""
    few = databases.kind == "postgresql"
    run_state_machine_as_test(
        lambda: Packing(original, databases),
        settings=settings(
            max_examples=3 if few else 12,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
