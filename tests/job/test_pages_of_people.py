"""People, stations and places by forms, in a browser.

Source: 21 CFR 11.300 (a badge and what goes with it are one person's); accessibility is judged by
axe-core's rules (WCAG 2.1 A and AA).
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest
from databases import Database
from test_pages_in_chromium import browser, looked_at, window
from test_people import ADA, FIRST, SECRETS
from test_sessions import LENA, OWN, Station
from window import needs_chromium, send_in, serving_at, told_in

import serialkeeper as sk

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

__all__ = ["browser", "window"]

NOEL, CARD, PIN, NEW = "Noel New", "CARD-4N7T2W9K", "718205", "nine green bottles on a wall"


def test_somebody_new_comes_in(database: Database, tmp_path: Path, window: Any) -> None:
    """An administrator adds a person and gives a badge, each time with the own password once more;
    the person chooses a password and a PIN, and signs in by badge; nothing of it is offered to
    anybody else, and the steps refuse it all the same."""
    station = Station(database, tmp_path)

    said, fill = partial(told_in, window), partial(send_in, window)

    def enter(name: str, password: str) -> None:
        window.context.clear_cookies()
        window.goto(f"{address}/sign-in?back=/people")
        fill("sign_in_name", name=name, password=password)

    with serving_at(database.url, now=station.clock) as address:
        enter(ADA, SECRETS[ADA])
        window.wait_for_url("**/people")
        person = {"person": NOEL, "role": "operator", "new": FIRST, "again": FIRST}
        fill("add_person", **(person | {"password": "not this one"}))
        window.locator("#add_person-password-refused").get_by_text("sign_in_refused").wait_for()
        assert window.locator("#add_person-person").input_value() == NOEL
        assert not window.locator("#add_person-new").input_value()
        station.clock.time += station.clock.time.resolution * 3_000_000
        secrets = {"new": FIRST, "again": FIRST, "password": SECRETS[ADA]}
        fill("add_person", **secrets)
        said(f"{NOEL} is in the record")
        row = window.locator("tr", has_text=NOEL)
        row.get_by_text("First password, not changed yet").wait_for()
        fill("give_badge", person=NOEL, badge=CARD, reason="first day", password=SECRETS[ADA])
        said("chooses a PIN for it")
        row.get_by_text("badge without a PIN").wait_for()
        fill("change_role", person=NOEL, role="line lead", reason="grown", password=SECRETS[ADA])
        said("has another role now")
        looked_at(window, f"{address}/people")
        window.goto(f"{address}/people/rules")
        fill("set_rules", shortest="3", reason="shorter", password=SECRETS[ADA])
        window.locator("#form-set_rules [role=alert]").wait_for()
        fill("set_rules", shortest="16", reason="longer", password=SECRETS[ADA])
        said("The rules hold from now on")
        window.goto(f"{address}/locations")
        assert not window.locator("form[action='/locations/add']").count()
        window.goto(f"{address}/stations")
        fill("add_station", name="line 1")
        said("Station line 1 is added")
        pages = ("people/rules", "people/alarms", "tokens", "stations", "locations", "pin")
        looked_at(window, *(f"{address}/{one}" for one in pages))

        enter(NOEL, FIRST)
        window.wait_for_url("**/password?name=*")
        assert "Somebody else gave you this password" in window.locator("main").inner_text()
        fill("password", password=FIRST, new=NEW, again=NEW)
        said("is changed")
        window.get_by_role("link", name="Choose a PIN for your badge").click()
        fill("pin", name=NOEL, password=NEW, badge="CARD-0000000000", new=PIN, again=PIN)
        window.locator("#pin-badge-refused").wait_for()
        fill("pin", password=NEW, badge=CARD, new=PIN, again=PIN)
        said(f"The badge of {NOEL} has its PIN")
        fill("sign_in_badge", password=CARD, pin=PIN)
        window.wait_for_url("**/find")
        assert NOEL in window.locator(".who").inner_text()

        enter(LENA, OWN)
        window.wait_for_url("**/people")
        assert not window.locator("form[action^='/people']").count()
        told = window.evaluate(
            """async () => (await (await fetch("/people/retire", {method: "POST",
            body: new URLSearchParams({person: "Noel New", reason: "so", key: "x"})})).text())"""
        )
        assert "form_over" in told
        window.goto(f"{address}/locations")
        location = {"gln": "9521234000020", "prefix_length": "7", "name": "Plant"}
        fill("add_location", **location, zone="Europe/Nowhere")
        window.locator("#form-add_location [role=alert]").wait_for()
        fill("add_location", zone="Europe/Berlin")
        said("Plant is in the record")
        key = window.locator("#form-add_location input[name=key]").get_attribute("value")
        told = window.evaluate(
            """async (key) => (await (await fetch("/people/retire", {method: "POST",
            body: new URLSearchParams({person: "Noel New", reason: "so", key})})).text())""",
            key,
        )
        assert "role_not_allowed" in told
    with station.of(ADA) as administrator:
        rows = {row["name"]: row for row in sk.person.list(administrator)}
        assert rows[NOEL]["role"] == "line lead" and not rows[NOEL]["retired"]
        assert CARD not in str(list(sk.record.entries(administrator)))
