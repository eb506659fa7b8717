"""Pages in a browser: who gets one, who may come in, and that nobody is led astray by one.

Sources: RFC 9110 12.5.1 (Accept), RFC 6265bis 4.1.3.2 (`__Host-`), Content Security Policy Level 3,
OWASP's lists for sessions, CSRF and redirects (from memory).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from asking import Client, served
from conftest import GTIN, Bench, as_seen
from test_sessions import BADGE, CARLA, LENA, OWN, PIN, Station, prepared, station

import serialkeeper as sk
from serialkeeper.web import visits, wording

__all__ = ["station"]

WEB = Path(wording.__file__).parent
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


def enter(client: Client, **typed: str) -> Any:
    """Sign in by the page."""
    page = client.get("/sign-in").text
    return client.post("/sign-in", data={"key": key_in(page, "/sign-in"), **typed})


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


def test_nobody_sees_a_live_record_without_signing_in(station: Station) -> None:
    """By name and password, or badge and PIN; one comes back to where one was, and never leaves
    this server; wrong tries are counted here and in the record; the cookie is out of reach."""
    prepared(station)
    with looking(station.database.url, now=station.clock) as client:
        there = client.get("/lots?lang=de")
        assert there.status_code == 303
        assert there.headers["location"] == "/sign-in?back=%2Flots%3Flang%3Dde"
        client.refused("GET", "/lots", 401, "token_needed", headers={"Accept": "application/json"})
        bad = enter(client, name=LENA, password=OWN[::-1])
        assert bad.status_code == 403 and OWN[::-1] not in bad.text
        assert f'value="{LENA}"' in bad.text
        for back in ("https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere", ""):
            inside = enter(client, name=LENA, password=OWN, back=back)
            assert (inside.status_code, inside.headers["location"]) == (303, "/find")
        cookie = next(one for one in inside.headers.get_list("set-cookie") if "-session=" in one)
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie
        assert OWN not in cookie and "Secure" not in cookie
        page = client.get("/lots").text
        assert LENA in page and "Line lead" in page and "LOT24A" in page
        badge = enter(client, password=BADGE, pin=PIN, back="/lots")
        assert badge.headers["location"] == "/lots"
        script = {"Accept": "application/json"}
        client.refused("POST", "/lots", 401, "token_needed", json={}, headers=script)
        secret = client.get("/lots", headers={"Authorization": "Bearer nothing"})
        assert secret.headers["content-type"] == "application/problem+json"
        assert not any(OWN in line or PIN in line or BADGE in line for line in client.lines)
        station.clock.time += timedelta(hours=2)
        over = client.get("/lots")
        assert over.headers["location"].startswith("/sign-in")


def test_what_is_signed_asks_again_and_no_foreign_form_is_taken(station: Station) -> None:
    """The second person gives a password too (21 CFR 11.200); forms of other pages, of another
    session, or without a key do nothing."""
    prepared(station)
    with looking(station.database.url, now=station.clock) as client:
        enter(client, name=LENA, password=OWN)
        page = client.get(LOT).text
        key, path = key_in(page, f"{LOT}/approve"), f"{LOT}/approve"
        both = {"secret": OWN, "second": CARLA, "second_secret": OWN}
        for data, more in (
            (both, {}),
            ({"key": "1.2.3", **both}, {}),
            ({"key": key, **both}, {"Origin": "https://elsewhere.example"}),
            ({"key": key, **both}, {"Sec-Fetch-Site": "cross-site"}),
            ({"key": key, "second": CARLA, "second_secret": OWN}, {}),
            ({"key": key, "secret": OWN}, {}),
            ({"key": key, "secret": OWN, "second": LENA, "second_secret": OWN}, {}),
        ):
            refused = client.post(path, data=data, headers=more)
            assert refused.status_code in (303, 403, 409, 422), refused.text
            assert OWN not in refused.text
        with station.of(LENA, OWN) as lead:
            assert sk.lot.show(lead, "LOT24A")["state"] == "draft"
        enter(client, name=LENA, password=OWN)
        stale = client.post(path, data={"key": key, **both})
        assert "form_over" in stale.text
        done = client.post(path, data={"key": key_in(client.get(LOT).text, path), **both})
        assert (done.status_code, done.headers["location"]) == (303, LOT)
        shown = client.get(LOT).text
        assert "is approved" in shown and CARLA in shown and f"{LOT}/approve" not in shown
        with station.of(LENA, OWN) as lead:
            entry = list(sk.record.entries(lead, "LOT24A"))[-1]
            assert [one["meaning"] for one in entry["signatures"]] == ["done", "approved"]
            assert sk.record.verify(lead)["sound"]
        out = client.post(
            "/sign-out", data={"key": key_in(shown, "/sign-out")}, headers={"Origin": "http://x"}
        )
        assert out.status_code == 403
        client.post("/sign-out", data={"key": key_in(client.get(LOT).text, "/sign-out")})
        assert client.get(LOT).status_code == 303


def test_roles_are_offered_what_they_may_and_many_wrong_tries_wait(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An administrator is offered no decision; the step would refuse it, too."""
    prepared(station)
    monkeypatch.setattr(visits, "TRIES", 2)
    with looking(station.database.url, now=station.clock) as client:
        enter(client, name="Ada Admin", password=station_password())
        page = client.get(LOT)
        assert page.status_code == 200 and f"{LOT}/approve" not in page.text
        for _ in range(2):
            enter(client, name="Nobody", password=OWN[::-1])
        waiting = enter(client, name=LENA, password=OWN)
        assert waiting.status_code == 429 and "too_many_tries" in waiting.text


def station_password() -> str:
    """The administrator's."""
    from test_people import ADA, SECRETS

    return SECRETS[ADA]


def test_what_a_page_loads_is_named_by_its_content_and_nothing_else_is_there(
    practising: Client,
) -> None:
    """Kept for good by a browser; no listing, no other file, no traces."""
    page = practising.get("/find").text
    files = re.findall(r'"(/static/[^"]+)"', page)
    assert len(files) == 3
    for path in files:
        found = practising.get(path)
        assert found.status_code == 200 and "immutable" in found.headers["cache-control"]
        assert found.headers["x-content-type-options"] == "nosniff"
    for path in ("/static/", "/static/..%2Fpages.py", "/static/site.css", "/nothing"):
        gone = practising.get(path)
        assert gone.status_code in (400, 404) and "Traceback" not in gone.text
    foreign = practising.get("/find", headers={"Host": "elsewhere.example"})
    assert foreign.status_code in (403, 421)
    assert "host_unknown" in foreign.text


def test_every_word_of_a_page_stands_in_every_language() -> None:
    """The same keys, the same places to fill, none that no page uses, none that is missing."""
    texts = {one.stem: one.read_text(encoding="utf-8") for one in (WEB / "words").glob("*.toml")}
    keys: dict[str, dict[str, set[str]]] = {}
    for language, text in texts.items():
        keys[language] = {
            f"{section}.{name}": set(re.findall(r"{(\w+)}", words))
            for section, names in tomllib.loads(text).items()
            for name, words in names.items()
        }
    assert len(keys) >= 2 and all(one == keys["en"] for one in keys.values())
    sources = [*WEB.glob("templates/*.html"), *WEB.glob("*.py")]
    whole = "\n".join(one.read_text(encoding="utf-8") for one in sources)
    asked = set(re.findall(r"""\bt\(["']([a-z_.]+)["']""", whole)) - {"place.", "refusal."}
    listed = set(re.findall(r'\bt\.of\("(\w+)"', whole)) | {"place", "refusal"}
    listed |= set(re.findall(r'state_mark\("(\w+)"', whole))
    told = set(re.findall(r'"(told\.\w+)"', whole))
    assert asked | told <= keys["en"].keys()
    assert {key for key in keys["en"] if key.partition(".")[0] not in listed} <= asked | told
