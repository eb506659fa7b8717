"""Hand-off to a folder: what a receiver gets, once, in order, and not before it may."""

from __future__ import annotations

import csv
import hashlib
import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from event_reading import read_back, schemas
from test_packs import refused

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.store import sending_reads
from serialkeeper.store.destinations import is_sending, only_sender

LABELS = 20


def lot(bench: Bench, name: str, *, limit: int = 3, closed: bool = True) -> list[str]:
    """A lot whose events are small; gives its numbers."""
    record, bench.lot = bench.record, name
    sk.lot.open(record, GTIN, name, expiry=EXPIRY, target=LABELS, group_limit=limit)
    sk.lot.approve(record, name)
    sk.inspect.take(record, name, bench.results(as_seen(bench.printed(LABELS))))
    if closed:
        close(bench)
        cleared(bench)
    return [row["serial"] for row in bench.labels()]


def close(bench: Bench) -> None:
    """Count everything and close the lot."""
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(bench.record, bench.lot, term, LABELS)
    sk.lot.close(bench.record, bench.lot)


def cleared(bench: Bench, name: str = "") -> None:
    """What has to be done before the lot's events leave: everything is reviewed and checked."""
    bench.lot = name or bench.lot
    bench.reviewed()
    assert sk.events.check(bench.record, bench.lot)["agrees"]


def folder(bench: Bench, name: str, **more: Any) -> Path:
    """A destination that is a folder."""
    place = bench.folder / name
    place.mkdir()
    sk.events.destination(bench.record, name, folder=place, **more)
    return place


def sent(bench: Bench, **more: Any) -> dict[str, Any]:
    """One sending, and what it says of the first destination's lots, by number."""
    told = sk.events.send(bench.record, **more)
    return {row["lot"]: row for row in told["destinations"][0]["lots"]}


def ids(text: str) -> list[str]:
    """The IDs of a JSON-LD document's events."""
    return [one["eventID"] for one in json.loads(text)["epcisBody"]["eventList"]]


def standing(bench: Bench, **more: Any) -> dict[str, Any]:
    """How the bench's lot stands at the first destination."""
    told = sk.events.status(bench.record, lot=bench.lot, **more)
    row: dict[str, Any] = told["destinations"][0]["lots"][0]
    return row


@pytest.mark.parametrize("ahead", [2, 5_000])
def test_a_folder_gets_every_event_once_in_order_after_review(
    bench: Bench, standards: Path, monkeypatch: pytest.MonkeyPatch, ahead: int
) -> None:
    """Nothing goes while the lot is open, held or to be reviewed; then all of it in documents that
    are valid, whose names sort in order; later events follow in later documents; and each document
    has its list, with the digest that the journal tells; however many events are read ahead."""
    monkeypatch.setattr(sending_reads, "MOST_AHEAD", ahead)
    east = folder(bench, "east", most_events=4)
    serials, record = lot(bench, "A/1.b", closed=False), bench.record
    assert sent(bench)["A/1.b"]["why"] == ["the lot is running, not closed"]
    close(bench)
    sk.hold.place(record, bench.lot, positions="3", reason="a dent")
    assert sent(bench)["A/1.b"]["state"] == "kept_back"
    assert standing(bench)["why"] == ["hold 1: a dent"] and not list(east.iterdir())
    sk.hold.lift(record, bench.lot, 1, reason="looked at")
    assert "review list" in sent(bench)["A/1.b"]["why"][0]
    bench.reviewed()
    assert "not checked" in sent(bench)["A/1.b"]["why"][0]
    cleared(bench)
    first = sent(bench)["A/1.b"]
    assert (first["documents"], first["events"], first["state"]) == (2, 7, "up_to_date")
    assert sent(bench) == {}
    sk.label.decommission(record, bench.lot, "5-6", reason="damaged", count=2)
    assert sent(bench)["A/1.b"]["state"] == "kept_back"
    cleared(bench)
    assert sent(bench)["A/1.b"]["events"] == 1

    files = sorted(east.glob("*.jsonld"))
    assert [path.name for path in files] == [f"{GTIN}.A%2F1.b.{n:05d}.jsonld" for n in (1, 2, 3)]
    valid, texts = schemas(standards), [path.read_text() for path in files]
    assert all(valid("json", text) for text in texts)
    whole = bench.folder / "whole.jsonld"
    assert not sk.events.write(record, bench.lot, form="json", out=whole)["kept_back"]
    assert [one for text in texts for one in ids(text)] == ids(whole.read_text())
    last = standing(bench)["last"]
    data = files[2].with_suffix(".csv").read_bytes()
    assert last["list_sha256"] == hashlib.sha256(data).hexdigest() and last["units"] == 2
    assert last["sha256"] == hashlib.sha256(files[2].read_bytes()).hexdigest()
    assert list(csv.DictReader(data.decode().splitlines())) == [
        {"gtin": GTIN, "serial": one, "lot": "A/1.b", "expiry": f"{EXPIRY}", "state": state}
        for one, state in ((serials[4], "decommissioned"), (serials[5], "decommissioned"))
    ]
    row = standing(bench)
    assert (row["events"], row["waiting"], row["documents"]) == (8, 0, 3)
    bench.heads()


def test_as_it_happens_sends_complete_groups_of_an_open_lot(bench: Bench) -> None:
    """A destination may take events before review; a hold keeps them from it all the same; and each
    destination has a cursor of its own."""
    folder(bench, "early", as_it_happens=True)
    later = folder(bench, "later", form="xml-1.2")
    lot(bench, "B1", closed=False)
    told = sk.events.send(bench.record)
    assert [row["lots"][0]["events"] for row in told["destinations"]] == [7, 0]
    sk.hold.place(bench.record, "B1", reason="odd colour")
    sk.label.decommission(bench.record, "B1", "1", reason="sampled", count=1)
    assert sent(bench)["B1"]["why"] == ["hold 1: odd colour"]
    sk.hold.lift(bench.record, "B1", 1, reason="all right")
    assert sent(bench, to="early")["B1"]["events"] == 2
    sk.lot.count(bench.record, "B1", "samples", 1)
    close_with_sample(bench)
    cleared(bench)
    assert sent(bench, to="later")["B1"]["events"] == 9
    (document,) = later.glob("*.xml")
    assert len(read_back("xml-1.2", document.read_text())) == 9
    bench.heads()


def close_with_sample(bench: Bench) -> None:
    sk.lot.count(bench.record, bench.lot, "printer_counter", LABELS)
    sk.lot.count(bench.record, bench.lot, "rewind_counter", LABELS - 1)
    bench.reviewed()
    sk.lot.close(bench.record, bench.lot)


def test_other_bytes_under_the_name_wait_for_a_person(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is there already with other bytes is never overwritten: the lot is stuck, other
    lots are not, and a person says what is so; the same bytes are a delivery."""
    east = folder(bench, "east")
    lot(bench, "C1")
    lot(bench, "C2")
    name = f"{GTIN}.C1.00001.jsonld"
    (east / name).write_text("{}")
    found = sent(bench)
    assert (found["C1"]["state"], found["C2"]["state"]) == ("stuck", "up_to_date")
    assert found["C1"]["why"] == ["file_exists", str(east / name)]
    assert run(["--record", bench.url, "--as", "Line Lead", "events", "send", "--once"]) == 5
    assert run(["--record", bench.url, "--as", "Line Lead", "events", "status"]) == 5
    assert "stuck: another file of that name is there" in capsys.readouterr().out
    pages = [bench.folder / f"{one}.html" for one in ("stuck", "sent")]
    sk.lot.report(bench.record, "C1", out=pages[0])
    assert "Events for east: document 1 is stuck (file_exists)" in pages[0].read_text()
    with refused("reason_needed"):
        sk.events.settle(bench.record, "east", "C1", stored=False, reason=" ")
    (east / name).unlink()
    done = sk.events.settle(bench.record, "east", "C1", stored=False, reason="not ours")
    assert done["state"] == "not_stored"
    with refused("nothing_stuck"):
        sk.events.settle(bench.record, "east", "C1", stored=True, reason="twice")
    assert sent(bench)["C1"]["documents"] == 1
    document = (east / f"{GTIN}.C1.00002.jsonld").read_bytes()
    sk.lot.report(bench.record, "C1", out=pages[1])
    told = pages[1].read_text()
    assert hashlib.sha256(document).hexdigest() in told and "document 1 is" not in told
    bench.heads()


def test_a_folder_that_is_gone_stops_nobody_else(bench: Bench) -> None:
    """It is unavailable, and nothing is lost: the document that was prepared goes, byte for byte,
    when the folder is there again. Two senders never meet at one destination."""
    east, west = folder(bench, "east"), folder(bench, "west")
    lot(bench, "D1")
    east.rmdir()
    told = sk.events.send(bench.record)
    assert [one["outcome"] for one in told["destinations"]] == ["unavailable", "sent"]
    assert told["unavailable"] == 1 and len(list(west.glob("*.jsonld"))) == 1
    prepared = standing(bench, to="east")
    assert prepared["state"] == "prepared" and prepared["waiting"] == 7
    east.mkdir()
    sk.label.decommission(bench.record, "D1", "2", reason="lost", count=1)
    cleared(bench)
    with only_sender(bench.record, 1) as alone:
        assert alone
        assert sk.events.send(bench.record, to="east")["destinations"][0]["outcome"] == "busy"
    assert sent(bench, to="east")["D1"]["documents"] == 2
    first = (east / prepared["open"]["name"]).read_bytes()
    assert hashlib.sha256(first).hexdigest() == prepared["open"]["sha256"]
    bench.heads()


def test_who_looks_sees_whether_somebody_sends_and_is_in_nobodys_way(bench: Bench) -> None:
    """A lock of the file's system, or of the server: seen from another process's connection while
    it is held, not before, not after, and of that destination only; looking takes nothing."""
    for name in ("west", "east"):
        folder(bench, name)
    with sk.open_record(bench.url, person="Line Lead", now=bench.record.now) as other:
        for _ in range(2):
            assert not is_sending(other, 1) and not is_sending(other, 2)
            with only_sender(bench.record, 1) as alone:
                assert alone and is_sending(other, 1) and not is_sending(other, 2)
                with only_sender(other, 1) as second, only_sender(other, 2) as elsewhere:
                    assert not second and elsewhere
                    assert is_sending(bench.record, 2)
        assert not is_sending(other, 1) and not is_sending(other, 2)


@pytest.mark.only_on("sqlite", reason="about a process and its signals")
def test_what_goes_on_sending_leaves_checkpoints_on_its_way(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sender that is never ended would else leave nothing that anybody could hold against it."""
    key, elsewhere = bench.folder / "key.pem", bench.folder / "elsewhere"
    elsewhere.mkdir()
    sk.record.key(bench.record, key)
    sk.record.custodian(bench.record, elsewhere, minutes=1)
    monkeypatch.setenv("SERIALKEEPER_SIGNING_KEY", str(key))
    lot(bench, "E1")
    east, before = folder(bench, "east"), set(elsewhere.iterdir())
    words = ["--record", bench.url, "--as", "Line Lead", "events", "send", "--keep-going"]
    with subprocess.Popen([sys.executable, "-m", "serialkeeper", *words]) as process:
        until = time.monotonic() + 60
        while not (made := set(elsewhere.iterdir()) - before) and time.monotonic() < until:
            time.sleep(0.05)
        process.send_signal(signal.SIGTERM)
    assert process.returncode == 0
    assert made and list(east.iterdir())
    bench.heads()


def test_destinations_are_kept_apart(bench: Bench) -> None:
    """One place, one destination; a name is never used again; a header needs both locations."""
    east = folder(bench, "east")
    record = bench.record
    with refused("destination_exists", "east"):
        sk.events.destination(record, "other", folder=east)
    for same in (east / ".." / "east", east.parent / "." / "east"):
        with refused("destination_exists", "east"):
            sk.events.destination(record, "other", folder=same)
    url = "http://127.0.0.1:9/epcis/capture"
    assert sk.events.destination(record, "west", capture=url)["added"]
    with refused("destination_exists", "west"):
        sk.events.destination(record, "other", capture="http://localhost:9/epcis/capture/")
    again = sk.events.destination(record, "west", capture=url)
    assert not again["added"] and not again["changed"]
    assert sk.events.destination(record, "west", capture=url, most_events=9)["changed"] == [
        "most_events"
    ]
    assert sk.events.destination(record, "west", retire=True)["changed"] == ["retired"]
    with refused("file_missing"):
        sk.events.destination(record, "other", folder=bench.folder / "none")
    for wrong in ({"form": "yaml"}, {"most_events": 0}, {"links": True, "form": "xml-1.2"}):
        with refused("bad_value"):
            sk.events.destination(record, "east", folder=east, **wrong)
    with refused("bad_value"):
        sk.events.destination(record, "east", folder=east, sender="9521234567899")
    with refused("bad_value"):
        sk.events.destination(record, "two words", folder=east)
    for gln, name in (("9521234567899", "Plant"), ("9521234000020", "Store")):
        sk.location.add(record, gln, prefix_length=7, name=name, zone="Europe/Berlin")
    whom = {"sender": "9521234567899", "receiver": "9521234000020"}
    assert sk.events.destination(record, "east", folder=east, links=True, **whom)["links"]
    lot(bench, "E1")
    assert sent(bench)["E1"]["events"] == 7
    (path,) = east.glob("*.jsonld")
    assert "epcisHeader" in json.loads(path.read_text())
    assert sk.events.destination(record, "east", retire=True)["retired"]
    with refused("destination_exists", "retired"):
        sk.events.destination(record, "east", folder=bench.folder)
    with refused("destination_unknown", "none yet"):
        sk.events.send(record, to="east")
    bench.heads()


def test_a_destination_gets_the_products_that_it_wants(bench: Bench) -> None:
    """All of them unless told otherwise; another product's lots are not even waiting there."""
    lot(bench, "MINE")
    place = folder(bench, "east", products=[GTIN])
    sk.product.add(bench.record, "09521234000006", name="Drops", prefix_length=7)
    other = folder(bench, "west", products=["09521234000006"])
    told = sk.events.send(bench.record)["destinations"]
    assert [len(one["lots"]) for one in told] == [1, 0]
    assert list(place.iterdir()) and not list(other.iterdir())
    status = sk.events.status(bench.record)["destinations"]
    assert [one["products"] for one in status] == [[GTIN], ["09521234000006"]]
    assert status[1]["lots"] == []
    with refused("product_unknown"):
        sk.events.destination(bench.record, "north", folder=place, products=["09521234000013"])
    assert bench.heads()
