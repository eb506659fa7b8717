"""What closed lots came to: written with the closing, told beside advice and reconciliation."""

from __future__ import annotations

import re
from typing import Any

from conftest import EXPIRY, GTIN, Bench, as_seen
from test_pages import looking

import serialkeeper as sk
from serialkeeper.store.history import closed_lots, figures_of


def closed_lot(bench: Bench, name: str, *, bad: tuple[int, ...], parts: int = 1) -> None:
    """A lot of 40 labels in 4 lanes, read in so many files at as many stations; these labels are
    not read."""
    sk.lot.open(bench.record, GTIN, name, expiry=EXPIRY, target=36)
    sk.lot.approve(bench.record, name, second="Second Person")
    bench.lot = name
    seen = as_seen(bench.printed(40))
    for position in bad:
        seen[position - 1]["seen"] = ""
    each = 40 // parts
    for part in range(parts):
        with sk.open_record(
            bench.url, person="Line Lead", station=f"line {part + 1}", now=bench.record.now
        ) as there:
            results = bench.results(seen[part * each : (part + 1) * each])
            sk.inspect.take(there, name, results)
    close(bench, name)


def close(bench: Bench, name: str) -> None:
    doubtful = [row["position"] for row in sk.label.list(bench.record, name, state="doubtful")]
    which = ",".join(map(str, doubtful))
    if doubtful:
        sk.label.void(bench.record, name, which, reason="waste", count=len(doubtful))
        sk.lot.count(bench.record, name, "destroyed", len(doubtful), witness="Second Person")
    sk.lot.count(bench.record, name, "printer_counter", 40)
    sk.lot.count(bench.record, name, "rewind_counter", 40 - len(doubtful))
    for one in sk.alarm.list(bench.record, name):
        if one["state"] == "open":
            said = {"cause": "lamp", "restart_check": "20 read"}
            sk.alarm.acknowledge(bench.record, name, [one["id"]], **said)
    bench.reviewed()
    sk.lot.close(bench.record, name)


def of(told: dict[str, Any]) -> dict[str, list[tuple[str, int, int]]]:
    return {
        one["name"]: [(row["lot"], row["labels"], row["rejected"]) for row in one["samples"]]
        for one in told["series"]
    }


def test_closed_lots_tell_their_rejects_by_product_station_lane_and_reason(bench: Bench) -> None:
    """Counted by hand from what was made unreadable; a lot that is not closed does not count; what
    the closing wrote is what the findings give. It is told beside the advice, and changes nothing.
    """
    draft = sk.lot.open(bench.record, GTIN, "D1", expiry=EXPIRY, target=36)
    assert draft["history"] is None
    closed_lot(bench, "H1", bad=(1, 2, 5, 9, 40))
    closed_lot(bench, "H2", bad=(30,), parts=2)
    history = sk.lot.history(bench.record)
    assert history["lots"] == 2 and not history["series"][0]["enough"]
    assert of(history) == {GTIN: [("H1", 40, 5), ("H2", 40, 1)]}
    assert of(sk.lot.history(bench.record, GTIN, by="lane")) == {
        "lane 1": [("H1", 10, 3), ("H2", 10, 0)],
        "lane 2": [("H1", 10, 1), ("H2", 10, 1)],
        "lane 3": [("H1", 10, 0), ("H2", 10, 0)],
        "lane 4": [("H1", 10, 1), ("H2", 10, 0)],
    }
    assert of(sk.lot.history(bench.record, by="station")) == {
        "line 1": [("H1", 40, 5), ("H2", 20, 0)],
        "line 2": [("H2", 20, 1)],
    }
    assert of(sk.lot.history(bench.record, by="reason")) == {
        "unreadable": [("H1", 40, 5), ("H2", 40, 1)]
    }
    assert of(sk.lot.history(bench.record, last=1)) == {GTIN: [("H2", 40, 1)]}
    with bench.record.read() as view:
        for one in closed_lots(view):
            again = figures_of(view, view.lot(one.lot))
            assert (again["printed"], again["rejected"]) == (one.printed, one.rejected)
            assert (again["lanes"], again["stations"]) == (one.lanes, one.stations)

    draft = sk.lot.show(bench.record, "D1")
    beside = draft["history"]
    assert (beside["lots"], beside["rejected"], beside["labels"]) == (2, 6, 80)
    assert beside["percent"] == "7.50" and "too few" in beside["sentence"]
    sk.lot.approve(bench.record, "D1", second="Second Person")
    told = sk.serials.allocate(bench.record, "D1")
    assert told["count"] == draft["advice"] != beside["advice"], "history changes no advice"
    assert sk.lot.reconcile(bench.record, "D1")["history"] is None, "nothing is printed yet"

    for name in ("rates.svg", "rates.html", "rates.pdf"):
        sk.lot.history(bench.record, by="lane", out=bench.folder / name)
    assert (bench.folder / "rates.svg").read_text().count('class="lot"') == 8
    assert "H1" in (bench.folder / "rates.html").read_text()
    assert (bench.folder / "rates.pdf").read_bytes().startswith(b"%PDF")
    assert sk.record.verify(bench.record)["sound"]


def test_a_browser_shows_the_same_rates_and_limits(bench: Bench) -> None:
    """A page with the chart and each lot's figures, in English and German; what it tells is what
    the command tells; a record without closed lots says so."""
    with looking(bench.url, acting="Line Lead") as browser:
        assert "No lot is closed yet." in browser.get("/history").text
        closed_lot(bench, "H1", bad=(1, 2, 5, 9, 40))
        closed_lot(bench, "H2", bad=(30,))
        assert "/history" in browser.get("/products").text
        page = browser.get("/history?by=lane").text
        for one in sk.lot.history(bench.record, by="lane")["series"]:
            assert f"<h2>{one['name'].title()}</h2>" in page
            for each in one["samples"]:
                lower, upper = (f"{100 * limit:.2f}" for limit in each["limits"])
                assert f"{lower} – {upper} %" in page and f">{each['lot']}</a>" in page
        assert "Too few lots for limits: 20 are wanted" in page
        assert "<h2>Spur 1</h2>" in browser.get("/history?by=lane&lang=de").text
        chart = browser.get(
            re.search(r'src="(/history/chart[^"]*)"', page)[1].replace("&amp;", "&")
        )
        assert chart.headers["content-type"].startswith("image/svg+xml")
        assert chart.text.count('class="lot"') == 8


def test_what_is_no_reject_does_not_count(bench: Bench) -> None:
    """A label that a later file of the first pass found, and one made bad on purpose; in the lot at
    hand the comparison says so, too. A lot whose files overlap at two stations is left out by
    station, and named."""
    closed_lot(bench, "H1", bad=(1,))
    sk.lot.open(bench.record, GTIN, "H2", expiry=EXPIRY, target=36)
    sk.lot.approve(bench.record, "H2", second="Second Person")
    bench.lot = "H2"
    seen = as_seen(bench.printed(40))
    sk.challenge.plant(bench.record, "H2", kind="no_read", positions=[8])
    seen[7]["seen"] = seen[10]["seen"] = ""
    sk.inspect.take(bench.record, "H2", bench.results([*seen[:4], *seen[5:]]))
    with sk.open_record(
        bench.url, person="Line Lead", station="line 2", now=bench.record.now
    ) as there:
        sk.inspect.take(there, "H2", bench.results(seen[4:5]))
    found = bench.findings()
    assert found[8] == found[11] == "unreadable" and found.get(5) == "not_seen"
    beside = sk.lot.reconcile(bench.record, "H2")["history"]
    assert beside["percent"] == "2.57" and beside["lots"] == 1  # 1 of 39, rounded up
    close(bench, "H2")
    assert of(sk.lot.history(bench.record)) == {GTIN: [("H1", 40, 1), ("H2", 39, 1)]}
    by_station = sk.lot.history(bench.record, by="station")
    assert of(by_station) == {"line 1": [("H1", 40, 1)]}
    assert by_station["left_out"] == [f"{GTIN}/H2"]
