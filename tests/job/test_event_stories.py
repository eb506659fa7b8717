"""Lots whose lives nobody planned: from a seed, whatever may happen happens; then all their events.

Every document has to be valid by the official schemas, to say the same in every form, to bear the
IDs of the reference implementation, to read back as told, and to agree with what was printed,
accepted and recorded. 20 seeds; the first few on every database, the others on one.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from epcis_event_hash_generator import hash_generator, json_to_py
from event_reading import read_back, schemas
from test_packs import LEVELS, NAMED

import serialkeeper as sk
from serialkeeper.rules.moves import DECOMMISSION_REASONS

PLANT, LINE, DEPOT = "9521234000020", "9521234000020/LINE1", "9521234567899"
SECOND, LOT = "Second Person", "STORY"
ORDER = f"urn:epcglobal:cbv:bt:{PLANT}:ORDER-7"
STEPS = 60


class Nothing(Exception):
    """There is nothing that this could happen to."""


class Story:
    """A lot, and what may happen to it."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench, self.record, self.chance = bench, bench.record, random.Random(seed)
        chance = self.chance
        path = bench.folder / "packs.toml"
        path.write_text(chance.choice([LEVELS, NAMED]))
        sk.product.packs(self.record, GTIN, path)
        for name, zone in ((PLANT, "Europe/Berlin"), (LINE, "Europe/Berlin"), (DEPOT, "UTC")):
            gln, _, extension = name.partition("/")
            sk.location.add(
                *(self.record, gln), extension=extension, name=name, prefix_length=7, zone=zone
            )
        sk.lot.open(
            *(self.record, GTIN, LOT),
            expiry=EXPIRY,
            target=40,
            group_limit=chance.choice([3, 7, 10_000]),
            location=chance.choice(["", PLANT, LINE]),
            order=chance.choice(["", ORDER]),
        )
        sk.lot.approve(self.record, LOT, second=SECOND)
        bench.lot = LOT
        self.rows = as_seen(bench.printed(40))
        for unread in chance.sample(self.rows, 4):
            unread["seen"] = ""
        self.taken = 0
        self.done: set[str] = set()

    def go_on(self) -> None:
        """One thing more happens, if the record lets it."""
        step: Callable[[], Any] = self.chance.choice(
            [
                *(self.takes,) * 3,
                *(self.packs,) * 4,
                *(self.accepts, self.voids, self.decommissions, self.decommissions),
                *(self.corrects, self.replaces, self.removes, self.empties, self.ends_a_pack),
                *(self.ships, self.unships, self.numbers),
            ]
        )
        with suppress(Nothing, sk.Refused):
            step()
            self.done.add(step.__name__)

    def some(self, state: str) -> list[int]:
        """Up to three labels in a state."""
        there = [i for i, one in enumerate(self.bench.states(), 1) if one == state]
        return sorted(self.chance.sample(there, min(len(there), self.chance.randint(1, 3))))

    def pack(self, *states: str) -> str:
        """One of the packs in these states."""
        there = sk.pack.list(self.record, LOT)["packs"]
        return self.one([pack["key"] for pack in there if pack["state"] in states])

    def one(self, some: list[str]) -> str:
        """One of them; raises Nothing where there is none."""
        if not some:
            raise Nothing
        return self.chance.choice(some)

    def takes(self) -> None:
        count = self.chance.randint(5, 12)
        some = self.rows[self.taken : self.taken + count]
        if some:
            self.taken += count
            sk.inspect.take(self.record, LOT, self.bench.results(some))

    def accepts(self) -> None:
        for place in self.some("rejected")[:1]:
            scan = as_seen(next(self.bench.folder.glob("job*.csv")))[place - 1]["seen"]
            sk.label.accept(self.record, LOT, place, reason="read by hand", scan=scan)

    def voids(self) -> None:
        places = self.some("rejected")
        sk.label.void(self.record, LOT, listed(places), reason="waste", count=len(places))

    def decommissions(self) -> None:
        places, reason = (
            self.some("commissioned"),
            self.chance.choice([*DECOMMISSION_REASONS, *(["damaged", "sampled"] * 5)]),
        )
        sk.label.decommission(
            *(self.record, LOT, listed(places)),
            reason=reason,
            note="record 7",
            count=len(places),
            take_out=True,
        )

    def corrects(self) -> None:
        places = self.some("decommissioned")
        sk.label.correct(*(self.record, LOT, listed(places)), reason="a mistake", count=len(places))

    def packs(self) -> None:
        level = self.chance.choice(["case", "case", "case", "pallet"])
        reason = self.chance.choice(["", "the rest"])
        sk.pack.build(self.record, LOT, level, in_order=True, count=1, reason=reason)

    def numbers(self) -> None:
        sk.pack.number(self.record, LOT, "case", count=1)

    def replaces(self) -> None:
        pack = self.pack("commissioned")
        loose = self.bench.labels()[int(self.one([str(p) for p in self.some("commissioned")])) - 1]
        sk.pack.replace(self.record, pack, self.inside(pack), loose["serial"], reason="torn")

    def removes(self) -> None:
        pack = self.pack("commissioned")
        sk.pack.remove(self.record, pack, [self.inside(pack)], reason="torn")

    def inside(self, pack: str) -> str:
        """Something that is directly in a pack."""
        children = sk.pack.show(self.record, pack)["children"]
        return self.one([child.get("serial") or child["key"] for child in children])

    def empties(self) -> None:
        sk.pack.empty(self.record, self.pack("commissioned"), reason="wrong case")

    def ends_a_pack(self) -> None:
        reason = self.chance.choice(["sampled", "damaged"])
        pack = self.pack("commissioned", "numbered")
        sk.pack.decommission(self.record, pack, reason=reason, whole=self.chance.random() < 0.5)

    def ships(self) -> None:
        uri = self.chance.choice(["", f"desadv:urn:epcglobal:cbv:bt:{DEPOT}:D-1"])
        sk.pack.ship(self.record, [self.pack("commissioned")], to=DEPOT, transaction=uri)

    def unships(self) -> None:
        sk.pack.unship(self.record, [self.pack("shipped")], reason="still on the dock")


def listed(places: list[int]) -> str:
    if not places:
        raise Nothing
    return ",".join(map(str, places))


@pytest.mark.parametrize("seed", range(3))
def test_whatever_happened_is_told_validly_and_truly(
    bench: Bench, seed: int, standards: Path
) -> None:
    """The documents of one life: valid, the same, with the reference's IDs, and true."""
    tell(bench, seed, standards)


@pytest.mark.only_on("sqlite", reason="three stories are enough for the other database")
@pytest.mark.parametrize("seed", range(3, 20))
def test_whatever_else_happened_too(bench: Bench, seed: int, standards: Path) -> None:
    """More lives."""
    tell(bench, seed, standards)


def tell(bench: Bench, seed: int, standards: Path) -> None:
    story = Story(bench, seed)
    story.takes()
    story.takes()
    for _ in range(STEPS):
        story.go_on()
    while story.taken < len(story.rows):
        story.takes()
    valid, told = schemas(standards), []
    ways = [(form, links) for form in ("json", "xml", "xml-1.2") for links in (False, True)][:-1]
    for form, links in ways:
        out = bench.folder / f"{form}-{links}"
        header = {"sender": PLANT, "receiver": DEPOT} if links else {}
        sk.events.write(bench.record, LOT, form=form, out=out, links=links, **header)
        text = out.read_text("utf-8")
        assert valid(form, text), (form, links)
        told.append(read_back(form, text))
        result = sk.events.read(bench.record, out, name=LOT)
        assert result["same"] == result["events"] == len(told[0]), result
        assert result["lots"][0]["missing"] == result["twice"] == 0
    assert told[0] == told[1] == told[2] == told[3]
    assert [event["id"] for event in told[4]] == [event["id"] for event in told[0]]
    # Source: epcis-event-hash-generator, the reference implementation of CBV 2.0's event hash.
    read = json_to_py.event_list_from_epcis_document_str((bench.folder / "json-False").read_text())
    ids = hash_generator.calculate_hashes_from_pre_hashes(
        hash_generator.derive_prehashes_from_events(read)
    )
    assert ids == [event["id"] for event in told[0]]
    agreed = sk.events.check(bench.record, LOT)
    assert agreed["agrees"], agreed["difference"]
    assert len(story.done) > 6, story.done
    assert bench.heads()
