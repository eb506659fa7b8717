"""Holds: what is neither packed nor sent until somebody lifts it.

That a hold is easily placed and lifted by compliance only is common practice, no source; EU GMP
(EudraLex volume 4, chapter 1) knows the quarantine that it stands for, from memory. Whether holds
keep what they should among all other steps is held against a model in test_pack_orders.py.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from conftest import Bench, Original
from databases import Databases
from test_packs import packing, refused, write
from test_pulls import inspected

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.store.view import key_of

STORE = "9521234567899"
WHY = "odd colour"


def store(bench: Bench) -> None:
    """A place to send packs to."""
    sk.location.add(bench.record, STORE, prefix_length=7, name="Store", zone="Europe/Berlin")


def cases_of(bench: Bench, lot: str, units: int) -> list[str]:
    """A lot whose units are all in cases of four."""
    packing(bench, lot, units)
    made = sk.pack.build(bench.record, lot, "case", in_order=True)
    return [one["key"] for one in made["packs"]]


def holding(number: int) -> str:
    """What a refusal says of a hold."""
    return f"hold {number} of lot"


def test_held_labels_are_passed_over_and_packed_once_lifted(bench: Bench) -> None:
    """Plan order leaves them loose and says how many; by scan they are refused with the hold, who,
    since when and why; while one of two holds is open they stay held."""
    serials = packing(bench, "HELD1", 12)
    record = bench.record
    first = sk.hold.place(record, "HELD1", positions="2,5-6", reason=WHY, case="INV-7")
    assert (first["hold"], first["labels"], first["covers"]["good"]) == (1, 3, 3)
    second = sk.hold.place(record, "HELD1", positions="6", reason="and a dent")
    made = sk.pack.build(record, "HELD1", "case", in_order=True)
    assert made["passed_over"] == 3 and made["count"] == 2
    packed = [
        child["position"]
        for one in made["packs"]
        for child in sk.pack.show(record, one["key"])["children"]
    ]
    assert packed == [1, 3, 4, 7, 8, 9, 10, 11]
    said = (holding(1), WHY, "Line Lead", first["at"], "INV-7", "hold lift HELD1 1")
    for children in ([serials[1]], [serials[11], serials[4]]):
        with refused("held", *said):
            sk.pack.build(record, "HELD1", "case", children, reason="the rest")
    with refused("nothing_to_pack", "3 that are held"):
        sk.pack.build(record, "HELD1", "case", in_order=True)
    sk.hold.lift(record, "HELD1", 1, reason="looked at")
    with refused("held", holding(second["hold"]), "and a dent"):
        sk.pack.build(record, "HELD1", "case", [serials[5]], reason="the rest")
    sk.hold.lift(record, "HELD1", second["hold"], reason="looked at")
    rest = sk.pack.build(record, "HELD1", "case", in_order=True)
    assert (rest["passed_over"], rest["units_loose"]) == (0, 0)
    bench.heads()


def test_a_file_and_a_scanner_tell_of_what_is_held(bench: Bench) -> None:
    """Each held row of a file is named with its hold; a hand scanner is told at once."""
    serials = packing(bench, "HELD2", 4)
    sk.hold.place(bench.record, "HELD2", positions="2-3", reason=WHY)
    path = write(bench.folder / "held.csv", [("A", "case", serial) for serial in serials])
    with refused("import_rows", "line 3, child", "line 4, child", "held"):
        sk.pack.build(bench.record, "HELD2", "case", file=path)
    from serialkeeper.steps.pack_checks import look

    assert look(bench.record, "HELD2", "case", serials[:1])["held"] == 1
    with refused("held", holding(1)):
        look(bench.record, "HELD2", "case", serials[:2])


def test_a_roll_is_held_as_it_was(bench: Bench) -> None:
    """The labels that stand on the roll when the hold is placed, and no other; a spare that comes
    onto it later is free, what left it stays held, and the hold keeps the roll's number."""
    serials = packing(bench, "HELD3", 16)
    record = bench.record
    roll = sk.roll.add(record, "HELD3")["roll"]
    second = sk.roll.slit(record, "HELD3", roll)["rolls"][1]["roll"]
    made = sk.hold.place(record, "HELD3", roll=second, reason="fell off the winder")
    assert (made["positions"], made["roll"], made["labels"]) == ([[2, 14, 4]], second, 4)
    assert f"roll {second}" in made["on"]
    label = sk.label.show(record, "HELD3", position=6)
    assert [one["hold"] for one in label["on_hold"]] == [1]
    assert not sk.label.show(record, "HELD3", position=7)["on_hold"]
    sk.label.decommission(record, "HELD3", "6", reason="damaged", count=1)
    sk.roll.removed(record, "HELD3", second, position=[6], scan=serials[1])
    sk.label.replace(record, "HELD3", 6, 4, reason="a spare of lane 4")
    sk.pack.build(record, "HELD3", "case", in_order=True)
    loose = [
        one for one in range(1, 17) if not sk.label.show(record, "HELD3", position=one)["packs"]
    ]
    assert loose == [2, 6, 10, 14]
    again = sk.hold.place(record, "HELD3", roll=second, reason="fell again")
    assert again["positions"] == [[2, 2, 1], [4, 4, 1], [10, 10, 1], [14, 14, 1]]
    bench.heads()


def lot_steps(bench: Bench, serials: list[str], case: str) -> list[Callable[[], Any]]:
    """Every way to pack something of a lot."""
    record, lot = bench.record, bench.lot
    path = write(bench.folder / "lot.csv", [("A", "case", serial) for serial in serials[4:8]])
    return [
        lambda: sk.pack.build(record, lot, "case", serials[4:8]),
        lambda: sk.pack.build(record, lot, "case", positions="5-8"),
        lambda: sk.pack.build(record, lot, "case", in_order=True),
        lambda: sk.pack.build(record, lot, "pallet", in_order=True, reason="one"),
        lambda: sk.pack.build(record, lot, "case", file=path),
        lambda: sk.pack.build(record, lot, "pallet", [case], reason="one"),
        lambda: sk.pack.add(record, case, serials[4:5]),
        lambda: sk.pack.replace(record, case, serials[1], serials[4], reason="x"),
        lambda: sk.pack.ship(record, [case], to=STORE),
    ]


def test_nothing_of_a_held_lot_is_packed_or_sent(bench: Bench) -> None:
    """Every way of packing and shipping is refused, the record stays as it was; keys for labels to
    come, taking out and decommissioning go on."""
    serials = packing(bench, "HELD4", 8)
    store(bench)
    record = bench.record
    (case,) = sk.pack.build(record, "HELD4", "case", serials[:4])["packs"]
    sk.pack.remove(record, case["key"], serials[:1], reason="room")
    sk.pack.number(record, "HELD4", "pallet", 1)  # so that the lot has SSCCs of both levels
    sk.hold.place(record, "HELD4", reason=WHY)
    heads = bench.heads()
    for step in lot_steps(bench, serials, case["key"]):
        with refused("held", "the whole lot", holding(1)):
            step()
        assert bench.heads() == heads
    written = sk.events.write(record, "HELD4", form="json", out=bench.folder / "held.jsonld")
    assert written["kept_back"] == [f"hold 1: {WHY}", "the lot is running, not closed"]
    assert sk.pack.number(record, "HELD4", "case", 1)["keys"]
    sk.pack.remove(record, case["key"], serials[1:2], reason="sample")
    sk.label.decommission(record, "HELD4", "2", reason="sampled", count=1)
    sk.hold.lift(record, "HELD4", 1, reason="released")
    for step in lot_steps(bench, serials, case["key"])[6:7]:
        step()
    bench.heads()


def test_a_held_pack_and_what_is_around_it_and_in_it_stand_still(bench: Bench) -> None:
    """Nothing goes in, nothing comes out, it does not move, is not sent and not ended, neither it
    nor its case nor its pallet; its neighbour on the pallet may be changed."""
    cases = cases_of(bench, "HELD5", 20)
    store(bench)
    record = bench.record
    serials = [row["serial"] for row in bench.labels()]
    pallet, other = [
        one["key"] for one in sk.pack.build(record, "HELD5", "pallet", in_order=True)["packs"]
    ]
    loose = cases[4]
    sk.pack.remove(record, cases[1], serials[4:5], reason="room")
    for on in (cases[0], pallet):
        made = sk.hold.place(record, "HELD5", pack=on, reason=WHY)
        heads = bench.heads()
        steps: list[Callable[[], Any]] = [
            lambda: sk.pack.remove(record, cases[0], serials[:1], reason="x"),
            lambda: sk.pack.empty(record, cases[0], reason="x"),
            lambda: sk.pack.replace(record, cases[0], serials[0], serials[4], reason="x"),
            lambda: sk.pack.move(record, serials[:1], cases[1], reason="x"),
            lambda: sk.label.decommission(
                record, "HELD5", "1", reason="sampled", count=1, take_out=True
            ),
            lambda: sk.pack.decommission(record, cases[0], reason="damaged", whole=True),
            lambda: sk.pack.remove(record, pallet, [cases[0]], reason="x"),
            lambda: sk.pack.remove(record, pallet, [cases[1]], reason="x"),
            lambda: sk.pack.move(record, [cases[0]], other, reason="x"),
            lambda: sk.pack.replace(record, pallet, cases[1], loose, reason="x"),
            lambda: sk.pack.empty(record, pallet, reason="x"),
            lambda: sk.pack.decommission(record, pallet, reason="damaged", whole=True),
            lambda: sk.pack.ship(record, [pallet], to=STORE),
        ]
        for step in steps:
            with refused("held", f"pack {on}", holding(made["hold"])):
                step()
            assert bench.heads() == heads
        if on == cases[0]:
            sk.pack.remove(record, cases[1], serials[5:6], reason="of the neighbour")
        else:
            with refused("held", f"pack {on}"):
                sk.pack.remove(record, cases[1], serials[6:7], reason="x")
        sk.hold.lift(record, "HELD5", made["hold"], reason="done")
    sk.pack.ship(record, [pallet, other], to=STORE)
    with refused("pack_state", "shipped"):
        sk.hold.place(record, "HELD5", pack=cases[0], reason="too late")
    late = sk.hold.place(record, "HELD5", positions="1-5,17", reason="recall")
    assert late["covers"] == {"good": 6, "packed": 5, "gone": 4}
    bench.heads()


def test_a_pack_with_a_held_unit_leaves_once_it_is_taken_out(bench: Bench) -> None:
    """The case and the pallet around it do not go; after the unit was taken out they do, and the
    unit may end, but not be packed."""
    cases = cases_of(bench, "HELD6", 8)
    store(bench)
    record = bench.record
    serials = [row["serial"] for row in bench.labels()]
    sk.hold.place(record, "HELD6", positions="3", reason=WHY)
    with refused("held", holding(1)):
        sk.pack.build(record, "HELD6", "pallet", cases)
    with refused("held", holding(1)):
        sk.pack.ship(record, cases[:1], to=STORE)
    some = sk.pack.build(record, "HELD6", "pallet", in_order=True, reason="one")
    assert (some["count"], some["passed_over"]) == (1, 1)
    sk.pack.remove(record, cases[0], serials[2:3], reason="put aside")
    with refused("held", holding(1)):
        sk.pack.add(record, cases[0], serials[2:3])
    sk.pack.add(record, some["packs"][0]["key"], cases[:1])
    sk.label.decommission(record, "HELD6", "3", reason="sampled", count=1)
    assert sk.pack.ship(record, [some["packs"][0]["key"]], to=STORE)["units"] == 7
    bench.heads()


def test_a_pallet_of_two_lots_rests_on_the_holds_of_both(bench: Bench) -> None:
    """A hold on units of the other lot keeps the whole pallet; a hold on the pallet stands in the
    lot that it was made in, and is shown to both."""
    mine, other = cases_of(bench, "HELD7", 4), cases_of(bench, "HELD8", 4)
    store(bench)
    record = bench.record
    (made,) = sk.pack.build(record, "HELD7", "pallet", [*mine, *other])["packs"]
    pallet = made["key"]
    for more in ({"positions": "2"}, {"pack": other[0]}, {}):
        hold = sk.hold.place(record, "HELD8", reason=WHY, **more)
        with refused("held", "of lot HELD8"):
            sk.pack.ship(record, [pallet], to=STORE)
        sk.hold.lift(record, "HELD8", hold["hold"], reason="done")
    with refused("pack_unknown", "HELD7"):
        sk.hold.place(record, "HELD8", pack=pallet, reason=WHY)
    sk.hold.place(record, "HELD7", pack=pallet, reason=WHY)
    for lot in ("HELD7", "HELD8"):
        told = [(one["lot"], one["pack"]) for one in sk.lot.show(record, lot)["on_hold"]]
        assert told == [("HELD7", pallet)]
        out = bench.folder / f"events-{lot}"
        out.mkdir()
        sk.events.destination(record, lot, folder=out, as_it_happens=True)
        (row,) = sk.events.send(record, to=lot, lot=lot)["destinations"][0]["lots"]
        hold = "hold 1" + " of lot HELD7" * (lot == "HELD8")
        assert row["why"] == [f"{hold}: {WHY}"] and not list(out.iterdir())
    with refused("held", pallet):
        sk.pack.remove(record, pallet, other, reason="x")
    sk.hold.lift(record, "HELD7", 1, reason="done")
    assert sk.events.send(record, to="HELD8", lot="HELD8")["events"]
    assert sk.lot.show(record, "HELD8")["shipped"] is None
    at = sk.pack.ship(record, [pallet], to=STORE)["at"]
    for lot in ("HELD7", "HELD8"):  # six years from the day on which units of either left
        there = sk.lot.show(record, lot)
        assert there["shipped"] == {"packs": 1, "last": at}
        assert (there["keep"]["by"], there["keep"]["until"]) == ("last shipment", "2032-06-01")
    bench.heads()


def test_every_answer_says_what_is_held_and_by_which_hold(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Lot, reconciliation, label, scan, pack and list of packs, as data and as text."""
    cases = cases_of(bench, "HELD9", 8)
    record = bench.record
    serials = [row["serial"] for row in bench.labels()]
    (pallet,) = sk.pack.build(record, "HELD9", "pallet", cases[:1], reason="one")["packs"]
    sk.hold.place(record, "HELD9", positions="3", reason=WHY, case="INV-7")
    sk.hold.place(record, "HELD9", pack=pallet["key"], reason="torn film")
    both, film, colour = [1, 2], [2], [1]

    def numbers(told: list[dict[str, Any]]) -> list[int]:
        return [one["hold"] for one in told]

    assert numbers(sk.lot.show(record, "HELD9")["on_hold"]) == both
    assert numbers(sk.lot.reconcile(record, "HELD9")["on_hold"]) == both
    assert numbers(sk.label.show(record, "HELD9", position=3)["on_hold"]) == both
    assert numbers(sk.label.show(record, "HELD9", position=2)["on_hold"]) == film
    assert numbers(sk.label.show(record, "HELD9", position=5)["on_hold"]) == []
    for key, wanted in ((pallet["key"], both), (cases[0], both), (cases[1], [])):
        assert numbers(sk.pack.show(record, key)["on_hold"]) == wanted
    (case,) = sk.pack.show(record, pallet["key"])["children"]
    assert case["held_by"] == [] and case["children"][2]["held_by"] == [f"{holding(1)} HELD9"]
    rows = sk.pack.list(record, "HELD9", state="held")["packs"]
    assert {row["key"] for row in rows} == {cases[0], pallet["key"]}
    scanned = sk.scan(record, serials[2])
    assert scanned["outcome"] == "not good" and "INV-7" in str(scanned["codes"][0]["against"])
    assert numbers(scanned["codes"][0]["known"]["label"]["on_hold"]) == both
    assert "torn film" in str(sk.scan(record, f"00{cases[0]}")["codes"][0]["against"])
    assert sk.scan(record, f"00{cases[1]}")["outcome"] == "well formed"
    assert numbers(sk.hold.list(record)["holds"]) == both
    sk.hold.lift(record, "HELD9", 2, reason="new film")
    assert numbers(sk.hold.list(record, "HELD9")["holds"]) == colour
    (_, lifted) = sk.hold.list(record, "HELD9", lifted=True)["holds"]
    assert (lifted["by"], lifted["lifted_by"], lifted["lifted_reason"]) == (
        "Line Lead",
        "Line Lead",
        "new film",
    )
    for words in (
        "lot show HELD9",
        "lot list",
        "lot reconcile HELD9",
        "label show HELD9 3",
        f"pack show {cases[0]}",
        "pack list HELD9 --state held",
        f"scan {serials[2]}",
        "hold list",
    ):
        run([*words.split(), "--record", bench.url, "--as", "Line Lead"])
        out = capsys.readouterr().out
        assert "hold 1 of lot HELD9" in out or "1 open hold" in out, words


def test_a_lot_is_closed_with_its_holds_and_they_go_on(bench: Bench) -> None:
    """Closing tells the open holds and is not hindered; what is held stays so, and holds are placed
    and lifted afterwards."""
    serials = packing(bench, "HELD10", 8)
    record = bench.record
    sk.hold.place(record, "HELD10", positions="1", reason=WHY)
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(record, "HELD10", term, 8)
    closed = sk.lot.close(record, "HELD10")
    assert [one["hold"] for one in closed["on_hold"]] == [1]
    with refused("held", holding(1)):
        sk.pack.build(record, "HELD10", "case", serials[:4])
    sk.hold.place(record, "HELD10", positions="2", reason="another")
    sk.hold.lift(record, "HELD10", 1, reason="fine")
    with refused("held", holding(2)):
        sk.pack.build(record, "HELD10", "case", serials[:4])
    bench.heads()


def test_the_smallest_hold_is_placed_as_it_is_advised(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command that `lot reconcile --hold` names holds exactly the labels that it lists."""
    inspected(bench)
    advice = sk.lot.reconcile(bench.record, bench.lot, hold=True)
    run(["lot", "reconcile", bench.lot, "--hold", "--record", bench.url, "--as", "Line Lead"])
    out = capsys.readouterr().out
    (line,) = [line for line in out.splitlines() if "hold place" in line]
    words = line.replace("TEXT", "x").replace("REF", "y").split()
    run([*words[words.index("hold") :], "--record", bench.url, "--as", "Line Lead"])
    (made,) = sk.hold.list(bench.record, bench.lot)["holds"]
    assert (made["labels"], made["case"]) == (advice["held"], "y")
    assert "78" in advice["place"].split(",")


def test_a_hold_that_comes_while_somebody_packs(bench: Bench) -> None:
    """Whoever comes first: what was packed was packed before the hold, and is kept by it from
    leaving; what came after was refused."""
    serials = packing(bench, "HELD11", 8)
    store(bench)
    gate, told = threading.Barrier(2), dict[str, str]()

    def work(name: str, step: Callable[[sk.Record], Any]) -> None:
        with sk.open_record(bench.url, person="Line Lead", station=name) as record:
            gate.wait()
            try:
                step(record)
                told[name] = "done"
            except sk.Refused as refusal:
                told[name] = refusal.word

    steps: dict[str, Callable[[sk.Record], Any]] = {
        "bench": lambda record: sk.pack.build(record, "HELD11", "case", serials[:4]),
        "office": lambda record: sk.hold.place(record, "HELD11", positions="4", reason=WHY),
    }
    threads = [threading.Thread(target=work, args=step) for step in steps.items()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with bench.record.read() as view:
        verbs = [entry.verb for entry in view.entries(key_of(view.lot("HELD11")))]
    last = [verb for verb in verbs if verb in ("packed", "held")]
    assert told["office"] == "done" and told["bench"] in ("done", "held")
    assert last == (["packed", "held"] if told["bench"] == "done" else ["held"])
    for row in sk.pack.list(bench.record, "HELD11")["packs"]:
        with refused("held", holding(1)):
            sk.pack.ship(bench.record, [row["key"]], to=STORE)
    bench.heads()


BAD: dict[str, tuple[str, Callable[[Bench], Any]]] = {
    "no reason": ("reason_needed", lambda b: sk.hold.place(b.record, "HELD12", reason=" ")),
    "a long one": ("bad_value", lambda b: sk.hold.place(b.record, "HELD12", reason="x" * 1001)),
    "no such lot": ("lot_unknown", lambda b: sk.hold.place(b.record, "NONE", reason=WHY)),
    "outside": (
        "label_unknown",
        lambda b: sk.hold.place(b.record, "HELD12", positions="4-5", reason=WHY),
    ),
    "no positions": (
        "bad_value",
        lambda b: sk.hold.place(b.record, "HELD12", positions="", reason=WHY),
    ),
    "no such roll": (
        "roll_unknown",
        lambda b: sk.hold.place(b.record, "HELD12", roll=3, reason=WHY),
    ),
    "roll 0": ("roll_unknown", lambda b: sk.hold.place(b.record, "HELD12", roll=0, reason=WHY)),
    "no such pack": (
        "pack_unknown",
        lambda b: sk.hold.place(b.record, "HELD12", pack="095212340000000990", reason=WHY),
    ),
    "two things": (
        "bad_value",
        lambda b: sk.hold.place(b.record, "HELD12", positions="1", roll=1, reason=WHY),
    ),
    "lifting none": ("hold_unknown", lambda b: sk.hold.lift(b.record, "HELD12", 9, reason=WHY)),
    "lifting twice": ("hold_unknown", lambda b: sk.hold.lift(b.record, "HELD12", 1, reason=WHY)),
    "lifting without a reason": (
        "reason_needed",
        lambda b: sk.hold.lift(b.record, "HELD12", 2, reason=""),
    ),
    "listing no lot": ("lot_unknown", lambda b: sk.hold.list(b.record, "NONE")),
}


def test_what_makes_no_sense_is_refused_and_changes_nothing(bench: Bench) -> None:
    """Each of these is refused by its word, and no chain has grown."""
    packing(bench, "HELD12", 4)
    sk.hold.place(bench.record, "HELD12", positions="1", reason=WHY)
    sk.hold.lift(bench.record, "HELD12", 1, reason=WHY)
    sk.hold.place(bench.record, "HELD12", positions="1", reason=WHY)
    heads = bench.heads()
    for name, (word, step) in BAD.items():
        with pytest.raises(sk.Refused) as refusal:
            step(bench)
        assert refusal.value.word == word and refusal.value.remedy, name
    assert bench.heads() == heads


@pytest.mark.parametrize(
    ("role", "places", "lifts"),
    [
        ("operator", True, False),
        ("line lead", True, False),
        ("compliance", True, True),
        ("integrator", False, False),
    ],
)
def test_who_places_and_who_lifts(bench: Bench, role: str, places: bool, lifts: bool) -> None:
    """In a live record everybody at the line places a hold, and compliance alone lifts one."""
    there = sk.hold.place(bench.record, "LOT24A", reason=WHY)
    somebody = replace(bench.record, role=role, practice=False)
    for allowed, step in (
        (places, lambda: sk.hold.place(somebody, "LOT24A", reason=WHY)),
        (lifts, lambda: sk.hold.lift(somebody, "LOT24A", there["hold"], reason=WHY)),
    ):
        if allowed:
            step()
        else:
            with refused("role_not_allowed"):
                step()


@pytest.mark.parametrize(
    "edit",
    [
        "DELETE FROM hold",
        "UPDATE hold SET positions = '2'",
        "UPDATE hold SET lifted_at = '2026-06-01T08:00:00.000Z', lifted_by = 'Somebody'",
    ],
)
def test_an_edit_of_a_hold_is_found(
    original: Original, databases: Databases, tmp_path: Path, edit: str
) -> None:
    """Nobody ends a hold past the journal."""
    with original.copied(databases, tmp_path) as bench:
        bench.printed(4)
        sk.hold.place(bench.record, bench.lot, positions="1", reason=WHY)
        bench.heads()
        assert bench.database.edit(edit)
        with pytest.raises(sk.Damaged):
            sk.record.verify(bench.record)


def test_holds_move_with_the_record(
    bench: Bench, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """At the new place the same is held, and refused."""
    serials = packing(bench, "HELD13", 4)
    sk.hold.place(bench.record, "HELD13", positions="1", reason=WHY)
    before = sk.hold.list(bench.record)
    with databases.new(tmp_path_factory.mktemp("there")) as place:
        sk.record.copy(bench.record, place.url)
        with sk.open_record(place.url, person="Line Lead", station="line 1") as there:
            assert sk.hold.list(there) == before
            with refused("held", holding(1)):
                sk.pack.build(there, "HELD13", "case", serials)
