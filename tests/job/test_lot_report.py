"""The lot report says what the record says, on every page, and its checkpoint holds.

PDF is read back with pdfium and HTML with lxml; signatures are checked with `cryptography` alone.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from decimal import ROUND_DOWN, ROUND_UP, Decimal
from pathlib import Path
from typing import Any

import jsonschema_rs
import pypdfium2
import pytest
from conftest import EXPIRY, Bench, as_seen
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from lxml import html

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.pages import PAPERS
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.store.view import key_of

SCHEMA = Path(__file__).resolve().parents[2] / "schemas" / "lot-report.schema.json"
SECOND = "Second Person"
LABELS, SHOWN = 48, 44
LOWEST = Decimal("0.01")

Rows = list[list[str]]


def worked_on(bench: Bench) -> None:
    """A lot with something of most things, not finished."""
    record, lot = bench.record, bench.lot
    rows = as_seen(bench.printed(LABELS))
    sk.run.start(record, lot)
    sk.run.clearance(record, lot, "before", checked=list(CLEARANCE["before"]), second=SECOND)
    sk.run.challenge(record, lot, when="start", shown=6, caught=6)
    rows[4]["seen"] = rows[4]["grade"] = rows[4]["verdict"] = ""
    rows[8]["grade"] = "1.0"
    rows[9]["seen"] = rows[9]["seen"].replace("LOT24A", "LOT24B")
    sk.inspect.take(record, lot, bench.results(rows[:SHOWN]))
    sk.label.accept(
        record, lot, 9, reason="measured", instrument="verifier 1", calibrated=date(2026, 5, 1),
        grade="2.5/08/660", second=SECOND,
    )  # fmt: skip
    sk.label.void(record, lot, "5,10", reason="waste")
    sk.label.decommission(record, lot, "20-21", reason="sampled", count=2)
    sk.roll.add(record, lot, rows="1-12")
    sk.roll.removed(record, lot, 1, position=[5], scan=rows[0]["seen"])
    sk.lot.count(record, lot, "printer_counter", 47)
    sk.lot.count(record, lot, "printer_counter", 1, reason="read again")
    sk.lot.count(record, lot, "destroyed", 2, witness=SECOND)
    sk.alarm.acknowledge(record, lot, [1], cause="old web", restart_check="10 labels read")
    sk.hold.place(record, lot, reason="counted again", positions="30-31")
    sk.events.check(record, lot)


def last_entry(bench: Bench) -> tuple[Entry, str]:
    """The lot's last entry, and the head."""
    with bench.record.read() as view:
        key = key_of(view.lot(bench.lot))
        *_, last = view.entries(key)
        return last, view.chain(key).head.hex()


def pages_of(path: Path) -> list[str]:
    """The text of each page, without white space: where lines break tells nothing."""
    document = pypdfium2.PdfDocument(path)
    return ["".join(page.get_textpage().get_text_range().split()) for page in document]


def tables_of(root: Any) -> list[Rows]:
    """Every table of an HTML report: its rows of cells."""
    return [
        [[cell.text_content() for cell in row.iter("th", "td")] for row in table.iter("tr")]
        for table in root.iter("table")
    ]


def find(tables: list[Rows], *heads: str) -> Rows:
    """The rows below the heading that begins so."""
    (found,) = (one[1:] for one in tables if tuple(one[0][: len(heads)]) == heads)
    return found


def number(text: str) -> int:
    return int(text.replace(",", ""))


def drawn(root: Any, kind: str, *facts: str) -> list[tuple[int, ...]]:
    """What the figures of that kind tell that have all these facts."""
    there = [one.attrib for one in root.iter("g") if one.get("class") == kind]
    names = [f"data-{fact}" for fact in facts]
    return [tuple(int(one[n]) for n in names) for one in there if set(names) <= set(one)]


def test_both_forms_tell_the_numbers_of_the_other_commands(bench: Bench) -> None:
    """States, ledgers and findings are those of lot show, lot reconcile and label list, in tables
    and charts; both forms say the same; every page has the head, and the entry tells the bytes."""
    worked_on(bench)
    record, lot = bench.record, bench.lot
    shown, balance, labels = sk.lot.show(record, lot), sk.lot.reconcile(record, lot), bench.labels()
    page, paper = bench.folder / "report.html", bench.folder / "report.pdf"
    made = sk.lot.report(record, lot, out=page)
    jsonschema_rs.validator_for(json.loads(SCHEMA.read_text())).validate(made)
    assert made["head"] == shown["chain"]["head"] and made["pages"] is None
    assert hashlib.sha256(page.read_bytes()).hexdigest() == made["sha256"]
    told, head = last_entry(bench)
    assert (told.verb, told.data["sha256"]) == ("lot reported", made["sha256"])

    root = html.fromstring(page.read_bytes())
    tables = tables_of(root)
    rows = find(tables, "state", "labels")
    assert {row[0]: number(row[1]) for row in rows if row[1] != "0"} == {
        **shown["states"],
        "allocated ever": LABELS,
    }
    for word, count, share, _ in rows[:-1]:
        rounding = ROUND_DOWN if word in ("commissioned", "verified") else ROUND_UP
        exact = Decimal(number(count)) * 100 / LABELS
        assert Decimal(share) == exact.quantize(LOWEST, rounding), word
    assert {row[0]: row[1:3] for row in find(tables, "line")} == {
        line["name"]: [
            "not counted" if line["labels"] is None else f"{line['labels']:,}",
            f"{line['numbers']:,}",
        ]
        for line in balance["lines"]
    }
    found = {row[0]: number(row[2]) for row in find(tables, "finding")}
    assert found == {"wrong_lot": 1, "unreadable": 1, "low_grade": 1}
    doubtful = {one["position"] for one in labels if one["finding"]}
    run_bars = drawn(root, "bar", "first", "last", "labels", "other", "critical")
    for first, last, of, other, critical in run_bars:
        mine = doubtful & set(range(first, last + 1))
        assert (of, other + critical) == (last - first + 1, len(mine))
        assert critical == (10 in mine)
    lanes = {lane: n + m for lane, n, m in drawn(root, "bar", "lane", "other", "critical")}
    assert Counter(lanes) == Counter((one - 1) % 4 + 1 for one in doubtful)
    assert sum(count for (count,) in drawn(root, "cell", "labels")) == len(doubtful)
    graded = dict(drawn(root, "grade", "tenths", "labels"))
    assert {tenths: n for tenths, n in graded.items() if n} == {10: 1, 35: SHOWN - 2}
    assert drawn(root, "minimum", "tenths") == [(15,)]

    text = " ".join(root.text_content().split())
    for words in (
        f"{shown['states']['commissioned']} of {LABELS} labels commissioned",
        "HELD: positions 30-31",
        "Open: 4 printed labels not seen by the camera",
        "the count of printer_counter was 47 and is 48 (+1)",
        "cut out of roll 1 by Line Lead",
        "NOTHING SHOWS IT",
        "old web; restart check: 10 labels read",
        "Line Lead (line lead): done (practice); Second Person (compliance): approved (practice)",
        "instrument verifier 1",
        "challenge at the start of the run: passed, 6 of 6 caught",
        "An in-line camera grade is not a verifier grade",
        "this paper carries the head only, unsigned",
    ):
        assert words in text, words
    (check,) = find(tables, "entry", "when (UTC)", "they")
    ever = shown["states"]["commissioned"] + shown["states"]["decommissioned"]
    assert check[2:4] == ["agree", str(ever)] and int(check[5]) < int(check[0])
    assert "check again" not in text
    again = sk.lot.report(record, lot, out=paper)
    pages = pages_of(paper)
    assert again["pages"] == len(pages)
    for at, one in enumerate(pages, 1):
        assert f"page{at}of{len(pages)}" in one and f"lot{lot},entry{told.seq},head{head}" in one
        assert "PRACTICERECORD" in one
    outline = [one.get_title() for one in pypdfium2.PdfDocument(paper).get_toc()]
    assert outline == [one.text_content() for one in root.iter("h2")]
    whole = "".join(pages)
    # The PDF is one entry later: the report before it.
    later = re.compile(rf"{made['head']}|{made['entries']}|.*other kinds|.*T08:00.*")
    for cell in (cell for table in tables for row in table[1:] for cell in row):
        assert later.fullmatch(cell) or "".join(cell.split()) in whole, cell
    sk.label.decommission(record, lot, "22", reason="sampled", count=1)
    sk.lot.report(record, lot, out=bench.folder / "later.html")
    assert "check again" in (bench.folder / "later.html").read_text()


@pytest.mark.only_on("sqlite", reason="keys and files, nothing of a database")
def test_the_printed_checkpoint_holds(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is printed of it is what its file says; the signature is good for `cryptography` alone,
    and for no other text; record verify takes the file. A key that is not named makes nothing."""
    bench.printed(8)
    record, lot, out = bench.record, bench.lot, bench.folder / "lot.pdf"
    named = sk.record.key(record, bench.folder / "key.pem")["public_key"]
    made = sk.lot.report(record, lot, out=out, key=bench.folder / "key.pem")
    jsonschema_rs.validator_for(json.loads(SCHEMA.read_text())).validate(made)
    beside = bench.folder / "lot.pdf.checkpoint.json"
    assert made["checkpoint"]["file"] == str(beside)
    page = "".join(pages_of(out))
    printed = {
        name: re.search(rf"{title}([0-9a-f]{{{size}}})", page)
        for name, title, size in (
            ("sha256", "SHA-256ofthatfile", 64),
            ("root", r"Rootofitstree\(RFC9162\)", 64),
            ("key", r"Publickey\(Ed25519\)", 64),
            ("signature", "Signature", 128),
            ("head", r"chain\d+entries,head", 64),
            ("record", "Record", 64),
        )
    }
    said = {name: one[1] for name, one in printed.items() if one}
    data = beside.read_bytes()
    file = json.loads(data)
    mark = next(one for one in file["checkpoint"]["chains"] if one["lot_id"])
    assert said == {
        "sha256": hashlib.sha256(data).hexdigest(),
        "root": mark["root"],
        "key": named,
        "signature": file["signature"],
        "head": made["head"],
        "record": file["checkpoint"]["record"],
    }
    body = json.dumps(file["checkpoint"], sort_keys=True, separators=(",", ":")).encode()
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(said["key"]))
    key.verify(bytes.fromhex(said["signature"]), body)
    with pytest.raises(InvalidSignature):
        key.verify(bytes.fromhex(said["signature"]), body.replace(b'"count":', b'"count": '))
    verified = sk.record.verify(record, against=beside, public_key=named)
    assert verified["unprotected"]["entries"] == 2  # that it was reported, and the checkpoint

    other = bench.folder / "other"
    other.mkdir()
    with sk.init(f"sqlite:///{other}/record.db", "Other", station="x") as strange:
        sk.record.key(strange, other / "key.pem")
    with pytest.raises(sk.Refused) as refused:
        sk.lot.report(record, lot, out=other / "lot.pdf", key=other / "key.pem")
    assert refused.value.word == "bad_value" and not list(other.glob("lot.pdf*"))
    custodian = bench.folder / "custodian"
    custodian.mkdir()
    sk.record.custodian(record, custodian)
    sk.lot.report(record, lot, out=bench.folder / "unsigned.pdf")
    assert "nokeywasnamed" in "".join(pages_of(bench.folder / "unsigned.pdf"))
    monkeypatch.setenv("SERIALKEEPER_SIGNING_KEY", str(bench.folder / "key.pem"))
    third = bench.folder / "third.html"
    assert run(["--record", bench.url, "--as", "Line Lead", "lot", "report", lot,
                "--out", str(third)]) == 0  # fmt: skip
    assert third.with_name("third.html.checkpoint.json").exists() and not list(custodian.iterdir())


HOSTILE = '<b> Ж </b> & Łódź "tablets" ]]> <script>alert(1)</script> ä'


@pytest.mark.only_on("sqlite", reason="about the files that are written")
def test_hostile_texts_stand_on_the_pages_as_they_are(bench: Bench) -> None:
    """Signs of markup are letters in both forms, a name that no font of the PDF has is written as
    numbers, the longest lot number fits; letter paper has its own size."""
    record = bench.record
    gtin, lot = "09521234000037", "<&'\">%/;*+_-.=!?():A"
    sk.product.add(record, gtin, prefix_length=7, name=HOSTILE)
    sk.lot.open(record, gtin, lot, expiry=EXPIRY, target=5, market=HOSTILE[:60])
    sk.lot.approve(record, f"{gtin}/{lot}", second=SECOND)
    sk.serials.allocate(record, f"{gtin}/{lot}", 4)
    sk.label.void(record, f"{gtin}/{lot}", "1-4", reason="surplus", count=4)
    sk.hold.place(record, f"{gtin}/{lot}", reason=HOSTILE)
    page, paper = bench.folder / "r.html", bench.folder / "r.pdf"
    sk.lot.report(record, f"{gtin}/{lot}", out=page)
    made = sk.lot.report(record, f"{gtin}/{lot}", out=paper, paper="Letter")
    data = page.read_text()
    assert "<script" not in data and "http" not in data.replace("http://www.w3.org/2000/svg", "")
    root = html.fromstring(data)
    text = root.text_content()
    assert HOSTILE in text and lot in text and not root.findall(".//b")
    pages = pages_of(paper)
    escaped = HOSTILE.replace("Ж", "[U+0416]").replace("ź", "[U+017A]")
    assert "".join(escaped.split()) in "".join(pages)
    assert all(f"lot{lot}," in one for one in pages)
    sizes = {page.get_size() for page in pypdfium2.PdfDocument(paper)}
    assert {tuple(round(side * 25.4 / 72, 1) for side in one) for one in sizes} == {
        PAPERS["Letter"]
    }
    assert made["paper"] == "Letter"


@pytest.mark.only_on("sqlite", reason="about the files that are written")
def test_a_lot_of_nothing_and_a_wrong_name(bench: Bench) -> None:
    """A draft without a number has a report; a name of another kind, an unknown paper and a
    file that is there are refused, and nothing is written."""
    record = bench.record
    gtin = "09521234543213"
    sk.lot.open(record, gtin, "EMPTY", expiry=EXPIRY, target=5)
    out = bench.folder / "empty.pdf"
    sk.lot.report(record, "EMPTY", out=out)
    assert sk.lot.report(record, "EMPTY", out=bench.folder / "empty.html")["state"] == "draft"
    whole = "".join(pages_of(out))
    assert "0of0labelscommissioned," in whole and "Nothingwasprintedyet" in whole
    assert "100.00%" not in whole
    for name, more, word in (
        ("a.txt", {}, "bad_value"),
        ("a.pdf", {"paper": "A3"}, "bad_value"),
        ("empty.pdf", {}, "file_exists"),
        ("a.pdf", {"key": bench.folder / "none.pem"}, "file_missing"),
    ):
        with pytest.raises(sk.Refused) as refused:
            sk.lot.report(record, "EMPTY", out=bench.folder / name, **more)  # type: ignore[arg-type]
        assert refused.value.word == word
    assert not list(bench.folder.glob("a.*"))


@pytest.mark.only_on("sqlite", reason="about what stands on the pages")
def test_every_decision_and_signature_stands_there(bench: Bench) -> None:
    """A decision that another one replaced, too, and why the lot was opened again; signatures with
    printed name, role, meaning, date and time (21 CFR 11.50(a)), wherever something signed is."""
    record, lot = bench.record, bench.lot
    rows = as_seen(bench.printed(8))
    sk.run.start(record, lot)
    sk.run.clearance(record, lot, "before", checked=list(CLEARANCE["before"]), second=SECOND)
    sk.run.challenge(record, lot, when="start", shown=6, caught=6)
    sk.inspect.take(record, lot, bench.results(rows))
    sk.run.challenge(record, lot, when="end", shown=6, caught=6)
    sk.run.clearance(record, lot, "after", checked=list(CLEARANCE["after"]), second=SECOND)
    sk.run.end(record, lot)
    held = sk.hold.place(record, lot, reason="counted again", positions="3")["hold"]
    sk.hold.lift(record, lot, held, reason="all there")
    sk.lot.count(record, lot, "printer_counter", 8)
    sk.lot.count(record, lot, "rewind_counter", 8)
    bench.reviewed()
    sk.lot.close(record, lot)
    day, by = date(2026, 6, 1), "Quality Unit"
    sk.lot.decide(record, lot, "released", on=day, by=by, reference="QU-1")
    sk.lot.decide(record, lot, "refused", on=day, by=by, reference="QU-2", reason="a complaint")
    sk.lot.reopen(record, lot, reason="a roll found", second=SECOND)
    sk.lot.count(record, lot, "rewind_counter", -1, reason="one is torn")
    bench.reviewed()
    reopened = bench.folder / "reopened.html"
    sk.lot.report(record, lot, out=reopened)
    text = reopened.read_text()
    assert "opened again after the last decision" in text
    assert "Before the lot was opened again the quality unit had decided: refused" in text
    sk.lot.close(record, lot, explanation="one is torn", investigation="INV-7", second=SECOND)
    again = bench.folder / "again.html"
    sk.lot.report(record, lot, out=again)
    assert "There is no decision on what it is now" in again.read_text()
    later = record.now().date()
    sk.lot.decide(record, lot, "released", on=later, by=by, reference="QU-3", reason="found")
    page = bench.folder / "report.html"
    sk.lot.report(record, lot, out=page)
    tables = tables_of(html.fromstring(page.read_bytes()))
    decided = find(tables, "entry", "decision")
    assert [row[1:6] for row in decided] == [
        ["released", "2026-06-01", by, "QU-1", ""],
        ["refused", "2026-06-01", by, "QU-2", "a complaint"],
        ["released", "2026-06-01", by, "QU-3", "found"],
    ]
    # 5 years after the release are longer than 1 after the expiry of 2028-06-30 (EU 2016/161)
    assert [row[6] for row in decided] == [
        *("2031-06-01 (release)", "2029-06-30 (expiry)", "2031-06-01 (release)"),
    ]
    who = "who, and what the signature means"
    milestones = find(tables, "entry", "when (UTC)", "what", who)
    assert [row[2] for row in milestones] == [
        *("lot approved", "lot closed", "lot reopened", "lot closed"),
    ]
    assert [row[4] for row in milestones if row[2] == "lot reopened"] == ["a roll found"]
    assert milestones[-1][4] == "one is torn; INV-7"
    both = (
        f"Line Lead (line lead): done (practice); {SECOND} (compliance): {{}} (practice); "
        "signed 2026-06-01 08:00:0"
    )
    [run_rows] = [one for one in tables if one[0][:2] == ["entry", "what happened"]]
    cleared = [row[2] for row in run_rows if "clearance" in row[1]]
    assert len(cleared) == 2 and all(both.format("reviewed") in one for one in cleared)
    [hold] = find(tables, "", "hold")
    signed = "Line Lead (line lead): {} (practice)"
    assert hold[2].startswith(signed.format("done")) and "+00:00" in hold[2]
    every = find(tables, "entry", "signed at", "what")
    shown = sk.lot.show(record, lot)["signatures"]
    assert [(row[0], *row[2:]) for row in every] == [
        (str(one["entry"]), one["verb"], one["person"], one["role"], f"{one['meaning']} (practice)")
        for one in shown
    ]
    assert {one["verb"] for one in shown} == {
        *("lot approved", "run cleared", "hold lifted", "reviewed"),
        *("lot closed", "lot decided", "lot reopened"),
    }
    reviewed = find(tables, "what", "reason", "signed")
    assert [row[:5] for row in reviewed] == [
        ["hold lifted", "all there", "1", "1", signed.format("reviewed")],
        ["count corrected", "one is torn", "1", "1", signed.format("reviewed")],
    ]
    assert all(re.match(r"2026-06-01 08:\d\d:\d\d\+00:00", row[5]) for row in reviewed)


@pytest.mark.only_on("sqlite", reason="about what stands on the pages")
def test_the_first_page_names_the_worst(bench: Bench) -> None:
    """One thing of each kind, with its count, how many still wait, and a section that is there; of
    a clean lot one sentence says that there is none."""
    record, lot = bench.record, bench.lot
    first = bench.folder / "first.html"
    sk.lot.report(record, lot, out=first)
    assert "To be looked at: nothing." in html.fromstring(first.read_bytes()).text_content()
    worked_on(bench)
    sk.run.challenge(record, lot, when="interval", shown=6, caught=5)
    sk.run.stop(record, lot, reason="web broke")
    rows = as_seen(bench.folder / "job1.csv")
    sk.inspect.take(record, lot, bench.results(rows[SHOWN:46]))
    shows = record.now().replace(hour=9)
    sk.run.clock(record, lot, of="camera", shows=shows)
    slow = replace(record, now=lambda: record.now() - timedelta(seconds=121))
    sk.lot.count(slow, lot, "samples", 1)
    page = bench.folder / "report.html"
    sk.lot.report(record, lot, out=page)
    root = html.fromstring(page.read_bytes())
    found = find(tables_of(root), "what", "how many", "still open")
    told = {row[0]: (number(row[1]), number(row[2] or "0")) for row in found}
    assert told == {
        "challenges that the reader failed": (1, 0),
        "runs that are not ended": (1, 1),
        "clock checks that were apart": (1, 0),
        "files and stretches read while the reader was not proven, 2 readings": (1, 1),
        "alarms; open: not acknowledged": (2, 1),
        "findings that may mean a wrong medicine": (1, 0),
        "labels or numbers unaccounted": (2, 2),
        "lines on which the two ledgers differ": (1, 1),
        "labels that should not stay on the web, not shown to have left it": (3, 3),
        "holds placed; open: not lifted": (3, 3),
        "corrections of what was entered": (2, 0),
        "groups that nobody has reviewed": (9, 9),
        "entries before which a station's clock was set back, by up to 120 seconds": (1, 0),
        "entries dated more than 60 seconds before an earlier one": (1, 0),
    }
    titles = {one.text_content() for one in root.iter("h2")}
    assert {row[3] for row in found} <= titles
    text = " ".join(root.text_content().split())
    assert "The two ledgers DO NOT AGREE (samples)" in text and "points are OPEN" in text
