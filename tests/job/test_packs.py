"""Packs: filled, refused, shown, and held against the journal.

SSCC arithmetic is held against GS1's own examples in tests/rules; what a homogenous case may hold
is FDA's (section 581(20) of the FD&C Act, from memory); how packing goes on is common practice,
no source.
"""

from __future__ import annotations

import csv
import json
import threading
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from conftest import GTIN, Bench, Original, as_seen
from databases import Databases

import serialkeeper as sk
from serialkeeper.rules.keys import check_digit

CASE_GTIN = "1952123454321" + check_digit("1952123454321")
LEVELS = """
[case]
holds = 4
part = true

[pallet]
holds = 2
extension = 1
part = true
mixed_lots = true
"""
NAMED = f"""
[case]
holds = 3
key = "gtin"
gtin = "{CASE_GTIN}"

[pallet]
holds = 2
part = true
"""


def packing(bench: Bench, lot: str, labels: int, levels: str = LEVELS) -> list[str]:
    """A lot with pack levels and good units; gives their numbers in position order."""
    path = bench.folder / f"{lot}.toml"
    path.write_text(levels)
    sk.product.packs(bench.record, GTIN, path)
    sk.lot.open(bench.record, GTIN, lot, expiry=date(2028, 6, 30), target=labels)
    sk.lot.approve(bench.record, lot, second="Second Person")
    bench.lot = lot
    rows = as_seen(bench.printed(labels))
    sk.inspect.take(bench.record, lot, bench.results(rows))
    return [row["serial"] for row in bench.labels()]


def scanned(bench: Bench, lot: str) -> list[str]:
    """What a scanner sends of each label of the lot's first print job."""
    with next(bench.folder.glob("job*.csv")).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["lot"] == lot
    return [row["scanned"].replace("{GS}", "\x1d") for row in rows]


def refused(word: str, *more: str) -> Any:
    """The next step has to be refused with that word, and the others told beside it."""

    class Expect:
        def __enter__(self) -> Expect:
            return self

        def __exit__(self, kind: Any, error: Any, _: Any) -> bool:
            assert isinstance(error, sk.Refused), error
            assert error.word == word, str(error)
            assert error.remedy and error.came, str(error)
            for one in more:
                assert one in str(error), str(error)
            return True

    return Expect()


def test_a_case_is_filled_from_scans_and_shown_both_ways(bench: Bench) -> None:
    """Scanned codes and numbers go into one case, the case into a pallet; the tree is the same
    from the pallet down and from the unit up."""
    serials = packing(bench, "PACK1", 10)
    codes = scanned(bench, "PACK1")
    made = sk.pack.build(bench.record, "PACK1", "case", [*codes[:2], *serials[2:4]])
    case = made["packs"][0]["key"]
    assert case == "09521234000000000" + check_digit("09521234000000000")
    assert (made["units_packed"], made["units_loose"]) == (4, 6)
    pallet = sk.pack.build(bench.record, "PACK1", "pallet", [f"00{case}"], reason="the last one")
    top = sk.pack.show(bench.record, pallet["packs"][0]["key"])
    assert [child["key"] for child in top["children"]] == [case]
    assert [child["serial"] for child in top["children"][0]["children"]] == serials[:4]
    assert top["contents"] == [{"lot": "PACK1", "expiry": "2028-06-30", "units": 4}]
    label = sk.label.show(bench.record, "PACK1", position=2)
    assert [one["key"] for one in label["packs"]] == [case, top["key"]]
    assert label["life"][-1]["pack"] == case
    told = sk.scan(bench.record, f"]C100{case}")["codes"][0]
    assert case in told["known"]["pack"] and not told["against"]
    bench.heads()


def test_plan_order_fills_whole_packs_with_the_next_good_loose_units(bench: Bench) -> None:
    """Units that are packed or not good are passed over; the rest stays loose without a reason,
    and becomes one part pack with one."""
    serials = packing(bench, "PACK2", 16)
    sk.label.decommission(bench.record, "PACK2", "3", reason="sampled", count=1)
    sk.pack.build(bench.record, "PACK2", "case", serials[4:8])
    made = sk.pack.build(bench.record, "PACK2", "case", in_order=True)
    assert [one["held"] for one in made["packs"]] == [4, 4]
    first = sk.pack.show(bench.record, made["packs"][0]["key"])
    assert [child["position"] for child in first["children"]] == [1, 2, 4, 9]
    assert made["units_loose"] == 3
    with refused("nothing_to_pack"):
        sk.pack.build(bench.record, "PACK2", "case", in_order=True)
    rest = sk.pack.build(bench.record, "PACK2", "case", in_order=True, reason="end of the lot")
    assert rest["packs"][0]["part"] and rest["units_loose"] == 0
    pallets = sk.pack.build(bench.record, "PACK2", "pallet", in_order=True)
    assert [one["held"] for one in pallets["packs"]] == [2, 2]
    parts = sk.pack.list(bench.record, "PACK2", state="part")["packs"]
    assert [row["key"] for row in parts] == [rest["packs"][0]["key"]]
    bench.heads()


def test_a_file_fills_cases_and_pallets_at_once(bench: Bench) -> None:
    """Marks of new packs, one pack inside the other, and the key of a pack numbered ahead."""
    serials = packing(bench, "PACK3", 12)
    ahead = sk.pack.number(bench.record, "PACK3", "case", 3)["keys"]
    rows = [("A", "case", serial) for serial in serials[:4]]
    rows += [(ahead[1], "case", serial) for serial in serials[4:8]]
    rows += [("P", "pallet", "A"), ("P", "pallet", ahead[1])]
    path = write(bench.folder / "packs.csv", rows)
    made = sk.pack.build(bench.record, "PACK3", "pallet", file=path)
    assert [one["level"] for one in made["packs"]] == ["case", "case", "pallet"]
    tree = sk.pack.show(bench.record, made["packs"][2]["key"])
    assert tree["units"] == 8 and {child["key"] for child in tree["children"]} == {
        made["packs"][0]["key"],
        ahead[1],
    }
    states = {row["key"]: row["state"] for row in sk.pack.list(bench.record, "PACK3")["packs"]}
    assert [states[key] for key in ahead] == ["numbered", "commissioned", "numbered"]
    heads = bench.heads()
    with refused("pack_state", "holds 4"):
        sk.pack.build(bench.record, "PACK3", "pallet", file=path)
    assert bench.heads() == heads


def write(path: Path, rows: list[tuple[str, str, str]]) -> Path:
    """A file of packs."""
    path.write_text("".join(f"{','.join(row)}\n" for row in [("pack", "level", "child"), *rows]))
    return path


def test_bad_children_are_refused_together_and_nothing_is_packed(bench: Bench) -> None:
    """Twice scanned, of another lot, not commissioned, unknown, another company's SSCC, a wrong
    check digit, the case's own label: each is told, and the record stays as it was."""
    other = packing(bench, "PACK4", 4)
    serials = packing(bench, "PACK5", 10)
    sk.label.decommission(bench.record, "PACK5", "9", reason="sampled", count=1)
    (case,) = sk.pack.number(bench.record, "PACK5", "case", 1)["keys"]
    heads = bench.heads()
    foreign, wrong = "106141412345678908", "095212340000000014"
    bad = {
        serials[0]: "given twice",
        other[0]: "PACK4",
        serials[8]: "decommissioned",
        "NOSUCHNUMBER": "no such number",
        foreign: "no such pack",
        wrong: "check digit",
        f"00{case}": "own label",
    }
    with refused("given_twice", *bad.values()):
        sk.pack.build(bench.record, "PACK5", "case", [serials[0], *bad], into=case)
    for children, word in (
        (serials[:5], "pack_full"),
        (serials[:2], "reason_needed"),
        ([serials[0], serials[0]], "given_twice"),
        ([f"(01){GTIN}(21){serials[0]}(10)WRONG"], "not_packable"),
    ):
        with refused(word):
            sk.pack.build(bench.record, "PACK5", "case", children)
    assert bench.heads() == heads
    path = write(bench.folder / "bad.csv", [("A", "case", serials[0]), ("B", "case", serials[0])])
    with refused("import_rows", "line 3, child", "given twice"):
        sk.pack.build(bench.record, "PACK5", "case", file=path, reason="two of them")


def test_a_case_named_by_gtin_and_number_is_one_lot_and_full(bench: Bench) -> None:
    """Half a case is refused even with a reason; a full one has a number of its own GTIN."""
    serials = packing(bench, "PACK6", 8, NAMED)
    with refused("pack_part"):
        sk.pack.build(bench.record, "PACK6", "case", serials[:2], reason="the rest")
    with refused("pack_part"):
        sk.pack.build(bench.record, "PACK6", "case", in_order=True, reason="the rest")
    made = sk.pack.build(bench.record, "PACK6", "case", in_order=True)
    keys = [one["key"] for one in made["packs"]]
    assert len(set(keys)) == 2 and all(key.startswith(f"{CASE_GTIN}/") for key in keys)
    gtin, serial = keys[0].split("/")
    shown = sk.pack.show(bench.record, f"(01){gtin}(21){serial}")
    assert (shown["key"], shown["held"]) == (keys[0], 3)
    pallet = sk.pack.build(bench.record, "PACK6", "pallet", keys)
    assert sk.pack.show(bench.record, pallet["packs"][0]["key"])["units"] == 6
    bench.heads()


def test_a_mixed_pallet_is_told_in_each_lot_and_a_pure_one_refused(bench: Bench) -> None:
    """Cases of two lots on one pallet where the level allows it; both chains tell their part."""
    packing(bench, "PACK7", 4)
    packing(bench, "PACK8", 4)
    cases = [
        sk.pack.build(bench.record, lot, "case", in_order=True)["packs"][0]["key"]
        for lot in ("PACK7", "PACK8")
    ]
    before = {name: head["entries"] for name, head in bench.heads().items()}
    pallet = sk.pack.build(bench.record, "PACK7", "pallet", cases)["packs"][0]["key"]
    after = {name: head["entries"] for name, head in bench.heads().items()}
    assert after[f"{GTIN}/PACK8"] == before[f"{GTIN}/PACK8"] + 1
    contents = sk.pack.show(bench.record, pallet)["contents"]
    assert [(one["lot"], one["units"]) for one in contents] == [("PACK7", 4), ("PACK8", 4)]
    pure = packing(bench, "PACK9", 4, LEVELS.replace("mixed_lots = true", ""))
    del pure
    case = sk.pack.build(bench.record, "PACK9", "case", in_order=True)["packs"][0]["key"]
    packing(bench, "PACK10", 4, LEVELS.replace("mixed_lots = true", ""))
    strange = sk.pack.build(bench.record, "PACK10", "case", in_order=True)["packs"][0]["key"]
    with refused("not_packable", "PACK10"):
        sk.pack.build(bench.record, "PACK9", "pallet", [case, strange])


def test_two_stations_that_pack_one_unit_at_once(bench: Bench) -> None:
    """Exactly one gets it; the other is told that it is packed, and in which pack."""
    serials = packing(bench, "PACK11", 8)
    gate, told = threading.Barrier(2), list[str]()

    def work(station: str, children: list[str]) -> None:
        with sk.open_record(bench.url, person="Line Lead", station=station) as record:
            gate.wait()
            try:
                sk.pack.build(record, "PACK11", "case", children)
                told.append("packed")
            except sk.Refused as refusal:
                told.append(refusal.word)

    both = [serials[:4], [serials[0], *serials[4:7]]]
    threads = [
        threading.Thread(target=work, args=(f"bench {n}", some)) for n, some in enumerate(both)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == ["packed", "packed_already"]
    bench.heads()


def test_ssccs_are_never_given_twice_and_run_out_with_a_refusal(bench: Bench) -> None:
    """Lots draw from ranges of their own; what is left is shown, and none is left in the end."""
    keys = list[str]()
    for lot in ("PACK12", "PACK13"):
        packing(bench, lot, 8)
        keys += sk.pack.number(bench.record, lot, "case", 3)["keys"]
    keys += sk.pack.number(bench.record, "PACK12", "case", 3)["keys"]
    assert len(set(keys)) == 9
    left = sk.pack.list(bench.record, "PACK12")["levels"][0]["ssccs_left"]
    assert left == 10**9 - 200
    path = bench.folder / "long.toml"
    sk.product.add(bench.record, "9521234567899", prefix_length=12, name="Long prefix")
    path.write_text("[case]\nholds = 2\n")
    sk.product.packs(bench.record, "9521234567899", path)
    sk.lot.open(bench.record, "9521234567899", "L1", expiry=date(2028, 6, 30), target=2)
    sk.lot.approve(bench.record, "L1", second="Second Person")
    sk.pack.number(bench.record, "L1", "case", 9_900)
    with refused("ssccs_exhausted", "100 of 10,000"):
        sk.pack.number(bench.record, "L1", "case", 101)
    bench.heads()


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE packed SET pack = 2 WHERE position = 1",
        "DELETE FROM packed WHERE position = 1",
        "UPDATE pack SET parent = 0, parent_lot = 0 WHERE id = 1",
        "UPDATE pack SET state = 'shipped' WHERE id = 1",
        "UPDATE sscc_stock SET used = 1",
        'UPDATE sscc_range SET "count" = 1',
    ],
)
def test_an_edit_of_what_is_in_what_is_found(
    original: Original, databases: Databases, tmp_path: Path, edit: str
) -> None:
    """Every table of packs is held against the journal."""
    with original.copied(databases, tmp_path) as bench:
        packing(bench, "PACK14", 8)
        for level in ("case", "pallet"):
            sk.pack.build(bench.record, "PACK14", level, in_order=True)
        bench.heads()
        assert bench.database.edit(edit)
        with pytest.raises(sk.Damaged):
            sk.record.verify(bench.record)


def test_a_unit_has_one_place_only_whatever_the_program_does(bench: Bench) -> None:
    """The database itself refuses a second parent."""
    packing(bench, "PACK15", 4)
    sk.pack.build(bench.record, "PACK15", "case", in_order=True)
    with pytest.raises(Exception, match=r"(?i)unique"), bench.database.client() as client:
        bench.database.insert("packed", product_id=1, lot_id=2, position=1, pack_lot=2, pack=9)
        del client


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[box]\nholds = 4\n", "packs_invalid"),
        ("[case]\n", "packs_invalid"),
        ("[case]\nholds = 0\n", "packs_invalid"),
        ("[case]\nholds = 4\nsize = 1\n", "packs_invalid"),
        ("[case]\nholds = 4\nextension = 10\n", "packs_invalid"),
        (f'[case]\nholds = 4\nkey = "gtin"\ngtin = "{CASE_GTIN}"\npart = true\n', "packs_invalid"),
        (f'[case]\nholds = 4\nkey = "gtin"\ngtin = "{GTIN}"\n', "packs_invalid"),
        ('[case]\nholds = 4\nkey = "gtin"\ngtin = "19521234543211"\n', "bad_gtin"),
        ('[case]\nholds = 4\nkey = "gtin"\ngtin = "10614141000019"\n', "packs_invalid"),
        ("holds", "packs_invalid"),
    ],
)
@pytest.mark.only_on("sqlite", reason="the file never reaches the database")
def test_levels_that_cannot_be_are_refused(bench: Bench, text: str, word: str) -> None:
    """Each fault of a file of pack levels is named."""
    path = bench.folder / "levels.toml"
    path.write_text(text)
    with refused(word):
        sk.product.packs(bench.record, GTIN, path)


def test_the_picture_of_a_pack_names_every_pack_in_it(bench: Bench) -> None:
    """The SVG is well formed and holds the keys of the pallet and its cases."""
    from lxml import etree

    packing(bench, "PACK16", 8)
    for level in ("case", "pallet"):
        made = sk.pack.build(bench.record, "PACK16", level, in_order=True)
    out = bench.folder / "tree.svg"
    tree = sk.pack.show(bench.record, made["packs"][0]["key"], out=out)
    text = "".join(etree.parse(str(out)).getroot().itertext())
    assert all(one["key"] in text for one in (tree, *tree["children"]))


def test_units_and_cases_are_moved_about_and_every_tree_is_right(bench: Bench) -> None:
    """Add, take out, replace, move from pallet to pallet, empty: each leaves what it should."""
    serials = packing(bench, "PACK20", 20)
    record = bench.record
    cases = [one["key"] for one in sk.pack.build(record, "PACK20", "case", in_order=True)["packs"]]
    pallets = [
        one["key"] for one in sk.pack.build(record, "PACK20", "pallet", in_order=True)["packs"]
    ]
    sk.pack.remove(record, cases[0], serials[:2], reason="sampled")
    assert sk.pack.show(record, cases[0])["held"] == 2
    sk.pack.replace(record, cases[1], serials[4], serials[0], reason="torn")
    assert sk.label.show(record, "PACK20", position=1)["packs"][0]["key"] == cases[1]
    assert sk.pack.add(record, cases[0], [serials[4]])["held"] == 3
    with refused("pack_full"):
        sk.pack.move(record, [cases[0]], pallets[1], reason="room")
    with refused("given_twice", cases[2]):
        sk.pack.remove(record, pallets[1], [cases[2], cases[2]], reason="to make room")
    sk.pack.remove(record, pallets[1], [cases[2]], reason="to make room")
    sk.pack.move(record, [cases[0]], pallets[1], reason="room")
    assert {c["key"] for c in sk.pack.show(record, pallets[1])["children"]} == {
        cases[0],
        cases[3],
    }
    with refused("pack_state", "pack remove"):
        sk.pack.empty(record, cases[0], reason="wrong goods")
    sk.pack.empty(record, pallets[1], reason="broken")
    sk.pack.empty(record, cases[0], reason="wrong goods")
    assert sk.pack.show(record, cases[0])["held"] == 0
    with refused("not_in_pack", "loose"):
        sk.pack.remove(record, cases[1], [serials[1]], reason="again")
    with refused("not_packable", "own label"):
        sk.pack.add(record, cases[0], [cases[0]])
    with refused("reason_needed"):
        sk.pack.remove(record, cases[1], [serials[0]], reason=" ")
    found = sk.lot.reconcile(record, "PACK20")["packs"]
    assert (found["commissioned"], found["packed"], found["loose"]) == (20, 16, 4)
    assert [one["key"] for one in found["part"]] == [pallets[0]]
    bench.heads()


def test_events_of_a_mixed_pallet_are_told_by_both_lots(bench: Bench) -> None:
    """Each lot tells its own case under the same pallet; cases are commissioned first, one of
    them numbered ahead."""
    for lot in ("PACK25", "PACK26"):
        packing(bench, lot, 4)
    (ahead,) = sk.pack.number(bench.record, "PACK25", "case", 1)["keys"]
    sk.pack.build(bench.record, "PACK25", "case", positions="1-4", into=ahead)
    other = sk.pack.build(bench.record, "PACK26", "case", in_order=True)["packs"][0]["key"]
    pallet = sk.pack.build(bench.record, "PACK25", "pallet", [ahead, other])["packs"][0]["key"]
    sk.pack.remove(bench.record, pallet, [other], reason="to another customer")
    told = {}
    for lot in ("PACK25", "PACK26"):
        out = bench.folder / f"{lot}.jsonld"
        sk.events.write(bench.record, lot, form="json", out=out)
        told[lot] = [
            (event["type"], event["action"], len(event.get("childEPCs", event.get("epcList"))))
            for event in json.loads(out.read_text())["epcisBody"]["eventList"]
        ]
    both, one = "AggregationEvent", "ObjectEvent"
    assert told["PACK25"] == [
        (one, "ADD", 4),
        (one, "ADD", 1),
        (both, "ADD", 4),
        (one, "ADD", 1),
        (both, "ADD", 1),
    ]
    assert told["PACK26"] == [
        (one, "ADD", 4),
        (one, "ADD", 1),
        (both, "ADD", 4),
        (both, "ADD", 1),
        (both, "DELETE", 1),
    ]


def test_what_comes_first_when_a_packed_unit_or_pack_ends(bench: Bench) -> None:
    """A packed unit does not leave from inside; both steps at once do; a pack ends empty and
    loose, or whole."""
    packing(bench, "PACK21", 8)
    record = bench.record
    cases = [one["key"] for one in sk.pack.build(record, "PACK21", "case", in_order=True)["packs"]]
    (pallet,) = sk.pack.build(record, "PACK21", "pallet", in_order=True)["packs"]
    heads = bench.heads()
    with refused("packed_already", "--take-out"):
        sk.label.decommission(record, "PACK21", "1-2", reason="sampled", count=2)
    assert bench.heads() == heads
    sk.label.decommission(record, "PACK21", "1-2", reason="sampled", count=2, take_out=True)
    assert sk.pack.show(record, cases[0])["held"] == 2
    with refused("pack_state", "--whole"):
        sk.pack.decommission(record, cases[1], reason="damaged")
    ended = sk.pack.decommission(record, pallet["key"], reason="damaged", whole=True)
    assert ended["units"] == 6 and set(ended["packs"]) == {pallet["key"], *cases}
    assert set(bench.states()) == {"decommissioned"}
    with refused("pack_state"):
        sk.pack.empty(record, cases[0], reason="again")
    other = packing(bench, "PACK24", 4)
    with refused("pack_state", "decommissioned"):
        sk.pack.add(record, cases[0], other)
    bench.heads()


def test_a_full_pack_stays_full(bench: Bench) -> None:
    """Nothing comes out of a case named by GTIN and number singly; it is replaced or emptied."""
    serials = packing(bench, "PACK22", 7, NAMED)
    record = bench.record
    case = sk.pack.build(record, "PACK22", "case", in_order=True)["packs"][0]["key"]
    for step in (
        lambda: sk.pack.remove(record, case, [serials[0]], reason="sample"),
        lambda: sk.label.decommission(
            record, "PACK22", "1", reason="sampled", count=1, take_out=True
        ),
    ):
        with refused("pack_part", "pack empty"):
            step()
    sk.pack.replace(record, case, serials[0], serials[6], reason="sample")
    sk.label.decommission(record, "PACK22", "1", reason="sampled", count=1)
    sk.pack.empty(record, case, reason="opened")
    assert sk.pack.show(record, case)["held"] == 0
    bench.heads()


def test_two_stations_at_one_pack(bench: Bench) -> None:
    """One decommissions a unit out of a pack while another moves it: the record stays sound, and
    whoever came second is told."""
    serials = packing(bench, "PACK23", 8)
    cases = [
        one["key"] for one in sk.pack.build(bench.record, "PACK23", "case", in_order=True)["packs"]
    ]
    sk.pack.remove(bench.record, cases[1], serials[4:5], reason="room")
    gate, told = threading.Barrier(2), list[str]()

    def work(step: Any) -> None:
        with sk.open_record(bench.url, person="Line Lead", station="bench") as record:
            gate.wait()
            try:
                step(record)
                told.append("done")
            except sk.Refused as refusal:
                told.append(refusal.word)

    steps = [
        lambda record: sk.pack.move(record, [serials[0]], cases[1], reason="moved"),
        lambda record: sk.label.decommission(
            record, "PACK23", "1", reason="sampled", count=1, take_out=True
        ),
    ]
    threads = [threading.Thread(target=work, args=(step,)) for step in steps]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert "done" in told and set(told) <= {"done", "not_in_pack", "record_busy"}
    assert sk.label.show(bench.record, "PACK23", position=1)["state"] in (
        "decommissioned",
        "commissioned",
    )
    bench.heads()


def test_packs_move_to_another_database_with_the_record(
    bench: Bench, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """What is in what follows from the journal there, too; packing goes on with the next SSCC."""
    packing(bench, "PACK30", 12)
    for level in ("case", "pallet"):
        made = sk.pack.build(bench.record, "PACK30", level, in_order=True, reason="the rest")
    pallet = made["packs"][0]["key"]
    tree = sk.pack.show(bench.record, pallet)
    ahead = sk.pack.number(bench.record, "PACK30", "case", 1)["keys"]
    with databases.new(tmp_path_factory.mktemp("there")) as place:
        sk.record.copy(bench.record, place.url)
        with sk.open_record(place.url, person="Line Lead", station="line 1") as there:
            assert sk.record.verify(there)["sound"]
            assert sk.pack.show(there, pallet) == tree
            (key,) = sk.pack.number(there, "PACK30", "case", 1)["keys"]
            assert int(key[:-1]) == int(ahead[0][:-1]) + 1
