"""What pages tell and do: the same as the routes, a label's whole life, a form's one step.

Source: RFC 9110 12.5.1 (Accept). Who may come in is told in `test_pages_safety.py`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from asking import Client, served
from conftest import GTIN, Bench, as_seen

import serialkeeper as sk

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
    """However the separator comes; what is wrong with a code is said part by part."""
    rows = as_seen(bench.printed(6))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    code = rows[2]["seen"]
    for text in (code, code.replace("{GS}", "\x1d"), code[3:]):
        page = practising.get("/find", params={"code": text}).text
        assert "Good" in page and "Printed, not seen" in page and "LOT24A" in page
        assert re.search(r"Well formed|well formed", page)
    wrong = practising.get("/find", params={"code": "]d20109521234543214"}).text
    assert "Not well formed" in wrong and "check digit" in wrong
    assert "Wohlgeformt" in practising.get("/find", params={"code": code, "lang": "de"}).text
    odd = '"><script>alert(1)</script>'
    assert odd not in practising.get("/find", params={"code": odd}).text


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
