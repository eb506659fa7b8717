"""At the bench: scans one by one, the labels of packs, their contents checked, and shipping."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
import resvg_py
from conftest import Bench
from lxml import etree
from test_packs import NAMED, packing, refused

import serialkeeper as sk
from serialkeeper.cli.door import run

GLN = "9521234567899"


def test_contents_are_checked_against_the_record(bench: Bench) -> None:
    """Complete, a missing unit, a unit of another case, a strange number; each with its words."""
    serials = packing(bench, "CHECK1", 8)
    record = bench.record
    made = sk.pack.build(record, "CHECK1", "case", in_order=True)["packs"]
    first, other = (one["key"] for one in made)
    assert sk.pack.check(record, first, serials[:4])["dispositions"] == ["completeness_verified"]
    found = sk.pack.check(record, first, [*serials[:3], serials[4], serials[0]])
    assert (found["missing"], found["twice"]) == ([serials[3]], [serials[0]])
    assert found["extra"] == [{"scan": serials[4], "what": "unit", "in": other}]
    assert found["dispositions"] == ["mismatch_instance"]
    short = sk.pack.check(record, first, serials[:3])
    assert (short["complete"], short["dispositions"]) == (False, ["mismatch_quantity"])
    strange = sk.pack.check(record, first, [*serials[:4], other])
    assert strange["dispositions"] == ["mismatch_class", "mismatch_quantity"]
    pallet = sk.pack.build(record, "CHECK1", "pallet", [first, other])["packs"][0]["key"]
    assert sk.pack.check(record, pallet, [other, first])["complete"]
    assert sk.pack.check(record, pallet, serials, units=True)["complete"]
    bench.heads()


def test_a_pack_label_has_a_life_of_its_own(bench: Bench) -> None:
    """Made, checked by a scan of it, torn and made again with a reason; each symbol reads as it
    should, by a reader that did not draw it."""
    packing(bench, "LABEL1", 4)
    record = bench.record
    case = sk.pack.build(record, "LABEL1", "case", in_order=True)["packs"][0]["key"]
    with refused("pack_state", "no label"):
        sk.pack.label(record, case, scan=f"]C100{case}")
    svg = bench.folder / "one.svg"
    made = sk.pack.label(record, case, out=svg)
    assert made["bracketed"] == (f"(00){case}(02)09521234543213(17)280630(10)LABEL1(37)4")
    assert sk.pack.label(record, case, scan=f"]C100{case}")["copy"] == 1
    with refused("not_in_pack"):
        sk.pack.label(record, case, scan="]C100106141412345678908")
    with refused("not_in_pack"):
        sk.pack.label(record, case, scan=f"]d200{case}0209521234543213375")
    with refused("reason_needed"):
        sk.pack.label(record, case, out=bench.folder / "two.svg")
    again = sk.pack.label(
        record, case, out=bench.folder / "two.svg", carrier="datamatrix", reason="torn"
    )
    assert (again["copy"], again["torn"]) == (2, 1)
    read = scanned(bench, bench.folder / "two.svg")
    assert dict(read["elements"])["00"] == case and dict(read["elements"])["37"] == "4"
    assert sk.pack.label(record, case, scan=read["text"])["state"] == "checked"
    bench.heads()


def scanned(bench: Bench, svg: Path) -> dict[str, Any]:
    """What our reader finds on a drawing, rendered by another library."""
    png = svg.with_suffix(".png")
    drawn = resvg_py.svg_to_bytes(svg_string=svg.read_text(), dpi=254, background="white")
    png.write_bytes(bytes(drawn))
    (code,) = sk.scan(bench.record, png)["codes"]
    assert code["outcome"] == "well formed", code
    elements = [(part["ai"], part["value"]) for part in code["parts"]]
    return {"elements": elements, "text": code["scanned"]}


def test_a_named_case_says_gtin_and_number(bench: Bench) -> None:
    """(01) (21) (17) (10), as bars; the SVG is to scale and well formed."""
    packing(bench, "LABEL2", 3, NAMED)
    case = sk.pack.build(bench.record, "LABEL2", "case", in_order=True)["packs"][0]["key"]
    made = sk.pack.label(bench.record, case, out=bench.folder / "case.pdf")
    gtin, serial = case.split("/")
    assert made["bracketed"] == f"(01){gtin}(21){serial}(17)280630(10)LABEL2"
    assert (bench.folder / "case.pdf").read_bytes().startswith(b"%PDF")
    svg = bench.folder / "case.svg"
    sk.pack.label(bench.record, case, out=svg, reason="lost")
    root = etree.parse(str(svg)).getroot()
    assert root.get("width", "").endswith("mm")


def test_what_was_shipped_does_not_change_any_more(bench: Bench) -> None:
    """A pallet leaves with its destination; nothing in it changes then; one in another, an empty
    one and one with a unit that is not good do not leave. The event tells where they went."""
    serials = packing(bench, "SHIP1", 8)
    record = bench.record
    sk.location.add(record, GLN, prefix_length=7, name="Store", zone="Europe/Berlin")
    cases = [one["key"] for one in sk.pack.build(record, "SHIP1", "case", in_order=True)["packs"]]
    (pallet,) = sk.pack.build(record, "SHIP1", "pallet", cases[:1], reason="small")["packs"]
    with refused("pack_state", "in pack"):
        sk.pack.ship(record, [cases[0]], to=GLN)
    with refused("location_unknown"):
        sk.pack.ship(record, [pallet["key"]], to="9521234000006")
    with refused("bad_value"):
        sk.pack.ship(record, [pallet["key"]], to=GLN, transaction="letter:x")
    uri = f"urn:epcglobal:cbv:bt:{GLN}:D-1"
    left = sk.pack.ship(record, [pallet["key"]], to=GLN, transaction=f"desadv:{uri}")
    assert left["units"] == 4
    for step in (
        lambda: sk.pack.remove(record, cases[0], serials[:1], reason="late"),
        lambda: sk.pack.empty(record, pallet["key"], reason="late"),
        lambda: sk.label.decommission(record, "SHIP1", "1", reason="lost", count=1, take_out=True),
        lambda: sk.pack.decommission(record, pallet["key"], reason="lost", whole=True),
        lambda: sk.pack.ship(record, [pallet["key"]], to=GLN),
    ):
        with refused("pack_state", "shipped"):
            step()
    sk.pack.empty(record, cases[1], reason="none")
    with refused("pack_state", "empty"):
        sk.pack.ship(record, [cases[1]], to=GLN)
    out = bench.folder / "ship.jsonld"
    sk.events.write(record, "SHIP1", form="json", out=out)
    event = next(
        one
        for one in json.loads(out.read_text())["epcisBody"]["eventList"]
        if one["bizStep"] == "shipping"
    )
    assert event["bizTransactionList"] == [{"type": "desadv", "bizTransaction": uri}]
    assert event["destinationList"][0]["destination"] == "urn:epc:id:sgln:9521234.56789.0"
    bench.heads()


def test_a_hand_scanner_packs_case_after_case(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Good and bad scans beep apart; a bad one changes nothing; undo takes the last back; the
    label of an empty case, or `close`, ends a case."""
    serials = packing(bench, "SCAN1", 10)
    (case,) = sk.pack.number(bench.record, "SCAN1", "case", 1)["keys"]
    lines = [*serials[:3], serials[0], serials[5], "undo", "nonsense", serials[3], f"00{case}"]
    lines += [*serials[4:8], "close", serials[0], serials[8]]
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    code = run(["--record", bench.url, "--as", "Line Lead", "pack", "build", "SCAN1", "case",
                "--scan", "--json"])  # fmt: skip
    told = capsys.readouterr()
    assert code == 5
    result = json.loads(told.out)
    assert [one["held"] for one in result["packs"]] == [4, 4]
    assert result["packs"][0]["key"] == case and result["left"] == [serials[8]]
    beeps = [line.split(":")[0] for line in told.err.splitlines() if line[:4] in ("good", "bad:")]
    assert beeps == [*["good"] * 3, "bad", "good", "good", "bad", "good", "good",
                     *["good"] * 5, "bad", "good"]  # fmt: skip
    held = sk.pack.show(bench.record, case)["children"]
    assert [child["serial"] for child in held] == serials[:4]
    bench.heads()


def test_every_pack_command_answers_in_words(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """From filling to shipping by the command line, for people."""
    serials = packing(bench, "WORDS1", 8)
    sk.location.add(bench.record, GLN, prefix_length=7, name="Store", zone="Europe/Berlin")

    def say(*words: str, code: int = 0) -> str:
        assert run(["--record", bench.url, "--as", "Line Lead", *words]) == code
        return capsys.readouterr().out

    scans = bench.folder / "scans.txt"
    scans.write_text("\n".join(serials[:3]) + "\n")
    told = say("pack", "build", "WORDS1", "case", f"@{scans}", "--reason", "few")
    case = told.split()[1].rstrip(":")
    assert "part" in told
    assert "4 of 4" in say("pack", "add", case, serials[3])
    assert "missing" in say("pack", "check", case, *serials[:3], code=5)
    assert "3 of 4" in say("pack", "remove", case, serials[0], "--reason", "sample")
    assert "(37)3" in say("pack", "label", case, "--out", str(bench.folder / "l.svg"))
    assert "is right" in say("pack", "label", case, "--scan", f"]C100{case}")
    assert "Filled: 1 pack" in say("pack", "build", "WORDS1", "case", "--in-order", "--packs", "1")
    rest = say("pack", "list", "WORDS1", "--state", "part")
    assert case in rest and "can be formed" in rest
    pallet = say("pack", "build", "WORDS1", "pallet", case, "--reason", "one").split()[1][:-1]
    tree = say("pack", "show", case)
    assert tree.splitlines()[0].startswith(f"pallet {pallet}")
    assert "loose" in say("lot", "reconcile", "WORDS1", code=5)
    assert "1 pack with 3 units" in say("pack", "ship", pallet, "--to", GLN)
    assert "holds 4" in say("lot", "show", "WORDS1")
    assert say("pack", "build", "WORDS1", "case", code=2) == ""
