"""A real browser in front of a record that is served on a real socket.

Chromium is Debian's; its driver (playwright) and the rules that judge a page (axe-core) come from
the package index. Without Chromium the tests are skipped, and say so; the check of a clean checkout
installs it.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest

from serialkeeper.outside import clock
from serialkeeper.store.opening import stand_by
from serialkeeper.web import gate, serving
from serialkeeper.web.app import make_app
from serialkeeper.web.serving import Address

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""

needs_chromium = pytest.mark.skipif(
    not CHROMIUM, reason="NO CHROMIUM HERE: pages are not tried (Debian: apt-get install chromium)"
)

SIZES = ((1280, 800), (1920, 1080), (800, 1280))
"""Windows that pages have to suit: an office, a large screen at the line, a tablet on end."""

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()


@contextmanager
def serving_at(url: str, *, now: Any = clock.now, acting: str = "") -> Iterator[str]:
    """Serve a record on a free port of this machine; gives its address."""
    record = stand_by(url, station="line 1", now=now, chance=clock.chance())
    app = make_app(record, acting=acting, hosts=gate.LOOPBACK, say=lambda _: None)
    listening = serving.listen(Address("127.0.0.1", 0))
    server = serving.made(app, Address("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(30)
        listening.close()
        record.close()


@contextmanager
def browsing() -> Iterator[Any]:
    """A browser; `new_context()` gives one that knows nothing yet."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def told_in(window: Any, text: str) -> None:
    """What was done is told on the page."""
    window.locator(".said[role=status]").get_by_text(text).wait_for()


def send_in(window: Any, form: str, **typed: str) -> None:
    """Fill a form, unfold it if need be, and send it."""
    fold = window.locator(f"details:has(#form-{form}):not([open]) > summary")
    if fold.count():
        fold.click()
    for name, text in typed.items():
        field = window.locator(f"#{form}-{name}")
        choice = field.evaluate("one => one.tagName") == "SELECT"
        (field.select_option if choice else field.fill)(text)
    window.locator(f"#form-{form} button").click()


def judged(page: Any) -> list[str]:
    """What axe-core finds serious or critical on a page; its rules and their sources are its own
    (WCAG 2.1, A and AA, contrast included)."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {node['html'][:120]} {node['failureSummary'][:300]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def wide(page: Any) -> bool:
    """Whether the page is wider than its window, so that it would have to be pushed sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth > window.innerWidth + 1"))


def small(page: Any) -> list[str]:
    """What is to be touched and is smaller than 48 px in both directions, words in a text aside."""
    return list(
        page.evaluate(
            """[...document.querySelectorAll(
                "button, input, select, summary, nav a, .button, td a, th a")]
            .filter(one => one.offsetParent && one.type !== "hidden")
            .map(one => [one, /checkbox|radio/.test(one.type) ? one.parentElement : one])
            .map(([one, place]) => [one, place.getBoundingClientRect().height])
            .filter(([, height]) => height < 47.5)
            .map(([one, height]) => `${one.outerHTML.slice(0, 90)} ${height}`)"""
        )
    )
