"""The hand-off in a browser: an integrator sees what failed, and tries again.

The receiver is written from EPCIS 2.0's interface description (`receiver.py`); accessibility is
judged by axe-core's rules (WCAG 2.1 A and AA).
"""

from __future__ import annotations

import hashlib
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench
from databases import Database
from receiver import Receiver
from test_pages import key_in, looking
from test_pages_in_chromium import browser, looked_at, window
from test_people import ADA, FIRST
from test_sending import LABELS, close, lot
from test_sessions import CARLA, LENA, OWN, Station
from window import needs_chromium, serving_at, told_in

import serialkeeper as sk
from serialkeeper.rules.destinations import Reach
from serialkeeper.store.destinations import only_sender

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

__all__ = ["browser", "window"]

LOT = f"/hand-off/{GTIN}/LOT24A"


def test_a_failure_is_seen_and_tried_again(
    bench: Bench, window: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What keeps a lot back and who ends that; the check; a receiver that takes nothing, in its own
    words, without our token; once it does, all is there; what it refuses waits for a decision; and
    each document is had again to the byte."""
    receiver, record = Receiver(kind="answers"), bench.record
    receiver.token = "".join(("another", "one"))
    monkeypatch.setenv("SERIALKEEPER_SECRET_WEST", "wrong-token-7Q2M")
    monkeypatch.setenv("SERIALKEEPER_SECRET_WEST_HOST", "127.0.0.1")
    lot(bench, "LOT24B", closed=False)

    said = partial(told_in, window)

    def press(name: str) -> None:
        window.get_by_role("button", name=name).click()

    with receiver.running() as url, serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}/hand-off")
        window.get_by_label("Destination", exact=True).fill("west")
        window.get_by_label("Capture interface").fill("http://elsewhere.example/capture")
        window.get_by_label("Name of the token").fill("WEST")
        window.get_by_label("Events of a document").fill("3")
        press("Add a destination")
        window.locator("#set_destination-capture-refused").wait_for()
        window.get_by_label("Capture interface").fill("https://elsewhere.example/capture")
        press("Add a destination")
        window.locator("#form-set_destination").get_by_text("not for that host").wait_for()
        window.get_by_label("Capture interface").fill(url)
        press("Add a destination")
        said("Destination west is as it stands here now")
        assert "WEST" in sk.events.status(record)["destinations"][0]["reach"]["token"]
        row = window.locator("#to-west tbody tr")
        assert "Kept back" in row.inner_text() and "the lot is running" in row.inner_text()
        assert "Line lead, Compliance" in row.inner_text()
        close(bench)
        bench.reviewed()
        window.reload()
        assert "Not checked" in row.inner_text()
        row.get_by_role("link").first.click()
        press("Check the accounts")
        said(f"Printed = accepted = recorded = exported. Numbers: {LABELS}")
        window.goto(f"{address}/hand-off")
        press("Send to west now")
        said("What hinders the rest stands below")
        card = window.locator("#to-west")
        assert "It takes nothing from us" in card.inner_text()
        assert "HTTP 401" in card.inner_text() and "not Bearer" in card.inner_text()
        assert "Nobody tries again by itself" in card.inner_text()
        assert "7Q2M" not in window.content()
        looked_at(window, f"{address}/hand-off")
        assert "7Q2M" not in str(sk.events.status(record))

        receiver.token, receiver.plan = "", [202, 400]
        press("Try west again now")
        said("What hinders the rest stands below")
        assert "Refused by the receiver" in row.inner_text()
        assert "HTTP 400 ValidationException" in row.inner_text()
        row.get_by_role("link").first.click()
        window.get_by_label("How that is known").fill("they <mended> it")
        press("Decide about what is stuck")
        window.locator("#settle-stored-refused").wait_for()
        window.get_by_label("What the receiver has").select_option("again")
        looked_at_here = window.url
        press("Decide about what is stuck")
        said("are sent again, under the same IDs")
        press("Send this lot now")
        said("Sent: 2 documents")
        assert len(receiver.ids()) == len(set(receiver.ids())) == -(-LABELS // 3)
        looked_at(window, looked_at_here.replace("/settle", ""))
        last = sk.events.status(record)["destinations"][0]["lots"][0]["last"]
        with window.expect_download() as fetched:
            window.get_by_role("link", name=last["name"]).click()
        data = Path(fetched.value.path()).read_bytes()
        assert hashlib.sha256(data).hexdigest() == last["sha256"]
        with window.expect_download() as fetched:
            press("Write the events to a file")
        whole = bench.folder / "whole.jsonld"
        sk.events.write(record, "LOT24B", form="json", out=whole)
        assert Path(fetched.value.path()).read_bytes() == whole.read_bytes()
        with only_sender(record, 1):
            window.goto(f"{address}/hand-off")
            assert "Is being sent to now" in card.inner_text()
    bench.heads()


def test_sending_does_not_keep_the_server_waiting(bench: Bench) -> None:
    """A slow receiver is served in the background: the page is there at once, and says so; the
    server ends the exchange under way before it ends."""
    receiver = Receiver(slow=1.2, seed=3)
    lot(bench, "LOT24B")
    with receiver.running() as url:
        sk.events.destination(bench.record, "west", capture=url, most_events=1)
        with looking(bench.url, acting="Line Lead") as client:
            key = key_in(client.get("/hand-off").text, "/hand-off/send")
            sent = client.post("/hand-off/send", data={"key": key, "to": "west"})
            assert sent.status_code == 303
            page = client.get("/hand-off").text
            assert "in the background" in page and "Is being sent to now" in page
    there = len(receiver.stored)
    assert there < -(-LABELS // 3)
    told = sk.events.status(bench.record)["destinations"][0]["lots"][0]
    assert told["events"] == there
    sk.events.send(bench.record)
    assert receiver.ids() == list(dict.fromkeys(receiver.ids()))


def test_who_may_not_is_not_offered_and_refused(
    database: Database, tmp_path: Path, window: Any
) -> None:
    """An integrator sends and names destinations, and decides nothing; a line lead does neither."""
    station = Station(database, tmp_path)
    ines = "Ines Integrator"
    with station.of(ADA) as administrator:
        sk.person.add(administrator, ines, role="integrator", password=FIRST)
    with station.of(ines, FIRST) as own:
        sk.person.password(own, OWN)
    east = tmp_path / "east"
    east.mkdir()
    with station.of(ines, OWN) as own:
        sk.events.destination(own, "east", folder=east, reach=Reach())
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=10)

    def enter(address: str, name: str) -> str:
        window.context.clear_cookies()
        window.goto(f"{address}/sign-in?back=/hand-off")
        window.locator("#sign_in_name-name").fill(name)
        window.locator("#sign_in_name-password").fill(OWN)
        window.get_by_role("button", name="Sign in").last.click()
        window.wait_for_url("**/hand-off")
        return str(window.locator("main").inner_text())

    with serving_at(station.database.url, now=station.clock) as address:
        page = enter(address, ines)
        assert "Send to east now" in page and "Change east" in page
        window.get_by_role("button", name="Send to east now").click()
        window.locator(".said[role=status]").get_by_text("Sent: 0 documents").wait_for()
        assert ines in window.locator("#to-east").inner_text()
        window.goto(f"{address}{LOT}")
        assert "Decide about" not in window.locator("main").inner_text()
        key = window.locator("#form-check_lot input[name=key]").get_attribute("value")
        refused = "document settled"
        window.evaluate(
            """([key, path]) => { const form = document.createElement("form");
            form.method = "post"; form.action = path;
            for (const [name, value] of Object.entries({key, stored: "stored", reason: "so",
              destination: "east"})) {
              const field = document.createElement("input"); field.name = name;
              field.value = value; form.append(field); }
            document.body.append(form); form.submit(); }""",
            [key, f"{LOT}/settle"],
        )
        window.locator("[role=alert]").get_by_text("role_not_allowed").wait_for()
        assert refused in window.locator("[role=alert]").inner_text()
        window.goto(f"{address}/hand-off?change=east")
        assert window.locator("#set_destination-folder").count()
        assert not window.locator("#set_destination-as_it_happens").count()
        page = enter(address, LENA)
        assert "Send to" not in page and "Change" not in page and "east" in page
        page = enter(address, CARLA)
        assert "Send to east now" in page
        window.goto(f"{address}/hand-off?change=east")
        window.locator("#set_destination-as_it_happens").check()
        window.locator("#form-set_destination button").click()
        window.locator(".said[role=status]").get_by_text("east").wait_for()
        enter(address, ines)
        window.goto(f"{address}/hand-off?change=east")
        assert "Only compliance may say so" in window.locator("#set").inner_text()
        window.locator("#form-set_destination button").click()
        window.locator(".said[role=status]").get_by_text("east").wait_for()
    with station.of(ines, OWN) as own:
        assert not sk.events.status(own)["destinations"][0]["as_it_happens"]
