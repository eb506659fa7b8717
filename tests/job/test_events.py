"""Event files of a lot's whole life, in all forms, from a real record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from conftest import Bench, as_seen
from event_reading import read_back, schemas
from test_packs import NAMED, packing

import serialkeeper as sk
from serialkeeper.cli.door import run

GLN = "9521234567899"
FORMS = ("json", "xml", "xml-1.2")


def whole_life(bench: Bench) -> None:
    """Units are commissioned, pulled, accepted again, sampled and destroyed; cases and a pallet
    are packed, changed, sampled and shipped."""
    serials = packing(bench, "A&<1>", 12, NAMED)
    record, lot = bench.record, bench.lot
    sk.roll.add(record, lot)
    rows = as_seen(next(bench.folder.glob("job*.csv")))
    first = rows[0]["seen"]
    rows[0]["seen"] = ""
    sk.inspect.take(record, lot, bench.results(rows), again_roll=1)
    assert bench.findings() == {1: "unreadable"}
    sk.label.accept(record, lot, 1, reason="scanned by hand", scan=first)
    sk.label.decommission(record, lot, "12", reason="sampled", count=1)
    sk.label.decommission(record, lot, "11", reason="destroyed", count=1, note="record 7")
    cases = [one["key"] for one in sk.pack.build(record, lot, "case", in_order=True)["packs"]]
    sk.pack.replace(record, cases[0], serials[0], serials[9], reason="torn")
    (pallet,) = sk.pack.build(record, lot, "pallet", cases[:2])["packs"]
    sk.pack.empty(record, cases[2], reason="wrong case")
    sk.pack.decommission(record, cases[2], reason="sampled")
    sk.location.add(record, GLN, prefix_length=7, name="Store", zone="Europe/Berlin")
    uri = f"desadv:urn:epcglobal:cbv:bt:{GLN}:D-1"
    sk.pack.ship(record, [pallet["key"]], to=GLN, transaction=uri)


def test_a_whole_life_is_told_alike_in_all_forms(bench: Bench, standards: Path) -> None:
    """Every kind of event is there, valid by the official schemas, the same facts in all forms;
    words that the old form lacks are counted in the answer."""
    whole_life(bench)
    valid, told, answers = schemas(standards), {}, {}
    for form in FORMS:
        out = bench.folder / f"events.{form}"
        answers[form] = sk.events.write(bench.record, bench.lot, form=form, out=out)
        text = out.read_text()
        assert valid(form, text)
        told[form] = read_back(form, text)
        again = bench.folder / f"again.{form}"
        sk.events.write(bench.record, bench.lot, form=form, out=again)
        assert again.read_bytes() == out.read_bytes()
    assert told["json"] == told["xml"]
    kinds = {(row["action"], row["step"], row["disposition"]) for row in told["json"]}
    assert kinds == {
        ("ADD", "commissioning", "active"),
        ("OBSERVE", "inspecting", "non_conformant"),
        ("OBSERVE", "inspecting", "conformant"),
        ("OBSERVE", "sampling", None),
        ("DELETE", "decommissioning", "inactive"),
        ("DELETE", "destroying", "destroyed"),
        ("ADD", "packing", None),
        ("DELETE", "unpacking", None),
        ("OBSERVE", "shipping", "in_transit"),
    }
    older = {"sampling": "other", "non_conformant": "non_sellable_other", "conformant": "active"}
    for row in told["json"]:
        row["step"] = older.get(row["step"], row["step"])
        row["disposition"] = older.get(row["disposition"], row["disposition"])
    assert told["xml-1.2"] == told["json"]
    assert answers["json"]["words"] == answers["xml"]["words"] == {}
    assert answers["xml-1.2"]["words"] == {
        "conformant as active": 1,
        "non_conformant as non_sellable_other": 1,
        "sampling as other": 2,
    }
    bench.heads()


def test_a_document_says_who_sends_what_to_whom(bench: Bench, standards: Path) -> None:
    """With a header, and units named by links; the events and their IDs are the same as without."""
    whole_life(bench)
    sk.location.add(bench.record, "9521234000020", prefix_length=7, name="Plant", zone="UTC")
    valid, plain = schemas(standards), bench.folder / "plain"
    sk.events.write(bench.record, bench.lot, form="json", out=plain)
    for form, links in (("json", True), ("xml", False), ("xml", True), ("xml-1.2", False)):
        out = bench.folder / f"{form}-{links}"
        sk.events.write(
            *(bench.record, bench.lot),
            form=form,
            out=out,
            links=links,
            sender="9521234000020",
            receiver=GLN,
        )
        text = out.read_text("utf-8")
        assert valid(form, text) and "Plant" in text and "Store" in text
        ids = [row["id"] for row in read_back(form, text)]
        assert ids == [row["id"] for row in read_back("json", plain.read_text("utf-8"))]
        if form != "xml-1.2":
            assert read_back(form, text) == read_back("json", plain.read_text("utf-8"))

    def refuse(word: str, form: str = "json", **more: Any) -> None:
        with pytest.raises(sk.Refused, match=word):
            sk.events.write(bench.record, bench.lot, form=form, out=bench.folder / "no", **more)

    refuse("location_unknown", sender="9521234000013", receiver=GLN)
    refuse("bad_value", sender=GLN)
    refuse("bad_value", form="xml-1.2", links=True)
    assert not (bench.folder / "no").exists()


@pytest.mark.only_on("sqlite", reason="about the command's words only")
def test_the_command_says_what_the_old_form_lacks(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """For people a line a word; in JSON the same as `words`."""
    whole_life(bench)

    def typed(*more: str) -> Any:
        words = ["--record", bench.url, "--as", "Line Lead", "events", "write", bench.lot]
        code = run([*words, "--form", "xml-1.2", "--out", *more])
        assert code == 0
        return capsys.readouterr().out

    text = typed(str(bench.folder / "a.xml"))
    assert "EPCIS 1.2 XML" in text
    assert "sampling as other, which CBV 1.2 lacks, in 2 events" in text
    told = json.loads(typed(str(bench.folder / "b.xml"), "--json"))
    assert told["words"]["conformant as active"] == 1
