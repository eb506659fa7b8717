"""Packs in a browser: packed by scans, each answered big; changed, checked, shipped.

Accessibility is judged by axe-core's rules (WCAG 2.1 A and AA).
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from test_packs import packing
from test_pages_in_chromium import browser, looked_at, window
from test_people import BEA, SECRETS
from test_sessions import CARLA, LENA, OWN, Station
from window import needs_chromium, send_in, serving_at, told_in

import serialkeeper as sk

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

__all__ = ["browser", "window"]

LOT = f"/lots/{GTIN}/PACKED"


def test_a_case_is_packed_by_scans(bench: Bench, window: Any) -> None:
    """The scanner is enough: each scan is answered by a word, a shape and a colour, a wrong one
    goes nowhere; the label of the empty case ends it; and what goes on with it."""
    packing(bench, "PACKED", 12)
    record = bench.record
    rows = [sk.label.show(record, f"{GTIN}/PACKED", position=n) for n in range(1, 13)]
    codes = [row["code"] for row in rows]
    sk.location.add(record, "9521234000020", prefix_length=7, name="Store", zone="UTC")

    def scan(text: str) -> str:
        window.locator("[data-scan]:focus").wait_for()
        before, _, after = text.partition("{GS}")
        window.keyboard.type(before)
        if after:
            window.keyboard.press("Control+BracketRight")
            window.keyboard.type(after)
        with window.expect_navigation():
            window.keyboard.press("Enter")
        return str(window.locator("main").inner_text())

    said, do = partial(told_in, window), partial(send_in, window)

    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}{LOT}/packs")
        window.locator("#number_packs-count").fill("1")
        window.locator("#form-number_packs button").click()
        said("1 pack has its key")
        [numbered] = sk.pack.list(record, "PACKED")["packs"]
        window.get_by_role("link", name="Pack by scans").click()
        window.get_by_role("link", name="case · 4").click()
        assert "RIGHT" in scan(codes[0]) and window.locator(".answer.normal").count()
        page = scan(codes[0])
        assert "IN IT ALREADY" in page and "Leave it in" in page and "1 of 4" in page
        assert "WRONG" in scan("]d20109521234543214")
        looked_at(window, window.url)
        assert "2 of 4" in scan(codes[1])
        window.get_by_role("link", name="Take the last one back").click()
        assert "1 of 4" in window.locator(".key-fact").inner_text()
        for code in codes[1:4]:
            page = scan(code)
        assert "4 of 4" in page and "FULL" in page.upper()
        assert sk.pack.list(record, "PACKED", state="part")["packs"] == []
        scan(f"(00){numbered['key']}")
        said(f"Pack {numbered['key']} holds 4")
        assert "0 of 4" in window.locator(".key-fact").inner_text()
        scan(codes[4])
        do("build_pack")
        window.locator("#form-build_pack [role=alert]").wait_for()
        do("build_pack", reason="the last one of the shift")
        said("holds 1")
        told = sk.pack.show(record, numbered["key"])
        assert [one["serial"] for one in told["children"]] == [row["serial"] for row in rows[:4]]
        window.goto(f"{address}/packs/{numbered['key']}")  # full: nothing more goes in
        assert not window.locator("#form-add_to").count() and window.locator("#form-empty").count()

        window.goto(f"{address}{LOT}/packs")
        do("build_in_order", count="1")
        said("1 pack is filled; loose units of the lot: 3")
        looked_at(window, f"{address}{LOT}/packs", f"{address}/packs/{numbered['key']}")
        do("check_pack", children="\n".join(codes[:3]))
        said("NOT COMPLETE. Missing: 1")
        assert window.locator(".said.danger[role=status]").count()
        do("check_pack", children="\n".join(codes[:4]))
        said("Complete: 4 scanned, none missing")
        do("remove_from", children=codes[9], reason="torn")
        window.locator("#form-remove_from [role=alert]").get_by_text("not_in_pack").wait_for()
        do("replace_in", bad=codes[3], good=codes[10], reason="torn")
        said("The pack holds 4 now")
        with window.expect_download() as fetched:
            do("make_label")
        assert Path(fetched.value.path()).read_bytes().startswith(b"%PDF-")
        do("check_label", scan=f"(00){numbered['key'][:-1]}0")
        window.locator("#form-check_label [role=alert]").wait_for()
        do("check_label", scan=f"(00){numbered['key']}")
        said("RIGHT")
        do("ship_pack", to="9521234000020")
        said("left for 9521234000020. Units in it: 4")
        do("unship_pack", reason="the lorry was full")
        said("The pack is here")
        do("empty", reason="all over again")
        said("what was in it is loose")
    bench.heads()


def test_who_packs_and_who_only_looks(database: Database, tmp_path: Path, window: Any) -> None:
    """Compliance takes out and ends packs, and fills none; with what is in it a pack is ended by a
    signature."""
    station = Station(database, tmp_path)
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        bench = Bench(tmp_path, lead, database)
        bench_lot(bench)
        [case] = sk.pack.build(lead, "PACKED", "case", in_order=True, count=1)["packs"]
    with serving_at(database.url, now=station.clock) as address:
        for name, password, may in ((CARLA, OWN, False), (BEA, SECRETS[BEA], True)):
            window.context.clear_cookies()
            window.goto(f"{address}/sign-in?back={LOT}/packing?level=case")
            window.locator("#sign_in_name-name").fill(name)
            window.locator("#sign_in_name-password").fill(password)
            window.get_by_role("button", name="Sign in").last.click()
            window.wait_for_url("**/packing?level=case")
            told = window.locator("main").inner_text()
            assert (
                "Your role only looks here. This is done by: Operator, Line lead." in told
            ) != may
            assert bool(window.locator("#packing-scan").count()) == may
            window.goto(f"{address}/packs/{case['key']}")
            assert bool(window.locator("#form-replace_in").count()) == may
            assert not window.locator("#form-add_to").count()  # it is full
            assert bool(window.locator("#form-end_whole").count()) != may
            if may:
                continue
            window.locator("details:has(#form-end_whole) > summary").click()
            window.locator("#end_whole-reason").select_option("damaged")
            window.locator("#end_whole-secret").fill("not mine at all, this one")
            window.locator("#form-end_whole button").click()
            window.locator("#end_whole-secret-refused").wait_for()
            key = window.locator("#form-end_whole input[name=key]").get_attribute("value")
            told = window.evaluate(
                """async ([path, key]) => (await (await fetch(path, {method: "POST", body:
                new URLSearchParams({key, children: "x"})})).text())""",
                [f"/packs/{case['key']}/add", key],
            )
            assert "role_not_allowed" in told


def bench_lot(bench: Bench) -> None:
    """A lot with packs in a live record."""
    path = bench.folder / "levels.toml"
    path.write_text("[case]\nholds = 4\n")
    sk.product.packs(bench.record, GTIN, path)
    sk.lot.open(bench.record, GTIN, "PACKED", expiry=EXPIRY, target=8)
    sk.lot.approve(bench.record.seconded_by(CARLA, OWN), "PACKED", second=CARLA)
    bench.lot = "PACKED"
    sk.inspect.take(bench.record, "PACKED", bench.results(as_seen(bench.printed(8))))
