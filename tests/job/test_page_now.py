"""Now, the page at the machine: one run by touches, live while another process takes a lot in; two
browsers on one lot; streams that end when they have to.

Source of server-sent events: WHATWG HTML, 9.2. That a page is one second behind at most, and that
nothing moves under a finger: asked for by those who stand there.
"""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import ready
from asking import asking
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from test_pages_in_chromium import looked_at
from test_pages_safety import HTML, Browser
from test_people import ADA, BEA, SECRETS
from test_sessions import CARLA, LENA, OWN, Station
from window import browsing, needs_chromium, serving_at, told_in

import serialkeeper as sk
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.steps import watching
from serialkeeper.web import live

pytestmark = pytest.mark.only_on("sqlite", reason="what a page shows is the same everywhere")

LOT = f"/lots/{GTIN}/LOT24A"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all of this file."""
    with browsing() as browser:
        yield browser


def opened(browser: Any) -> Any:
    """A window of a browser that knows nothing yet."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(10_000)
    return context.new_page()


def figure(window: Any, name: str) -> str:
    """One of the large figures."""
    told = window.locator("#figures .figure", has_text=name).locator("dd").inner_text()
    return str(told).replace("\N{NARROW NO-BREAK SPACE}", "")


def command(bench: Bench, *words: str) -> None:
    """A command in a process of its own."""
    asked = ["--record", bench.url, "--as", "Line Lead", *words]
    done = ready.typed(asked, env={**os.environ, "SERIALKEEPER_STATION": "line 1"})
    assert done.returncode in (0, 5), done.stderr


@needs_chromium
def test_a_run_by_touches_while_another_process_takes_the_lot_in(
    bench: Bench, browser: Any
) -> None:
    """Nothing runs and the page says what is next; begin, clear, prove; the page follows within a
    second, moves nothing and loses nothing that is typed; the alarm is seen and heard until it is
    acknowledged; a doubtful label is one touch away, and decided; stop, challenge, end."""
    rows = as_seen(bench.printed(60))
    rows[10]["seen"] = ""
    rows[21]["seen"] = rows[20]["seen"]
    file = bench.results(rows)
    window = opened(browser)
    with serving_at(bench.url, acting="Line Lead") as address:
        window.goto(f"{address}/now")
        assert "line 1: nothing runs" in window.inner_text("h1")
        looked_at(window, f"{address}/now")
        window.locator("#running .doubts a", has_text="LOT24A").click()
        window.get_by_role("link", name="Begin a run here").click()
        window.locator("#form-start button").click()
        told_in(window, "has begun")
        window.goto(f"{window.url.partition('#')[0]}&do=challenge")
        window.get_by_text("The line clearance comes first").wait_for()
        assert not window.locator("#form-challenge").count()
        window.locator("#do").get_by_role("link", name="Sign the line clearance").click()
        window.locator("#form-clearance button").click()
        window.locator("#form-clearance [role=alert]").get_by_text(
            "clearance_incomplete"
        ).wait_for()
        for point in CLEARANCE["before"]:
            window.locator(f"#clearance-point_{point}").check()
        window.locator("#form-clearance button").click()
        told_in(window, "The line is cleared")
        window.get_by_role("link", name="Challenge", exact=True).click()
        assert window.input_value("#challenge-when") == "start"
        window.locator("#challenge-shown").fill("12")
        window.locator("#challenge-caught").fill("12")
        window.locator("#form-challenge button").click()
        told_in(window, "The reader passed")

        window.get_by_role("link", name="Rehearsal").click()
        with window.expect_download() as fetched:
            window.get_by_role("button", name="The truth").click()
        assert fetched.value.suggested_filename == "truth-1.csv"
        window.goto(f"{address}{LOT}/challenges")
        window.locator("#make_set-kind_foreign").check()
        window.locator("#make_set-each").fill("1")
        window.locator("#form-make_set button").click()
        told_in(window, "Challenge set 1 is made. Labels in it: 1")
        with window.expect_download() as fetched:
            window.get_by_role("link", name="Fetch the print data").click()
        made = sk.challenge.show(bench.record, "LOT24A", 1)
        kept = Path(fetched.value.path())
        assert hashlib.sha256(kept.read_bytes()).hexdigest() == made["sha256"]
        read = bench.results([{"seen": made["labels"][0]["scanned"], "grade": "3.5"}])
        window.locator("#run_set-file").set_input_files(read)
        window.locator("#run_set-when").select_option("interval")
        window.locator("#form-run_set button").click()
        told_in(window, "every label of the set was caught")
        looked_at(window, window.url, f"{address}{LOT}/challenges")
        window.goto(f"{address}/now")
        window.get_by_role("link", name="The line stopped").click()
        window.locator("#stop-reason").fill("web bro")
        window.locator("#live-mark", has_text="Live").wait_for()
        window.locator("#stop-reason").scroll_into_view_if_needed()
        window.evaluate(
            """new MutationObserver(() => (window.seenAt = Date.now()))
                .observe(document.getElementById("figures"), {childList: true})"""
        )
        before = window.locator("#stop-reason").bounding_box()
        command(bench, "inspect", "take", "LOT24A", str(file))
        window.locator("[data-alarm]").first.wait_for(state="attached")
        window.wait_for_timeout(500)
        finished = [
            one
            for one in sk.record.entries(bench.record, "LOT24A")
            if one["verb"] == "take finished"
        ]
        behind = window.evaluate("window.seenAt") / 1000
        behind -= datetime.fromisoformat(finished[-1]["at"]).timestamp()
        assert 0 < behind < 1, f"{behind:.3f} s behind"
        assert window.input_value("#stop-reason") == "web bro"
        assert window.evaluate("document.activeElement.id") == "stop-reason"
        after = window.locator("#stop-reason").bounding_box()
        assert abs(after["y"] - before["y"]) < 2, (before, after)
        window.keyboard.type("ke")
        window.keyboard.press("Enter")
        told_in(window, "Stop 1 is entered")
        reasons = [one["reason"] for one in sk.run.show(bench.record, "LOT24A", 1)["events"]]
        assert reasons[-1] == "web broke"

        states = sk.lot.show(bench.record, "LOT24A")["states"]
        assert figure(window, "Good") == str(states["commissioned"])
        doubtful = list(sk.label.list(bench.record, "LOT24A", state="doubtful"))
        assert figure(window, "Doubtful") == str(len(doubtful))
        assert "Repeats another number" in window.locator("#alarms").inner_text()
        looked_at(window, f"{address}/now?pitch=25", f"{address}/now?do=acknowledge&lang=en")
        assert window.evaluate("document.body.dataset.ringing") == "false"
        window.get_by_role("button", name="Sound is off").click()
        window.locator("body[data-ringing=true]").wait_for()
        window.reload()
        window.mouse.click(5, 400)  # a browser makes no sound before a touch
        window.locator("body[data-ringing=true]").wait_for()
        window.locator("#acknowledge-cause").fill("printer stuttered")
        window.locator("#acknowledge-restart_check").fill("ten good in a row")
        window.locator("#form-acknowledge button").click()
        told_in(window, "Alarms acknowledged")
        assert "No open alarm" in window.locator("#alarms").inner_text()
        assert window.evaluate("document.body.dataset.ringing") == "false"
        assert not any(one["state"] == "open" for one in sk.alarm.list(bench.record, "LOT24A"))

        window.goto(f"{address}/now?pitch=25")
        there = window.locator("#label-11 a")
        assert "Row 3, lane 3 · 0.05 m" in there.inner_text()
        assert window.locator(f"#web svg a[href^='{LOT}/labels/11/']").count() == 1
        there.click()
        looked_at(window, window.url)
        window.locator("#accept-reason").fill("clean after wiping")
        window.locator("#accept-scan").fill("not this code")
        window.locator("#form-accept button").click()
        window.locator("#form-accept [role=alert]").get_by_text("evidence_needed").wait_for()
        window.locator("#accept-scan").fill(as_seen(bench.folder / "job1.csv")[10]["seen"])
        window.locator("#form-accept button").click()
        told_in(window, "Label 11 of lot LOT24A is accepted")
        assert window.url.endswith("/now?pitch=25.0") and not window.locator("#label-11").count()
        assert bench.states()[10] == "commissioned"

        window.get_by_role("link", name="End the run").click()
        window.locator("#form-end button").click()
        window.locator("#form-end [role=alert]").get_by_text("run_state").wait_for()
        window.goto(f"{address}/now?do=clock")
        assert "UTC" in window.locator("#clock-shows-hint").inner_text()
        apart = datetime.now() - timedelta(hours=3)
        window.locator("#clock-shows").fill(f"{apart:%H:%M:%S}")
        window.locator("#form-clock button").click()
        told_in(window, "too much")
    window.context.close()
    assert sk.record.verify(bench.record)["sound"]


@pytest.fixture
def line(database: Database, tmp_path: Path) -> Station:
    """A live record with a lot that was taken in, and a doubtful label."""
    station = Station(database, tmp_path)
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=20)
        sk.lot.approve(lead.seconded_by(CARLA, OWN), "LOT24A", second=CARLA)
        bench = Bench(tmp_path, lead, database)
        rows = as_seen(bench.printed(24))
        rows[4]["seen"] = rows[9]["verdict"] = ""
        rows[9]["verdict"] = "fail"
        sk.inspect.take(lead, "LOT24A", bench.results(rows))
    return station


def entered(browser: Any, address: str, name: str, password: str) -> Any:
    """A browser of its own in which somebody has signed in."""
    window = opened(browser)
    window.goto(f"{address}/sign-in")
    window.locator("#sign_in_name-name").fill(name)
    window.locator("#sign_in_name-password").fill(password)
    window.locator("#form-sign_in_name button").click()
    window.wait_for_url(f"{address}/find")
    return window


def test_what_is_printed_adds_up_and_what_left_the_record_has_to_come_off(line: Station) -> None:
    """Each printed label stands in one of the figures. A voided label is not drawn as read, and
    stands on the web with its own sign until somebody has taken it off; the header names the lot
    that is looked at, and a refusal stands on top of its page."""

    def told(record: Any) -> tuple[list[int], dict[int, Any], Any]:
        now = watching.look(record, name="LOT24A")["now"]
        shares = [now["counts"][one] for one in ("good", "doubtful", "open", "gone")]
        assert sum(shares) == now["counts"]["printed"] == 24
        fields = [one for row in now["web"]["fields"] for one in row]
        return shares, {one["position"]: one for one in fields}, now

    with line.of(LENA, OWN) as lead:
        shares, fields, now = told(lead)
        assert shares == [22, 2, 0, 0]
        assert [(fields[one]["sign"], fields[one]["read"]) for one in (5, 10)] == [
            *(("U", 1), ("Q", 1)),
        ]
        sk.label.void(lead, "LOT24A", "5,10", reason="waste")
        shares, fields, now = told(lead)
        assert shares[0] == 22 and shares[2] == 0
        assert [(fields[one]["sign"], fields[one]["read"]) for one in (5, 10)] == [("G", 0)] * 2
        assert now["web"]["leaving"] == 2 and now["web"]["signs"] == ["G"]
        assert {one["what_to_do"] for one in now["doubts"]} == {"make sure it is gone"}
        lanes = len(now["web"]["fields"])
        sk.roll.add(lead, "LOT24A", job=1)
        neighbour = as_seen(line.folder / "job1.csv")[9 + lanes]["seen"]
        sk.roll.removed(lead, "LOT24A", 1, position=[10], scan=neighbour)
        assert told(lead)[2]["web"]["leaving"] == 1
    with asking(line.database.url, now=line.clock) as other:
        browser = Browser(other)
        browser.sign_in(name=LENA, password=OWN)
        page = browser.get(f"/now?lot={GTIN}/LOT24A&lang=en")
        assert "Must come off: 1" in page.text
        in_hand = page.text.split("Lot in hand</dt>")[1].split("</div>")[0]
        assert "LOT24A" in in_hand
        page = browser.send("/now/end?do=end", lot=f"{GTIN}/LOT24A", secret=OWN)
        assert page.status_code == 404 and "run" in page.text
        assert 'role="alert"' in page.text.split('id="main"')[1][:300]


def leaving_slowly(window: Any) -> None:
    """Sign out where the answer takes its time: the page that follows the record is told meanwhile
    that the session is over, and must not ask for itself again instead of waiting."""

    def late(route: Any) -> None:
        answer = route.fetch(max_redirects=0)
        time.sleep(2)
        route.fulfill(response=answer)

    window.route("**/sign-out", late)
    window.get_by_role("button", name="Sign out").click()
    window.wait_for_url(lambda address: "/sign-in" in address)
    assert window.url.endswith("/sign-in"), window.url


@needs_chromium
def test_two_browsers_on_one_lot(line: Station, browser: Any) -> None:
    """One decides with a second person, the other one sees it by itself; who decides the same
    label a moment later is told plainly; a stale alarm is nobody's any more."""
    there = f"{LOT}/labels/10/decision?back=/now%3Flot%3D{GTIN}%252FLOT24A"
    with serving_at(line.database.url, now=line.clock) as address:
        lena = entered(browser, address, LENA, OWN)
        carla = entered(browser, address, CARLA, OWN)
        carla.goto(f"{address}/now?lot={GTIN}/LOT24A")
        carla.locator("#live-mark", has_text="Live").wait_for()
        assert figure(carla, "Doubtful") == "2"
        lena.goto(f"{address}{there}")
        late = carla.context.new_page()
        late.goto(f"{address}{there}")
        for window, second in ((lena, CARLA), (late, LENA)):
            window.locator("#accept-reason").fill("label is right, camera was dirty")
            window.locator("#accept-secret").fill(OWN)
            window.locator("#accept-second").fill(second)
            window.locator("#accept-second_secret").fill("wrong " + OWN)
        lena.locator("#form-accept button").click()
        lena.locator("#accept-second_secret-refused").wait_for()
        lena.locator("#accept-secret").fill(OWN)
        lena.locator("#accept-second_secret").fill(OWN)
        lena.locator("#form-accept button").click()
        told_in(lena, "Label 10 of lot LOT24A is accepted")
        carla.locator("#news li", has_text="label accepted").get_by_text(CARLA).wait_for()
        assert figure(carla, "Doubtful") == "1"
        late.locator("#accept-second_secret").fill(OWN)
        late.locator("#form-accept button").click()
        told = late.locator("main > [role=alert]")
        told.get_by_text("move_not_allowed").wait_for()
        assert "commissioned" in told.inner_text()
        leaving_slowly(carla)
        for window in (lena, carla):
            window.context.close()
    with line.of(ADA) as record:
        entries = list(sk.record.entries(record, "LOT24A"))
        signed = [one["signatures"] for one in entries if one["verb"] == "accepted"]
        assert [[one["person"] for one in names] for names in signed] == [[LENA, CARLA]]
        assert sk.record.verify(record)["sound"]


def events(client: httpx.Client, address: str, cookies: Any, told: list[Any]) -> None:
    """Take a stream of events to its end; tells each line and when it came."""
    asked = f"{address}/now/live?lot={GTIN}/LOT24A"
    with client.stream("GET", asked, cookies=cookies, timeout=30) as answer:
        told.append((answer.status_code, time.monotonic()))
        for text in answer.iter_lines():
            told.append((text, time.monotonic()))
    told.append(("the end", time.monotonic()))


def test_streams_are_limited_and_do_not_keep_a_server_from_ending(bench: Bench) -> None:
    """One browser has eight; a ninth is refused and may come again. All end with the server, which
    waits for none of them."""
    bench.printed(8)
    ended: list[list[Any]] = [[] for _ in range(live.MOST_OF_ONE)]
    with httpx.Client() as client, serving_at(bench.url, acting="Line Lead") as address:
        client.get(f"{address}/now", headers=HTML)  # which browser it is
        threads = [
            threading.Thread(target=events, args=(client, address, client.cookies, told))
            for told in ended
        ]
        for thread in threads:
            thread.start()
        while not all(len(told) > 2 for told in ended):
            time.sleep(0.05)
        answer = client.get(f"{address}/now/live")
        assert answer.status_code == 503 and answer.json()["word"] == "too_many_open"
        assert client.get(f"{address}/lots", headers=HTML).status_code == 200
        moment = time.monotonic()
    for thread, told in zip(threads, ended, strict=True):
        thread.join(5)
        assert told[-1][0] == "the end" and told[-1][1] - moment < 2


def test_a_stream_keeps_no_session_alive_and_ends_with_it(line: Station) -> None:
    """Looking on is no use of a session; when it is over the page is told so, at once. And what a
    role may not do at the line is neither offered nor done."""
    with (
        httpx.Client(headers=HTML, follow_redirects=True) as client,
        serving_at(line.database.url, now=line.clock) as address,
    ):
        told: list[Any] = []
        answer = client.get(f"{address}/now/live", headers={"Accept": "text/event-stream"})
        assert answer.status_code == 401 and answer.json()["word"] == "session_over"
        page = client.get(f"{address}/sign-in").text
        key = page.split('name="key" value="')[1].split('"')[0]
        data = {"key": key, "name": LENA, "password": OWN}
        client.post(f"{address}/sign-in", data=data, headers={"Origin": address})
        with line.of(ADA) as record, record.read() as view:
            used = view.session(1).used
        reading = threading.Thread(target=events, args=(client, address, client.cookies, told))
        reading.start()
        while not any(text.startswith("data: {") for text, _ in told[1:]):
            time.sleep(0.05)
        line.clock.time += timedelta(minutes=9)  # a use would be written down now
        time.sleep(1)
        assert told[-1][0] != "the end"
        with line.of(ADA) as record, record.read() as view:
            assert view.session(1).used == used
        line.clock.time += timedelta(minutes=2)
        moment = time.monotonic()
        reading.join(10)
        assert told[-1][0] == "the end" and f"event: {live.OVER}" in [one for one, _ in told]
        assert told[-1][1] - moment < 1.5
        answer = client.get(f"{address}/now/live", headers={"Accept": "text/event-stream"})
        assert answer.status_code == 401
    with asking(line.database.url, now=line.clock) as other:
        browser = Browser(other)
        browser.sign_in(name=ADA, password=SECRETS[ADA])
        page = browser.get(f"/now?lot={GTIN}/LOT24A&do=start")
        assert page.status_code == 200 and "form-start" not in page.text
        assert "do=take" not in page.text and "do=rehearse" not in page.text
        page = browser.send("/now/start", lot=f"{GTIN}/LOT24A")
        assert page.status_code == 403 and "role_not_allowed" in page.text
        page = browser.get(f"{LOT}/labels/10/decision")
        assert "form-accept" not in page.text and "form-void" not in page.text
        assert "<li>Accept: Line lead, Compliance</li>" in page.text
        page = browser.send(f"{LOT}/labels/10/void", reason="waste")
        assert page.status_code == 403 and "role_not_allowed" in page.text
        page = browser.get(f"{LOT}/rehearsal")
        assert page.status_code == 403 and "practice_only" in page.text
    with line.of(ADA) as record:
        assert not sk.run.list(record, "LOT24A")["runs"]
        assert sk.label.show(record, "LOT24A", position=10)["state"] == "rejected"


def test_a_stream_ends_when_whoever_looks_is_somebody_else_in_the_record(line: Station) -> None:
    """Another role, a session that was left elsewhere, a retired person: the page is told at once,
    and asks anew; what it then gets is drawn for the role that the person has now."""

    def follow(client: httpx.Client) -> tuple[threading.Thread, list[Any]]:
        told: list[Any] = []
        reading = threading.Thread(target=events, args=(client, address, client.cookies, told))
        reading.start()
        while not any(text.startswith("data: {") for text, _ in told[1:]):
            time.sleep(0.05)
        return reading, told

    def over(reading: threading.Thread, told: list[Any]) -> None:
        moment = time.monotonic()
        reading.join(10)
        assert told[-1][0] == "the end" and f"event: {live.OVER}" in [one for one, _ in told]
        assert told[-1][1] - moment < 2

    with (
        httpx.Client(headers=HTML, follow_redirects=True) as client,
        serving_at(line.database.url, now=line.clock) as address,
        line.of(ADA) as administrator,
    ):

        def sign_in() -> None:
            page = client.get(f"{address}/sign-in").text
            key = page.split('name="key" value="')[1].split('"')[0]
            data = {"key": key, "name": LENA, "password": OWN}
            client.post(f"{address}/sign-in", data=data, headers={"Origin": address})

        sign_in()
        following = follow(client)
        sk.person.role(administrator, BEA, "line lead", reason="somebody else's role")
        time.sleep(1)
        assert following[1][-1][0] != "the end"
        sk.person.role(administrator, LENA, "integrator", reason="moved to another desk")
        over(*following)
        assert "integrator" in client.get(f"{address}/now").text.lower()
        following = follow(client)
        sessions = [one for one in client.cookies.jar if one.name.endswith("session")]
        number, key, _ = str(sessions[0].value).split(".", 2)
        with line.at(LENA, OWN) as own:
            sk.person.leave(own, int(number), key)
        over(*following)
        assert client.get(f"{address}/now").url.path == "/sign-in"
        sign_in()
        following = follow(client)
        sk.person.retire(administrator, LENA, reason="left")
        over(*following)
        assert client.get(f"{address}/now").url.path == "/sign-in"


def test_a_stream_of_a_practice_record_ends_with_the_role_it_was_drawn_for(bench: Bench) -> None:
    """There are no sessions there; the person has a role all the same."""
    bench.printed(8)
    told: list[Any] = []
    with httpx.Client() as client, serving_at(bench.url, acting="Line Lead") as address:
        reading = threading.Thread(target=events, args=(client, address, client.cookies, told))
        reading.start()
        while not any(text.startswith("data: {") for text, _ in told[1:]):
            time.sleep(0.05)
        sk.person.role(bench.record, "Line Lead", "operator", reason="to see what they see")
        reading.join(10)
        assert f"event: {live.OVER}" in [one for one, _ in told]


def test_a_whole_lot_that_has_to_come_off_is_listed_once(
    line: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each label once and by rows, whatever else stands against it, and not again as long as
    nothing happened; a label that came off is not among them."""
    with line.of(LENA, OWN) as lead:
        sk.label.decommission(lead, "LOT24A", "1-4,6-9,11-24", reason="damaged", count=22)
        sk.label.void(lead, "LOT24A", "5,10", reason="waste", count=2)
        memory = watching.Memory()
        now = watching.look(lead, name="LOT24A", memory=memory)["now"]
        listed = [(one["row"], one["lane"], one["position"]) for one in now["doubts"]]
        assert listed == sorted(listed) and len(listed) == now["web"]["leaving"] == 24
        assert {position for _, _, position in listed} == set(range(1, 25))
        assert sum(one["doubtful"] for row in now["web"]["fields"] for one in row) == 24
        monkeypatch.setattr(watching, "_listed", None)
        assert watching.look(lead, name="LOT24A", memory=memory)["now"]["doubts"] == now["doubts"]
        monkeypatch.undo()
        rows = {position: row for row, _, position in listed}
        later = watching.look(lead, name="LOT24A", row=rows[10], memory=memory)["now"]["doubts"]
        assert [one for one in now["doubts"] if one["row"] >= rows[10]] == later
