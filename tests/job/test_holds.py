"""Holds: what is kept back is neither packed nor shipped until somebody lifts the hold.

That labels under investigation are kept back is 21 CFR 211.125 and 211.192's sense; how a hold is
placed and lifted is common practice, no source.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from conftest import Bench
from test_packs import packing, refused, scanned

import serialkeeper as sk

WAREHOUSE = "9521234567899"


def hold(bench: Bench, **more: Any) -> int:
    """Place a hold on lot PACK1; its number."""
    return int(sk.hold.place(bench.record, "PACK1", reason="labels look wrong", **more)["hold"])


def lift(bench: Bench, number: int) -> None:
    sk.hold.lift(bench.record, "PACK1", number, reason="compared, all right")


def cases(bench: Bench, count: int = 2) -> list[str]:
    """Cases of four units each, in plan order."""
    made = sk.pack.build(bench.record, "PACK1", "case", in_order=True, count=count)
    return [one["key"] for one in made["packs"]]


def ship(bench: Bench, key: str) -> Any:
    return sk.pack.ship(bench.record, [key], to=WAREHOUSE)


@pytest.fixture(autouse=True)
def warehouse(bench: Bench) -> None:
    sk.location.add(bench.record, WAREHOUSE, prefix_length=7, name="Warehouse", zone="UTC")


def test_a_held_lot_is_neither_packed_nor_shipped(bench: Bench) -> None:
    """Nothing of the lot goes into a pack, no pack with a unit of it leaves; lifted, both go on."""
    serials = packing(bench, "PACK1", 12)
    (case,) = cases(bench, 1)
    number = hold(bench, case="INV-7")
    for step in (
        lambda: sk.pack.build(bench.record, "PACK1", "case", in_order=True),
        lambda: sk.pack.build(bench.record, "PACK1", "case", serials[4:8]),
        lambda: ship(bench, case),
    ):
        with refused("held", "labels look wrong", f"hold lift PACK1 {number}"):
            step()
    assert sk.lot.show(bench.record, "PACK1")["holds"][0]["case"] == "INV-7"
    lift(bench, number)
    assert sk.lot.show(bench.record, "PACK1")["holds"] == []
    assert len(cases(bench)) == 2
    told = ship(bench, case)
    assert sk.lot.show(bench.record, "PACK1")["shipped"] == {"packs": 1, "last": told["at"]}
    bench.heads()


def test_held_labels_stay_loose_and_keep_their_case_at_home(bench: Bench) -> None:
    """Plan order passes held labels over; a case with one does not leave; taken out, it does."""
    serials = packing(bench, "PACK1", 16)
    number = hold(bench, positions="2-3")
    first, second = cases(bench)
    there = [child["position"] for child in sk.pack.show(bench.record, first)["children"]]
    assert there == [1, 4, 5, 6]
    with refused("held", "2 labels (2-3)"):
        sk.pack.build(bench.record, "PACK1", "case", [serials[1]], reason="one only")
    hold(bench, positions="7")
    assert sk.pack.show(bench.record, second)["hold"]["hold"] == 2
    assert [row["on_hold"] for row in sk.pack.list(bench.record, "PACK1")["packs"]] == [False, True]
    with refused("held"):
        ship(bench, second)
    label = sk.label.show(bench.record, "PACK1", position=7)
    assert [one["hold"] for one in label["holds"]] == [2]
    (told,) = sk.scan(bench.record, scanned(bench, "PACK1")[6])["codes"]
    assert any("It is held, hold 2 on 1 label (7)" in one for one in told["against"])
    sk.pack.remove(bench.record, second, [serials[6]], reason="under investigation")
    ship(bench, second)
    ship(bench, first)
    lift(bench, number)
    assert sk.pack.build(bench.record, "PACK1", "case", serials[1:3], reason="two")["count"] == 1
    bench.heads()


def test_a_held_pack_is_frozen(bench: Bench) -> None:
    """Nothing goes in or out, it does not move, is not shipped and does not end; the pallet around
    it can give up its other case, but stays."""
    serials = packing(bench, "PACK1", 12)
    one, other = cases(bench)
    made = sk.pack.build(bench.record, "PACK1", "pallet", [one, other])
    pallet = made["packs"][0]["key"]
    number = hold(bench, pack=one)
    why = {"reason": "trying"}
    for step in (
        lambda: sk.pack.remove(bench.record, one, [serials[0]], **why),
        lambda: sk.pack.replace(bench.record, one, serials[0], serials[8], **why),
        lambda: sk.pack.empty(bench.record, one, **why),
        lambda: sk.pack.remove(bench.record, pallet, [one], **why),
        lambda: sk.pack.decommission(bench.record, one, reason="damaged", whole=True),
        lambda: sk.pack.decommission(bench.record, pallet, reason="damaged", whole=True),
        lambda: sk.label.decommission(
            bench.record, "PACK1", "1", reason="damaged", count=1, take_out=True
        ),
        lambda: ship(bench, pallet),
    ):
        with refused("held", f"case {one}"):
            step()
    sk.pack.remove(bench.record, pallet, [other], reason="not concerned")
    ship(bench, other)
    lift(bench, number)
    ship(bench, pallet)
    bench.heads()


def test_a_rolls_labels_are_held_wherever_they_go(bench: Bench) -> None:
    """A hold on a roll covers the labels that are on it, and says which roll it was."""
    packing(bench, "PACK1", 12)
    sk.roll.add(bench.record, "PACK1", rows="1-2")
    told = sk.hold.place(bench.record, "PACK1", roll=1, reason="splice not seen")
    assert (told["labels"], told["what"]) == (8, "roll 1, 8 labels (1-8)")
    (case,) = cases(bench, 1)
    assert [one["position"] for one in sk.pack.show(bench.record, case)["children"]] == [
        *range(9, 13)
    ]


def test_holds_are_listed_with_who_placed_and_lifted_them(bench: Bench) -> None:
    """Standing ones by default, all on demand; a lifted hold stands there for ever."""
    packing(bench, "PACK1", 4)
    lift(bench, hold(bench, positions="1"))
    second = hold(bench, case="INV-8")
    assert [row["hold"] for row in sk.hold.list(bench.record, "PACK1")] == [second]
    first, _ = sk.hold.list(bench.record, lifted=True)
    assert (first["by"], first["lifted_by"]) == ("Line Lead", "Line Lead")
    assert first["lifted_reason"] == "compared, all right"


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"reason": " "}, "reason_needed"),
        ({"positions": "99"}, "label_unknown"),
        ({"positions": "x"}, "bad_value"),
        ({"roll": 7}, "roll_unknown"),
        ({"pack": "095212340000000013"}, "pack_unknown"),
        ({"positions": "1", "roll": 1}, "bad_value"),
    ],
)
def test_what_cannot_be_held_is_refused(bench: Bench, given: dict[str, Any], word: str) -> None:
    """Nothing is written; the refusal says what to do."""
    packing(bench, "PACK1", 4)
    with refused(word):
        sk.hold.place(bench.record, "PACK1", **{"reason": "why", **given})
    assert sk.hold.list(bench.record) == []


def test_a_hold_is_lifted_once_and_with_a_reason(bench: Bench) -> None:
    """Unknown and lifted holds are refused, and so is silence."""
    packing(bench, "PACK1", 4)
    number = hold(bench)
    with refused("reason_needed"):
        sk.hold.lift(bench.record, "PACK1", number, reason="")
    with refused("hold_unknown", "hold list PACK1 --all"):
        sk.hold.lift(bench.record, "PACK1", number + 1, reason="why")
    lift(bench, number)
    with refused("hold_unknown", "lifted"):
        lift(bench, number)


@pytest.mark.parametrize("seed", range(4))
def test_whatever_is_held_is_neither_packed_nor_shipped(bench: Bench, seed: int) -> None:
    """Holds come and go among packing and shipping, at random: against a model that knows only
    which units are held, none of these is packed, and no case with one of them leaves."""
    rng = random.Random(seed)
    serials = packing(bench, "PACK1", 24)
    held: dict[int, set[int]] = {}
    home: dict[str, set[int]] = {}
    done = {"packed": 0, "shipped": 0, "refused": 0}
    for _ in range(40):
        under = set().union(*held.values()) if held else set()
        deed = rng.choice(("hold", "lift", "pack", "pack", "ship", "open"))
        if deed == "hold" and len(held) < 3:
            some = sorted(rng.sample(range(1, 25), rng.randint(1, 4)))
            number = hold(bench, positions=",".join(map(str, some)))
            held[number] = set(some)
        elif deed == "lift" and held:
            number = rng.choice(sorted(held))
            lift(bench, number)
            del held[number]
        elif deed == "pack":
            loose = sorted(set(range(1, 25)) - set().union(*home.values(), set()))
            some = rng.sample(loose, min(len(loose), rng.randint(1, 4)))
            fine = bool(some) and not under & set(some)
            try:
                names = [serials[place - 1] for place in some]
                made = sk.pack.build(bench.record, "PACK1", "case", names, reason="random")
                assert fine
                home[made["packs"][0]["key"]] = set(some)
                done["packed"] += 1
            except sk.Refused as refusal:
                assert not fine and refusal.word == ("held" if some else "nothing_to_pack")
                done["refused"] += 1
        elif deed in ("ship", "open") and home:
            key = rng.choice(sorted(home))
            gone = sk.pack.show(bench.record, key)["state"] == "shipped"
            if deed == "open" and not gone:
                sk.pack.empty(bench.record, key, reason="random")
                del home[key]
                continue
            try:
                ship(bench, key)
                assert not gone and not under & home[key]
                done["shipped"] += 1
            except sk.Refused as refusal:
                assert refusal.word == ("held" if under & home[key] else "pack_state")
                done["refused"] += 1
    assert all(done.values())
    bench.heads()
