"""Rolls in a browser: named, looked at, cut beside a scanned neighbour, counted, released.

Accessibility is judged by axe-core's rules (WCAG 2.1 A and AA).
"""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest
from conftest import GTIN, Bench, as_seen
from test_pages_in_chromium import browser, looked_at, window
from window import needs_chromium, send_in, serving_at, told_in

import serialkeeper as sk

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

__all__ = ["browser", "window"]

LOT = f"/lots/{GTIN}/LOT24A"


def test_a_roll_from_its_name_to_its_release(bench: Bench, window: Any) -> None:
    """What has to come off stands in a table beside the drawing; a release is refused as long as
    something is to do, with what that is."""
    rows = as_seen(bench.printed(24))
    rows[9]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))

    said, do = partial(told_in, window), partial(send_in, window)

    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}{LOT}")
        window.get_by_role("link", name="Rolls").click()
        do("add_roll", rows="1-99")
        window.locator("#form-add_roll [role=alert]").wait_for()
        do("add_roll", rows="")
        said("Roll 1 is added")
        looked_at(window, f"{address}{LOT}/rolls", f"{address}{LOT}/rolls/1")
        do("mark", what="splice", row="2", reason="the web tore")
        said("It is noted")
        do("release", reason="for the packing line")
        window.locator("#form-release [role=alert]").get_by_text("roll_open_points").wait_for()
        window.get_by_role("link", name="What has to come off").click()
        table = window.locator("tbody tr")
        assert table.count() == 1 and "10" in table.inner_text()
        drawing = window.locator("img.web-drawing")
        assert drawing.evaluate("one => one.complete && one.naturalWidth > 100")
        looked_at(window, f"{address}{LOT}/pulls?roll=1")
        sk.label.void(bench.record, bench.lot, "10", reason="waste", count=1)
        window.goto(f"{address}{LOT}/rolls/1")
        do("removed", positions="ten", scan=rows[8]["seen"])
        window.locator("#removed-positions-refused").wait_for()
        lane = [row for row in rows if row["lane"] == rows[9]["lane"]]
        beside = lane[lane.index(rows[9]) + 1]
        do("removed", positions="10", scan=beside["seen"])
        said(f"Taken off the roll: 10. Neighbour scanned: {beside['position']}")
        do("count_roll", labels="22")
        said("Counted 22, expected 23")
        do("count_roll", labels="23")
        said("Counted 23, expected 23: the same")
        do("release", reason="for the packing line")
        said("Roll 1 is released")
        assert not window.locator("#form-release").count()
    assert sk.roll.show(bench.record, bench.lot, 1)["state"] == "released"
    bench.heads()
