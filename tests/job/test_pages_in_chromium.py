"""Pages in a real browser: by touch, by keyboard and by scanner, in every size and both lights.

Source of what is accessible: WCAG 2.1 A and AA, judged by axe-core. Targets of 48 px and type that
is read from two metres: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from test_sessions import BADGE, CARLA, LENA, OWN, PIN, Station
from window import (
    SIZES,
    browsing,
    judged,
    needs_chromium,
    send_in,
    serving_at,
    small,
    told_in,
    wide,
)

import serialkeeper as sk

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

LOT = f"/lots/{GTIN}/LOT24A"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all of this file."""
    with browsing() as browser:
        yield browser


@pytest.fixture
def window(browser: Any) -> Iterator[Any]:
    """A window of a browser that knows nothing yet; what goes wrong in a page fails the test."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(10_000)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda told: wrong.append(told.text) if "Policy" in told.text else None)
    yield page
    context.close()
    assert wrong == []


def looked_at(window: Any, *paths: str) -> None:
    """Pages are accessible in both lights, fit every window, and can be hit with a glove. The
    largest window shows what the office's shows, so its page is not judged once more."""
    for path in paths:
        window.goto(path)
        for (width, height), light in zip(SIZES, ("dark", "", "light"), strict=True):
            window.set_viewport_size({"width": width, "height": height})
            if light:
                window.emulate_media(color_scheme=light)
                assert judged(window) == [], f"{path} {width} {light}"
            assert not wide(window), f"{path} {width}"
            assert small(window) == [], path
    window.emulate_media(color_scheme="light")
    window.set_viewport_size({"width": 1280, "height": 800})


def test_a_scanner_finds_a_label(bench: Bench, window: Any) -> None:
    """The field waits for the scanner; its separator arrives as Ctrl+], as Alt with digits, and out
    of the clipboard as it is; Enter is enough."""
    rows = as_seen(bench.printed(6))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    code = rows[4]["seen"]
    first, second = code.split("{GS}")
    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}/find")
        assert window.evaluate("document.activeElement.id") == "find-code"
        window.keyboard.type(first)
        window.keyboard.press("Control+BracketRight")
        window.keyboard.type(second)
        window.keyboard.press("Enter")
        window.wait_for_url("**/find?code=*")
        assert window.input_value("#find-code") == code
        assert window.locator(".verdict .mark").first.inner_text().endswith("Good")
        window.locator("#find-code").fill("")
        window.keyboard.type(first)
        window.keyboard.down("Alt")
        for digit in "029":
            window.keyboard.press(f"Numpad{digit}")
        window.keyboard.up("Alt")
        window.keyboard.type(second)
        assert window.input_value("#find-code") == code
        window.locator("#find-code").fill(f"{first}\x1d{second}")
        assert window.input_value("#find-code") == code
        looked_at(window, f"{address}/find", window.url)


def test_a_practice_lot_by_keyboard(bench: Bench, window: Any) -> None:
    """The mark of practice, who and where one is, the odds while one types, and what was done; a
    double click does it once."""
    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}/lots")
        assert "PRACTICE" in window.locator(".practice").inner_text()
        window.keyboard.press("Tab")
        assert window.evaluate("document.activeElement.className") == "skip"
        assert "Line Lead" in window.locator(".who").inner_text()
        window.get_by_role("link", name="LOT24A").click()
        field = window.get_by_label("How many")
        field.fill("12")
        told = window.locator("[data-follows]")
        told.get_by_text("12 numbers").wait_for()
        odds = sk.serials.odds(bench.record, bench.lot, 12)
        assert told.inner_text() == odds["arithmetic"]
        window.get_by_role("button", name="Allocate").dblclick()
        said = window.locator(".said[role=status]")
        said.get_by_text("12 numbers are allocated").wait_for()
        assert sk.lot.show(bench.record, bench.lot)["allocated"] == 12
        window.goto(f"{address}{LOT}?lang=de")
        assert "Charge LOT24A" in window.get_by_role("heading", level=1).inner_text()
        assert window.locator(".who").inner_text().count("LOT24A") == 1
        looked_at(window, f"{address}/lots", f"{address}{LOT}", f"{address}/products")
        window.emulate_media(media="print")
        assert not window.locator("nav").is_visible() and window.locator("h1").is_visible()


def test_a_lot_from_its_product_to_its_closing_by_forms(bench: Bench, window: Any) -> None:
    """Each form is one step; what it did is told on the page that it leads to, and so is why a lot
    cannot be closed yet. Every page suits everybody, also with a refusal on it."""
    record = bench.record

    said, fill = partial(told_in, window), partial(send_in, window)

    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}/products")
        window.locator("summary").click()
        new = {"gtin": "09521234543221", "prefix_length": "7", "name": "Drops"}
        fill("add_product", **new)
        window.locator("#add_product-gtin-refused").get_by_text("check digit is wrong").wait_for()
        assert window.input_value("#add_product-name") == "Drops"
        assert judged(window) == []
        fill("add_product", **{**new, "gtin": "09521234543220"})
        said("Drops is in the record")
        product = window.url
        looked_at(window, product, f"{address}/products", f"{address}/lots/open")
        window.goto(product)
        fill("set_packs", case="4", pallet="2")
        said("The packs of Drops are set")
        window.goto(f"{address}/lots/open")
        window.locator("#open_lot-gtin").select_option("09521234543220")
        window.locator("#open_lot-target").fill("8")
        advice = window.locator("[data-follows]")
        advice.get_by_text("at 2 % rejects: 9.").wait_for()
        assert "1 in" in advice.inner_text()
        fill("open_lot", lot="A/7", expiry="2020-01-31")
        window.locator("#open_lot-expiry-refused").wait_for()
        fill("open_lot", expiry=str(EXPIRY))
        said("Lot A/7 is open as a draft")
        there = f"{address}/lots/09521234543220/A%2F7"
        assert window.url == there
        fill("approve")
        said("is approved")
        fill("allocate", count="8")
        said("8 numbers are allocated")
        fill("print_job", lanes="0")
        window.locator("#form-print_job [role=alert]").wait_for()
        fill("print_job", lanes="2")
        said("8 labels are issued as print job 1")
        with window.expect_download() as fetched:
            window.get_by_role("link", name="job.csv").click()
        rows = as_seen(Path(fetched.value.path()))
        looked_at(window, there)
        sk.inspect.take(record, "A/7", bench.results(rows))
        window.get_by_role("link", name="Counts, reconciliation and closing").click()
        fill("close")
        window.locator("#form-close [role=alert]").get_by_text("lot_unbalanced").wait_for()
        looked_at(window, f"{there}/balance")
        fill("count", term="printer_counter", value="9")
        said("9 labels are counted")
        fill("count", term="printer_counter", value="-1")
        window.locator("#count-value-refused").wait_for()
        fill("count", term="printer_counter", value="-1", reason="one too many")
        said("8 in all")
        fill("count", term="rewind_counter", value="8")
        fill("reconcile")
        said("Both ledgers agree; the lot is reconciled")
        fill("close")
        window.locator("#form-close [role=alert]").get_by_text("review_open").wait_for()
        bench.lot = "A/7"
        bench.reviewed()  # the correction of a count
        fill("close")
        said("Lot A/7 is closed")
        assert not window.locator("#form-count").count()
    verbs = [one["verb"] for one in sk.record.entries(record, "A/7")]
    assert verbs == [
        *("lot opened", "lot approved", "allocation started", "allocated", "issued"),
        *("take started", "taken", "take finished", "counted", "counted", "counted"),
        *("reconciled", "reviewed", "lot closed"),
    ]


@pytest.fixture
def station(database: Database, tmp_path: Path) -> Station:
    """A live record with people, a badge and its PIN, and a draft."""
    station = Station(database, tmp_path)
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=20)
    return station


def test_a_badge_is_scanned_and_two_people_sign(station: Station, window: Any) -> None:
    """The scanner's Enter leads to the PIN and not into a refusal; a wrong PIN is told beside its
    field, with the rest as it was typed."""
    with serving_at(station.database.url, now=station.clock) as address:
        window.goto(f"{address}{LOT}")
        looked_at(window, window.url, f"{address}/password")
        window.goto(f"{address}{LOT}")
        window.keyboard.type(BADGE)
        window.keyboard.press("Enter")
        window.keyboard.type(PIN)
        window.keyboard.press("Enter")
        window.wait_for_url(f"{address}{LOT}")
        assert LENA in window.locator(".who").inner_text()
        window.locator("#approve-secret").fill("111112")
        window.get_by_label("Second person", exact=True).fill(CARLA)
        window.get_by_label("password, or badge").fill(OWN)
        window.get_by_role("button", name="Approve").click()
        window.locator("#approve-secret-refused").wait_for()
        assert window.get_by_label("Second person", exact=True).input_value() == CARLA
        assert window.evaluate("document.activeElement.name") == "secret"
        looked_at_refused = judged(window)
        assert looked_at_refused == []
        window.locator("#approve-secret").fill(PIN)
        window.get_by_label("password, or badge").fill(OWN)
        window.get_by_role("button", name="Approve").click()
        window.locator(".said").get_by_text("is approved").wait_for()
        with station.of(LENA, OWN) as lead:
            sk.serials.allocate(lead, "LOT24A", 20)
            sk.print.write(lead, "LOT24A", lanes=4, out=station.folder / "job.csv")
        window.goto(f"{address}{LOT}/balance")
        window.locator("#count-value").fill("3")  # a counter needs nobody else
        window.locator("#form-count button").click()
        window.locator(".said").get_by_text("3 labels are counted").wait_for()
        window.locator("#destroyed-value").fill("1")
        window.locator("#destroyed-secret").fill(PIN)
        window.locator("#destroyed-second").fill(CARLA)
        window.locator("#destroyed-second_secret").fill(OWN)
        window.locator("#form-destroyed button").click()
        window.locator(".said").get_by_text("1 label is counted").or_(
            window.locator(".said").get_by_text("1 label is counted")
        ).wait_for()
        window.get_by_role("button", name="Sign out").click()
        window.wait_for_url("**/sign-in")
