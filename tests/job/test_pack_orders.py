"""Whatever is done to packs, in any order: invariant 9 holds, and the record is what the journal
says. A model that knows nothing of the program says what is in what."""

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

    @rule(chosen=SOME)
    def build(self, chosen: list[int]) -> None:
        units = [self.serials[one] for one in chosen]
        made = self.try_(
            lambda: sk.pack.build(self.bench.record, "ORDERS", "case", units, reason=REASON)
        )
        bad = len(set(units)) < len(units) or len(units) > HOLDS["case"]
        bad |= any(one in self.inside or one in self.ended for one in units)
        assert (made is None) == bad
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
        bad |= any(one in self.inside or one in self.ended for one in cases)
        assert (made is None) == bad
        if made:
            key = made["packs"][0]["key"]
            self.level[key] = "pallet"
            self.inside |= dict.fromkeys(cases, key)

    @rule(which=WHICH, one=ONE)
    def add(self, which: int, one: int) -> None:
        case, unit = self.pack("case", which), self.serials[one]
        made = self.try_(lambda: sk.pack.add(self.bench.record, case, [unit], reason=REASON))
        bad = case in self.ended or unit in self.inside or unit in self.ended
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
        assert (made is None) == bad
        if made:
            del self.inside[child]

    @rule(which=WHICH, bad=ONE, good=ONE)
    def replace(self, which: int, bad: int, good: int) -> None:
        case, out, put = self.pack("case", which), self.serials[bad], self.serials[good]
        made = self.try_(lambda: sk.pack.replace(self.bench.record, case, out, put, reason=REASON))
        wrong = self.inside.get(out) != case or put in self.inside or put in self.ended
        assert (made is None) == wrong
        if made:
            del self.inside[out]
            self.inside[put] = case

    @rule(which=WHICH, pallet=st.booleans())
    def empty(self, which: int, pallet: bool) -> None:
        pack = self.pack("pallet" if pallet else "case", which)
        made = self.try_(lambda: sk.pack.empty(self.bench.record, pack, reason=REASON))
        assert (made is None) == (pack in self.inside or not self.of(pack))
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


def test_no_order_of_steps_breaks_a_pack(original: Original, databases: Databases) -> None:
    """Building, changing and ending packs and units in any order."""
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
