"""Pages in a real browser: what a scanner sends arrives, nothing is blocked, all can use them.

Accessibility is checked with axe-core (MPL 2.0), in the copy that comes with the package
axe-playwright-python; contrast is WCAG 2.2 AA.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from conftest import GTIN, Bench, as_seen
from playwright.sync_api import Page, sync_playwright

import serialkeeper as sk

CHROMIUM = shutil.which("chromium")

pytestmark = [
    pytest.mark.only_on("sqlite", reason="about a browser"),
    pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium: apt-get install chromium"),
]


@contextmanager
def serving(bench: Bench) -> Iterator[str]:
    """The record served by a process of its own; gives its address."""
    words = ["--record", bench.url, "--as", "Line Lead", "serve", "--port", "0"]
    program = [sys.executable, "-m", "serialkeeper", *words]
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    with subprocess.Popen(program, text=True, **pipes) as process:
        assert process.stdout
        yield process.stdout.readline().split()[-1].rstrip("/")
        process.terminate()


@contextmanager
def browsing(**more: Any) -> Iterator[tuple[Page, list[str]]]:
    """A page of a browser, and what it complains of."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page, said = browser.new_page(**more), list[str]()
        page.on("console", lambda one: said.append(one.text) if one.type == "error" else None)
        page.on("pageerror", lambda one: said.append(str(one)))
        yield page, said
        browser.close()


def test_a_scanner_finds_a_label_and_everybody_can_use_the_pages(bench: Bench) -> None:
    """The field waits for the scanner; its separator arrives as Ctrl+] and as Alt with digits;
    Enter is enough. No serious finding of axe in light or dark, on a wall or in a hand; the page is
    never wider than its window."""
    rows = as_seen(bench.printed(6))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    code = rows[4]["seen"]
    pieces = code.split("{GS}")
    with serving(bench) as address, browsing() as (page, said):
        page.goto(f"{address}/find")
        assert page.evaluate("document.activeElement.id") == "find-code"
        page.keyboard.type(pieces[0])
        page.keyboard.press("Control+BracketRight")
        page.keyboard.type(pieces[1])
        page.keyboard.press("Enter")
        page.wait_for_url("**/find?code=*")
        assert page.input_value("#find-code") == code
        assert page.locator(".key-fact").inner_text().strip().endswith("Good")
        page.locator("#find-code").fill("")
        page.keyboard.type(pieces[0])
        page.keyboard.down("Alt")
        for digit in "029":
            page.keyboard.press(f"Numpad{digit}")
        page.keyboard.up("Alt")
        page.keyboard.type(pieces[1])
        assert page.input_value("#find-code") == code
        lot = f"/lots/{GTIN}/LOT24A"
        for path in ("/find", page.url.removeprefix(address), "/lots", lot, "/products"):
            for scheme, width, height in (("light", 1280, 800), ("dark", 800, 1280)):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                page.set_viewport_size({"width": width, "height": height})
                page.goto(address + path)
                found = Axe().run(page).response["violations"]
                serious = [one["id"] for one in found if one["impact"] in ("serious", "critical")]
                assert serious == [], (path, scheme)
                assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert said == []
