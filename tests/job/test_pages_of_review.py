"""The compliance officer's pages in a real browser, on a live record: looking and signing, what
others did meanwhile, and what an operator may not.

Source of what is accessible: WCAG 2.1 A and AA, judged by axe-core; that a signature says what it
means, and who may not review: 21 CFR 11.50(a), and common practice.
"""

from __future__ import annotations

import hashlib
import re
import threading
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from asking import asking
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from test_pages_in_chromium import browser, looked_at, window
from test_pages_safety import Browser
from test_people import BEA, SECRETS
from test_sessions import CARLA, LENA, OWN, Station
from window import judged, needs_chromium, serving_at

import serialkeeper as sk
from serialkeeper.rules.jobs import spread
from serialkeeper.web.background import Background, Task

__all__ = ["browser", "window"]  # fixtures

pytestmark = [
    needs_chromium,
    pytest.mark.only_on("sqlite", reason="what a browser shows is the same everywhere"),
]

LOT, NAME = f"/lots/{GTIN}/LOT24A", f"{GTIN}/LOT24A"


@pytest.fixture
def station(database: Database, tmp_path: Path) -> Station:
    """A live record with a lot in which things went wrong, and were decided on."""
    station = Station(database, tmp_path)
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=24)
        sk.lot.approve(lead.seconded_by(CARLA, OWN), NAME, second=CARLA)
        sk.serials.allocate(lead, NAME, 28)
        sk.print.write(lead, NAME, lanes=4, out=tmp_path / "job.csv")
    rows = as_seen(tmp_path / "job.csv")
    rows[4]["seen"] = ""
    rows[9]["seen"] = rows[9]["seen"].replace("LOT24A", "LOT24B")
    rows[13]["grade"] = "1.0"
    del rows[20]
    with station.of(BEA) as operator:
        results = Bench.results(_Folder(tmp_path), rows)  # type: ignore[arg-type]
        sk.inspect.take(operator, NAME, results)
        every = [range(1, 99)]
        sk.alarm.acknowledge(operator, NAME, every, cause="old reel", restart_check="20 read")
    with station.of(LENA, OWN) as lead:
        sk.label.void(lead, NAME, "10", reason="waste", count=1)
    with station.of(CARLA, OWN) as check:
        sk.label.void(check, NAME, "5", reason="damaged", count=1)
    return station


class _Folder:
    """Where results files lie."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.files = folder, 0


def enter(window: Any, address: str, path: str, name: str, password: str) -> None:
    """Sign in, on the way to a page."""
    window.goto(address + path)
    window.locator("#sign_in_name-name").fill(name)
    window.locator("#sign_in_name-password").fill(password)
    window.locator("#form-sign_in_name button").click()
    window.wait_for_url(address + path)


def sent(window: Any, path: str, **fields: str) -> int:
    """The status of a form that somebody sends without having been offered it."""
    key = window.locator("input[name=key]").first.input_value()
    told = window.request.post(path, form={"key": key, **fields}, headers={"Origin": path[:22]})
    return int(told.status)


def groups_of(station: Station) -> list[dict[str, Any]]:
    """What is to be reviewed."""
    with station.of(CARLA, OWN) as check:
        return list(sk.review.list(check, NAME)["groups"])


def reviewed(station: Station) -> list[str]:
    """What was signed as reviewed."""
    with station.of(CARLA, OWN) as check:
        return [one["reason"] for one in sk.review.list(check, NAME)["reviewed"]]


def look_at_all(window: Any) -> None:
    """Each label's row is opened and ticked, by the keyboard alone."""
    for row in window.locator(".opened").all():
        if row.get_attribute("open") is None:
            row.locator("summary").press("Enter")
        row.locator("[name=opened]").press("Space")
        assert row.locator("summary .looked").is_visible()


def read_journal(window: Any, address: str) -> None:
    """By what was done; an entry with the values before and after it, of rows and of labels."""
    window.goto(f"{address}{LOT}/journal")
    window.locator("#by-verb").select_option("voided")
    window.get_by_role("button", name="Show these").click()
    window.wait_for_url("**verb=voided*")
    entries = window.locator(".journal li")
    assert entries.count() == 3
    changed = entries.first.locator("tbody").inner_text()
    assert "Labels 14: state" in changed and "Rejected" in changed and "Voided" in changed
    window.goto(f"{address}{LOT}/journal?verb=taken")
    window.locator(".journal a").first.click()
    assert "Printed, not seen" in window.locator(".changed").inner_text()
    looked_at(window, window.url, f"{address}{LOT}/journal", f"{address}/journal")


def check_and_report(window: Any, address: str) -> None:
    """Both go on beside the page, which says when they are done; the report is read in the browser
    and fetched, by whoever had it made."""
    window.goto(f"{address}/record/check")
    window.get_by_role("button", name="Check the record").click()
    window.get_by_text("The record is sound").wait_for()
    assert "entries could be rewritten unseen" in window.locator("main").inner_text()
    looked_at(window, window.url)
    there = f"{address}{LOT}/report"
    window.goto(there)
    for form, ending in (("html", ".html"), ("pdf", ".pdf")):
        window.locator("#make_report-form").select_option(form)
        window.get_by_role("button", name="Make the report").click()
        fetch = window.locator(".card").filter(has_text=ending).get_by_text("Fetch the file")
        with window.expect_download() as fetched:
            fetch.click()
        data = Path(fetched.value.path()).read_bytes()
        assert data[:5] == {"html": b"<!DOC", "pdf": b"%PDF-"}[form]
        digest = hashlib.sha256(data).hexdigest()
        assert digest in window.locator("main").inner_text()
    looked_at(window, there)
    window.get_by_role("link", name="Read it").click()
    assert "LOT24A" in window.locator("h1").inner_text()
    assert window.evaluate("document.styleSheets.length") == 1
    window.goto(there)


def hold_and_lift(window: Any, address: str) -> None:
    """What nobody can account for, where it could be, held as it was worked out; a hold is lifted
    with a reason and a signature."""
    there = f"{address}{LOT}"
    window.goto(f"{there}/unaccounted")
    assert "1 number is not accounted for" in window.locator("main").inner_text()
    assert window.locator("tbody tr").count() == 1
    assert "Printed, not seen" in window.locator("tbody").inner_text()
    window.get_by_role("button", name="Work it out").click()
    window.get_by_text("of 28 labels could be").wait_for()
    looked_at(window, window.url)
    window.locator("#place_smallest-reason").fill("nobody saw it")
    window.get_by_role("button", name="Hold these places").click()
    window.locator(".said").get_by_text("Hold 1 is placed on position").wait_for()
    window.goto(f"{there}/holds")
    window.locator("#place_hold-what").select_option("roll")
    window.locator("#place_hold-which").fill("7")
    window.locator("#place_hold-reason").fill("a tear")
    window.get_by_role("button", name="Place a hold").click()
    window.locator("#place_hold-which-refused").get_by_text("roll_unknown").wait_for()
    looked_at(window, f"{there}/holds", f"{there}/decision", there)
    window.goto(f"{there}/holds?lifted=true")
    window.locator("#lift_hold-reason").fill("found in the bin")
    window.locator("#lift_hold-secret").fill(OWN)
    window.get_by_role("button", name="Lift a hold").click()
    window.locator(".said").get_by_text("Hold 1 is lifted; other open holds").wait_for()
    window.goto(f"{there}/review?kind=hold+lifted")
    assert "your own" in window.locator("tbody").first.inner_text()


def test_what_goes_on_beside_the_pages_is_one_and_ends_with_the_server() -> None:
    """A second one of the kind is refused; what runs is stopped, and its files are gone."""
    beside = Background(lambda _: None)
    going = threading.Event()

    def endless(task: Task) -> None:
        (task.files / "half").touch()
        while True:
            going.set()
            task.seen(1, 2)

    task = beside.start("check", LENA, endless, began="now")
    assert going.wait(10)
    with pytest.raises(sk.Unavailable) as refused:
        beside.start("check", CARLA, endless, began="now")
    assert refused.value.word == "record_busy"
    beside.start("report", CARLA, lambda _: 1 / 0, began="now")
    beside.close()
    assert [one.state for one in beside.of("check")] == ["stopped"]
    [failed] = beside.of("report")
    assert failed.state == "failed" and failed.describe()["error"]["word"] == "fault"
    assert not task.files.exists()


def test_the_list_is_looked_at_and_signed(station: Station, window: Any) -> None:
    """By filters that stand in the address, groups, and labels with the web around them; a wrong
    password signs nothing; nor does a page that is not what the list is any more; one's own work
    is not offered."""
    with serving_at(station.database.url, now=station.clock) as address:
        there = address + LOT
        enter(window, address, "/review", CARLA, OWN)
        window.get_by_role("link", name="LOT24A").first.click()
        rows = window.locator("tbody tr")
        assert "Another lot" in rows.first.inner_text() and "Critical" in rows.first.inner_text()
        own = rows.filter(has_text="damaged")
        assert "your own" in own.inner_text() and not own.locator("input").count()
        looked_at(window, window.url, f"{address}/review")
        window.goto(f"{there}/review")
        window.locator("#by-kind").select_option("found")
        window.locator("#by-lane").fill("2")
        window.get_by_role("button", name="Show these").click()
        window.wait_for_url("**/review?*kind=found*lane=2*")
        window.goto(window.url)
        shown = window.locator("tbody th").all_inner_texts()
        reasons = [one.strip().rpartition(": ")[2] for one in shown]
        assert reasons == ["Another lot", "Grade too low"]
        for box in window.locator("tbody input").all():
            box.check()
        window.get_by_role("button", name="Look at the chosen ones").click()
        assert "Groups: 2, labels: 2" in window.locator("#signing").inner_text()
        assert "Meaning of your signature: reviewed" in window.locator("#signing").inner_text()
        first = window.locator(".opened[open]")
        assert "LOT24B" in first.inner_text() and "results1.csv" in first.inner_text()
        picture = first.locator("img")
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("one => one.decode().then(() => one.naturalWidth)") > 100
        said = picture.get_attribute("alt")
        assert "row 3, lane 2" in said and "Before it in its lane: position 6, Good, read" in said
        looked_at(window, window.url)
        lines = first.get_by_role("link", name="Find its lines").get_attribute("href")
        signing = window.url
        window.goto(f"{address}{lines}")
        assert "11" in window.locator("tbody td").first.inner_text()  # the file has a header
        assert "LOT24B" in window.locator("tbody").inner_text()
        looked_at(window, window.url)
        window.goto(signing)
        button = window.get_by_role("button", name="Sign 2 as reviewed")
        window.locator("#sign-secret").fill(OWN)
        button.click()  # without having looked
        window.get_by_text("examples_needed").wait_for()
        assert window.evaluate("document.activeElement.name") == "opened"
        assert judged(window) == [] and reviewed(station) == []
        look_at_all(window)
        window.locator("#sign-secret").fill("not the right one at all")
        window.get_by_role("button", name="Sign 2 as reviewed").click()
        window.locator("#sign-secret-refused").wait_for()
        assert judged(window) == [] and reviewed(station) == []
        assert all(box.is_checked() for box in window.locator("[name=opened]").all())
        window.locator("#sign-secret").fill(OWN)
        window.get_by_role("button", name="Sign 2 as reviewed").click()
        window.locator(".said").get_by_text("2 groups are signed as reviewed").wait_for()
        assert reviewed(station) == ["wrong_lot", "low_grade"]
        window.get_by_role("link", name="Voided: waste").click()
        with station.of(LENA, OWN) as lead:
            sk.label.void(lead, NAME, "14", reason="waste", count=1)
        look_at_all(window)
        window.locator("#sign-secret").fill(OWN)
        window.get_by_role("button", name="Sign 1 as reviewed").click()
        window.get_by_text("No longer what it was when it was shown").wait_for()
        assert not window.locator("#form-sign").count() and judged(window) == []
        assert len(reviewed(station)) == 2
        window.get_by_role("link", name="To the list").click()
        assert "Voided: Damaged" in window.locator("tbody").first.inner_text()
        read_journal(window, address)
        check_and_report(window, address)
        hold_and_lift(window, address)
        window.get_by_role("button", name="Sign out").click()
        enter(window, address, f"{LOT}/review", BEA, SECRETS[BEA])
        assert not window.locator("tbody input").count()
        window.get_by_role("link", name="Voided: waste").click()
        assert "position 14" in window.locator("main").inner_text()
        assert not window.locator("#form-sign").count()
        assert sent(window, window.url, opened="10\n14") == 403
        window.goto(f"{there}/report")
        assert not window.locator("#form-make_report").count()
        assert sent(window, f"{there}/report/make") == 403
        assert window.request.get(f"{there}/report/2").status == 404  # somebody else's
        for path, form in (("holds", "lift_hold"), ("decision", "decide"), ("decision", "reopen")):
            window.goto(f"{there}/{path}")
            assert not window.locator(f"#form-{form}").count()
        assert sent(window, f"{there}/holds/lift", hold="1", reason="x") == 403
        assert sent(window, f"{there}/decision/reopen", reason="x") == 403
    assert len(reviewed(station)) == 2


def test_one_tick_is_for_one_label_however_many_groups_ask_for_it(station: Station) -> None:
    """Without script: all that is not one's own is chosen by one link; a label that was found and
    voided stands there once; what is about alarms says so; without the tick nothing is signed, and
    with it both groups are. Who cannot sign is offered no choice."""
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        browser.sign_in(name=CARLA, password=OWN)
        page = browser.get(f"{LOT}/review").text
        assert "1 alarm<" in page and "about 1 label<" not in page
        assert not re.search(r'name="group" [^>]*checked', page)
        page = browser.get(f"{LOT}/review?kind=voided&chosen=all").text
        assert "kind=voided&amp;chosen" not in page and "Choose none" in page
        page = browser.get(f"{LOT}/review?chosen=all").text
        there = re.findall(r'name="group" value="(\w+)" checked', page)
        groups = {one["group"]: one for one in groups_of(station)}
        [stopping] = (one for one in there if groups[one]["critical"] and not groups[one]["open"])
        page = browser.get(f"{LOT}/sign?group={stopping}&group={there[-1]}").text
        assert '<details class="card" open>' in page, "what is critical is read before it is signed"
        mine = [one for one in groups if CARLA in (groups[one]["person"], groups[one]["second"])]
        assert mine and sorted(there) == sorted(set(groups) - set(mine))
        page = browser.get(f"{LOT}/sign?{urlencode([('group', one) for one in there])}").text
        boxes = re.findall(r'name="opened" type="checkbox" value="(\d+)"', page)
        asked = [position for one in there for position in groups[one]["open"]]
        assert len(asked) > len(set(asked)), "a label of several groups"
        assert sorted(map(int, boxes)) == sorted(set(asked))
        assert page.count("Read: its own number") == 1 and "1 alarm ·" in page
        assert page.count('<details class="card opened" open>') == 1
        about = {position for one in there for position in spread(groups[one]["positions"])}
        assert f"Groups: {len(there)}, labels: {len(about)}" in page
        path = str(browser.page.url).removeprefix("http://localhost:8470")
        for form in re.findall(r'<form method="post" action="([^"]+)" id="form-sign"', page):
            path = form.replace("&amp;", "&")
        but_one = [one for one in boxes if one != boxes[1]]
        page = browser.send(path, opened=but_one, secret=OWN)
        assert page.status_code == 422 and "examples_needed" in page.text
        open_now = re.findall(
            r'<details class="card opened" open>.*?value="(\d+)"', page.text, re.S
        )
        assert open_now == [boxes[1]] and len(reviewed(station)) == 0
        page = browser.send(path, opened=boxes, secret=OWN)
        assert page.status_code == 200 and len(reviewed(station)) == len(there)
        page = browser.get(f"{LOT}/review").text
        assert "your own" in page and "Look at the chosen" not in page and "Choose all" not in page
        browser.sign_in(name=BEA, password=SECRETS[BEA])
        page = browser.get(f"{LOT}/review").text
        assert "/sign?group=" in page and f'action="{LOT}/sign"' not in page
        page = browser.get(f"{LOT}/sign?group={mine[0]}").text
        assert "Look and sign" not in page and 'name="opened"' not in page
        there = re.findall(r'href="(/[\w-]+)" accesskey="\d" aria-current="true"', page)
        assert there == ["/review"]
