"""What pages tell and do: the same as the routes, a label's whole life, a form's one step.

Source: RFC 9110 12.5.1 (Accept). Who may come in is told in `test_pages_safety.py`.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

import pytest
from asking import Client, served
from conftest import EXPIRY, GTIN, Bench, as_seen

import serialkeeper as sk
from serialkeeper.web.gate import MOST_AT_ONCE
from serialkeeper.web.pages import moment_text
from serialkeeper.web.wording import grouped

HTML = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
LOT = f"/lots/{GTIN}/LOT24A"


@contextmanager
def looking(url: str, **more: Any) -> Iterator[Client]:
    """A browser at a record that is served in this process."""
    with served(url, **more) as client:
        client.headers.update(HTML)
        client.follow_redirects = False
        yield client
    client.record.close()


def key_in(page: str, action: str) -> str:
    """The key of the form that is sent there."""
    found = re.search(rf'action="{re.escape(action)}".*?name="key" value="([^"]+)"', page, re.S)
    assert found, action
    return found[1]


@pytest.fixture
def practising(bench: Bench) -> Iterator[Client]:
    """The bench's practice record in a browser."""
    with looking(bench.url, acting="Line Lead") as client:
        yield client


def test_a_browser_gets_a_page_and_a_program_the_same_in_json(
    bench: Bench, practising: Client
) -> None:
    """By what each prefers; a page says what it may load, and says that this is practice."""
    bench.printed(6)
    told = sk.lot.show(bench.record, "LOT24A")
    for accept in ("application/json", "*/*", "application/json, text/html;q=0.9", ""):
        answer = practising.get(LOT, headers={"Accept": accept})
        assert answer.json() == told and answer.headers["vary"] == "Accept"
    for path in ("/find", "/lots", LOT, "/products"):
        page = practising.get(path)
        assert page.headers["content-type"] == "text/html; charset=utf-8"
        assert "Practice" in page.text and "nobody has signed in" in page.text
        rules = page.headers["content-security-policy"]
        assert "default-src 'none'" in rules and "unsafe" not in rules
        assert "frame-ancestors 'none'" in rules and "form-action 'self'" in rules
        assert not re.search(r"<script>|<style|style=|\son\w+=|javascript:|https?://", page.text)
    assert practising.get("/").headers["location"] == "/find"


def test_find_says_what_a_code_is_and_all_that_happened_to_it(
    bench: Bench, practising: Client
) -> None:
    """However the separator comes; what is wrong with a code is said part by part; the place of a
    label, its findings, its life, what it is in; a pack with the tree of what is in it. A program
    is told the same."""
    record, lot = bench.record, "PACKED"
    levels = bench.folder / "levels.toml"
    levels.write_text("[case]\nholds = 4\n\n[pallet]\nholds = 2\n")
    sk.product.packs(record, GTIN, levels)
    sk.lot.open(record, GTIN, lot, expiry=EXPIRY, target=12)
    sk.lot.approve(record, lot)
    bench.lot = lot
    rows = as_seen(bench.printed(12))
    rows[10]["seen"] = ""
    sk.inspect.take(record, lot, bench.results(rows))
    cases = sk.pack.build(record, lot, "case", in_order=True, count=2)["packs"]
    keys = [one["key"] for one in cases]
    [pallet] = sk.pack.build(record, lot, "pallet", keys)["packs"]
    sk.hold.place(record, lot, positions="3", reason="odd <colour>")

    def found(code: str, **more: str) -> str:
        answer = practising.get("/find", params={"code": code, **more})
        assert answer.status_code == 200, answer.text
        return str(answer.text)

    code = rows[2]["seen"]
    for text in (code, code.replace("{GS}", "\x1d"), code[3:]):
        page = found(text)
        for told in ("Good", "Printed, not seen", "job 1, row 1, lane 3", keys[0], "positions 3"):
            assert told in page, told
        assert "odd &lt;colour&gt;" in page
    unread = sk.label.show(record, f"{GTIN}/{lot}", position=11)
    page = found(unread["code"])
    assert "Rejected" in page and unread["findings"][0]["detail"] in page
    pack = found(f"(00){pallet['key']}")
    assert "pallet: In use" in pack and "2 of 2" in pack and "odd &lt;colour&gt;" in pack
    units = [row["serial"] for row in sk.label.list(record, lot)][:8]
    assert all(key in pack for key in keys) and all(unit in pack for unit in units)
    assert "knows no pack" in found("(00)095212349999999994")
    wrong = found("]d20109521234543214")
    assert "Not well formed" in wrong and "check digit" in wrong
    for text in (GTIN, lot, units[0], "https://id.example/01/" + GTIN, "no such thing", "(21"):
        assert "Not in the record" in found(text) or "PACKED" in found(text) or GTIN in found(text)
    odd = '"><script>alert(1)</script>'
    assert odd not in found(odd)
    asked = {"params": {"code": code}, "headers": {"Accept": "application/json"}}
    told = practising.get("/find", **asked).json()
    assert told["scan"] == sk.scan(record, code)
    [own] = told["lives"]
    shown = sk.label.show(record, GTIN, serial=rows[2]["seen"].split("{GS}")[0][-12:])
    assert own["label"] == json.loads(json.dumps(shown))
    assert "Richtig aufgebaut" in found(code, lang="de")


def test_a_form_does_one_step_once_and_says_what_is_wrong_beside_its_field(
    bench: Bench, practising: Client
) -> None:
    """Sent twice it is done once; what was typed stands there again."""
    page = practising.get(LOT).text
    key = key_in(page, f"{LOT}/hold")
    empty = practising.post(f"{LOT}/hold", data={"key": key, "reason": " ", "case": "INV-7"})
    assert empty.status_code in (409, 422)
    assert 'aria-invalid="true"' in empty.text and 'value="INV-7"' in empty.text
    key = key_in(empty.text, f"{LOT}/hold")
    for _ in range(2):
        done = practising.post(f"{LOT}/hold", data={"key": key, "reason": "<b>odd</b>"})
        assert (done.status_code, done.headers["location"]) == (303, LOT)
    [hold] = sk.hold.list(bench.record, bench.lot)["holds"]
    assert hold["reason"] == "<b>odd</b>"
    shown = practising.get(LOT).text
    assert "Hold 1 is placed" in shown and "&lt;b&gt;odd" in shown and "<b>odd" not in shown
    assert "Hold 1 is placed" not in practising.get(LOT).text


def test_a_labels_page_keeps_how_somebody_came(bench: Bench, practising: Client) -> None:
    """A refusal and a step that is not the last keep the way back and the pitch; a decision leads
    back, but never to another server."""
    rows = as_seen(bench.printed(24))
    rows[9]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    sk.roll.add(bench.record, bench.lot, job=1)
    there, asked = f"{LOT}/labels/10", "?back=%2Fnow%3Flot%3Dx&pitch=25.0"
    page = practising.get(f"{there}/decision{asked}").text

    def sent(form: str, asked: str = asked, **fields: str) -> Any:
        key = key_in(page, f"{there}/{form}{asked}".replace("&", "&amp;"))
        return practising.post(f"{there}/{form}{asked}", data={"key": key, **fields})

    refused = sent("accept", reason="label is right")
    assert refused.status_code == 422 and 'href="/now?lot=x"' in refused.text
    reasons = re.search(r'id="void-reason".*?</select>', page, re.S)
    assert 'id="accept-scan"' in page and 'id="accept-instrument"' not in page
    assert reasons and 'value="waste"' in reasons[0] and 'value="surplus"' not in reasons[0]
    lane = [row for row in rows if row["lane"] == rows[9]["lane"]]
    beside = lane[lane.index(rows[9]) + 1]["seen"]
    assert sent("void", reason="waste").headers["location"] == "/now?lot=x"
    page = practising.get(f"{there}/decision{asked}").text
    taken_off = sent("remove", roll="1", scan=beside)
    assert taken_off.headers["location"] == f"{there}/decision{asked}"
    for back in ("https://example.org/", "//example.org/"):
        assert "example.org" not in practising.get(f"{there}/decision", params={"back": back}).text


def test_the_quality_units_decision_is_recorded_and_a_lot_reopened(
    bench: Bench, practising: Client
) -> None:
    """By forms, once the lot is closed; a second decision needs a reason; a lot whose release is
    recorded is not reopened. A program is told the same as the page."""
    bench.printed(4)
    record, there = bench.record, f"{LOT}/decision"

    def sent(form: str, **fields: str) -> Any:
        key = key_in(practising.get(there).text, f"{there}/{form}")
        return practising.post(f"{there}/{form}", data={"key": key, **fields})

    assert f"{there}/record" not in practising.get(there).text
    for page, form in (("rolls", "add_roll"), ("challenges", "make_set"), ("challenges", "plant")):
        assert f'id="form-{form}"' in practising.get(f"{LOT}/{page}").text
    sk.label.void(record, bench.lot, "1-4", reason="specimen", count=4)
    sk.lot.count(record, bench.lot, "printer_counter", 4)
    sk.lot.count(record, bench.lot, "rewind_counter", 0)
    sk.lot.count(record, bench.lot, "specimens", 4)
    sk.lot.reconcile(record, bench.lot)
    bench.reviewed()
    sk.lot.close(record, bench.lot)
    for page, form in (("rolls", "add_roll"), ("challenges", "make_set"), ("challenges", "plant")):
        assert f'id="form-{form}"' not in practising.get(f"{LOT}/{page}").text
    day = str(record.now().date())
    given = {"on": day, "by": "Q. Unit", "reference": "QD-1"}
    wrong = sent("record", decision="released", **{**given, "on": "2019-01-01"})
    assert wrong.status_code == 422 and 'aria-invalid="true"' in wrong.text
    assert sent("record", decision="released", **given).status_code == 303
    again = sent("record", decision="refused", **given)
    assert "reason_needed" in again.text and 'value="QD-1"' in again.text
    assert "lot_state" in sent("reopen", reason="a count was wrong").text
    assert sent("record", decision="refused", reason="found later", **given).status_code == 303
    assert sent("reopen", reason="a count was wrong").status_code == 303
    told = practising.get(there, headers={"Accept": "application/json"}).json()
    assert (told["state"], told["decision"]["decision"]) == ("running", "refused")
    verbs = [one["verb"] for one in told["told"]]
    assert verbs == ["lot reopened", "lot decided", "lot decided", "lot closed"]
    assert "a count was wrong" in practising.get(there).text
    sk.lot.count(record, bench.lot, "printer_counter", 1)
    bench.reviewed()
    why = {"explanation": "one was torn", "investigation": "INV-7", "second": "Second Person"}
    sk.lot.close(record, bench.lot, **why)
    page = practising.get(there).text
    assert "one was torn" in page and "investigation INV-7" in page
    entry = sk.lot.show(record, bench.lot)["chain"]["entries"]
    page = practising.get(f"{LOT}/journal/{entry}").text
    assert "explanation of the difference" in page and "INV-7" in page


def test_a_lot_is_discarded_by_a_form_and_leaves_the_open_lists(
    bench: Bench, practising: Client
) -> None:
    """Offered as long as it has no numbers; afterwards its page offers nothing but what is told of
    it, and the list of what is to be reviewed leaves it out."""
    sk.lot.open(bench.record, GTIN, "WRONG", expiry=EXPIRY, target=4)
    there = f"/lots/{GTIN}/WRONG"
    key = key_in(practising.get(there).text, f"{there}/discard")
    assert (
        'name="entries" value="1"' in practising.get(there).text
    )  # what is approved is what was shown
    assert "?lang=de" in practising.get(there).text
    empty = practising.post(f"{there}/discard", data={"key": key, "reason": ""})
    assert "?lang=de" not in empty.text, "what answers a form cannot be had again"
    assert empty.status_code == 422 and 'aria-invalid="true"' in empty.text
    key = key_in(empty.text, f"{there}/discard")
    done = practising.post(f"{there}/discard", data={"key": key, "reason": "no such order"})
    assert (done.status_code, done.headers["location"]) == (303, there)
    page = practising.get(there).text
    assert "Lot WRONG is discarded" in page and 'method="post"' not in page
    gone = sk.lot.show(bench.record, "WRONG")["discarded"]
    assert gone["reason"] == "no such order" and f"Discarded by {gone['by']}" in page
    assert "no such order" in page
    assert "WRONG" not in practising.get("/review").text.split("<main")[1]
    listed = practising.get("/lots").text
    assert "1 discarded lot" in listed and there in listed
    bench.printed(4)
    assert f"{LOT}/discard" not in practising.get(LOT).text


def test_a_form_makes_no_more_at_a_time_than_a_route(bench: Bench, practising: Client) -> None:
    """And says how many it takes; nothing is allocated."""
    sk.lot.open(bench.record, GTIN, "LARGE", expiry=EXPIRY, target=3_000_000)
    sk.lot.approve(bench.record, "LARGE", second="Second Person")
    there = f"/lots/{GTIN}/LARGE"
    page = practising.get(there).text
    most = MOST_AT_ONCE
    assert f"At most {grouped(most)} at a time" in page and f'value="{most}"' in page
    data = {"key": key_in(page, f"{there}/allocate"), "count": str(most + 1)}
    page = practising.post(f"{there}/allocate", data=data)
    assert page.status_code == 422 and f"up to {most:,}" in page.text
    assert sk.lot.show(bench.record, "LARGE")["allocated"] == 0
    asked = {"count": most + 1}
    told = practising.post(f"{there}/numbers", json=asked, headers={"Accept": "*/*"})
    assert told.status_code == 400


def test_times_are_those_of_the_lots_place(bench: Bench, practising: Client) -> None:
    """With their offset from UTC, as the place's zone has it on that day (IANA database); each says
    in UTC, too, which moment it is. Of a lot without a place they are UTC, and marked so."""
    record = bench.record
    sk.location.add(record, "9521234000020", prefix_length=7, name="Plant", zone="Asia/Kolkata")
    sk.lot.open(record, GTIN, "EAST", expiry=EXPIRY, target=4, location="9521234000020")
    sk.lot.approve(record, "EAST", second="Second Person")
    for lot in ("EAST", "LOT24A"):
        [at] = {one["at"] for one in sk.lot.show(record, lot)["signatures"]}
        there = datetime.fromisoformat(at) + timedelta(hours=5, minutes=30)
        shown = f"{there:%Y-%m-%d %H:%M:%S} +05:30" if lot == "EAST" else f"{at[:19]} UTC"
        shown = shown.replace("T", " ", 1) if lot != "EAST" else shown
        for page in ("", "/journal"):
            text = practising.get(f"/lots/{GTIN}/{lot}{page}").text
            assert f'<time datetime="{at}">{shown}</time>' in text, (lot, page)
    assert "+05:30" not in practising.get("/journal").text
    assert moment_text("Europe/Berlin", "2026-03-29T00:59:59.900Z") == "2026-03-29 01:59:59 +01:00"
    assert moment_text("Europe/Berlin", "2026-03-29T01:00:00.000Z") == "2026-03-29 03:00:00 +02:00"
    late = moment_text("America/Caracas", "2026-07-01T00:10:00.120Z", fine=True)
    assert late == "2026-06-30 20:10:00.120 -04:00"


def test_a_file_of_numbers_is_taken_in_by_a_form(bench: Bench, practising: Client) -> None:
    """What is wrong is told row by row beside the field, and nothing is taken; then the mended file
    is, once; sent again it changes nothing. It stands in the journal under its own name."""

    def sent(rows: list[str], name: str = "given.csv", **fields: str) -> Any:
        data = {"key": key_in(practising.get(LOT).text, f"{LOT}/import"), **fields}
        files = {"file": (name, "\n".join(["serial", *rows, ""]).encode())}
        return practising.post(f"{LOT}/import", data=data, files=files)

    good = [f"ABCDEFG{n}" for n in range(4)]
    page = sent([good[0], "BAD NUMBER", good[0]])
    assert page.status_code == 422 and 'id="import_numbers-file-refused"' in page.text
    assert "import_rows" in page.text and "line 3" in page.text and "line 4" in page.text
    assert tempfile.gettempdir() not in page.text
    page = sent(good, usable_until="2019-01-01")
    assert 'id="import_numbers-usable_until-refused"' in page.text
    key = key_in(practising.get(LOT).text, f"{LOT}/import")
    nothing = practising.post(f"{LOT}/import", data={"key": key}, files={"x": ("", b"")})
    assert "file_missing" in nothing.text
    assert sk.lot.show(bench.record, bench.lot)["allocated"] == 0
    assert sent(good, issuer="State Registry").status_code == 303
    assert "4 numbers of given.csv are taken into lot LOT24A" in practising.get(LOT).text
    assert sent(good).status_code == 303
    page = practising.get(LOT).text
    assert "4 numbers of given.csv were in lot LOT24A already" in page
    [made] = sk.lot.show(bench.record, bench.lot)["imports"]
    assert (made["name"], made["issuer"], made["count"]) == ("given.csv", "State Registry", 4)
