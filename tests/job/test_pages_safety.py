"""Pages over HTTP: who may come in, what a form needs, what no page tells.

Sources: RFC 9110 12.5.1 (Accept), RFC 6265bis 4.1.3.2 (`__Host-`), Fetch Metadata (W3C), CSP
Level 3, OWASP's cheat sheets on CSRF and on unvalidated redirects (a form is bound to its session,
the way back is a path of one's own).
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from asking import Client, asking
from conftest import EXPIRY, GTIN, Bench
from databases import Database
from test_people import ADA, SECRETS
from test_sessions import BADGE, CARLA, LENA, OWN, PIN, Station

import serialkeeper as sk
from serialkeeper.outside import clock
from serialkeeper.web import answers, visits
from serialkeeper.web.pages import HEADERS, PAGES, is_here
from serialkeeper.web.problems import STATUSES

HTML = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
LOT = f"/lots/{GTIN}/LOT24A"

pytestmark = pytest.mark.only_on("sqlite", reason="what a page may do is the same everywhere")


class Browser:
    """A browser without a window: it keeps cookies, sends forms as they stand, and goes where it is
    led."""

    def __init__(self, client: Client) -> None:
        self.client = client
        client.headers.update(HTML)
        client.follow_redirects = True
        self.page: Any = None

    def get(self, path: str, **more: Any) -> Any:
        """A page."""
        self.page = self.client.get(path, **more)
        return self.page

    def key(self) -> str:
        """The key of the first form on the page."""
        found = re.search(r'name="key" value="([^"]+)"', self.page.text)
        assert found, self.page.text
        return found[1]

    def send(self, path: str, **fields: Any) -> Any:
        """A form with the page's key, unless another is given."""
        headers = fields.pop("headers", {"Origin": "http://localhost:8470"})
        data = {"key": self.key(), **fields} if "key" not in fields else fields
        self.page = self.client.post(path, data=data, headers=headers)
        return self.page

    def sign_in(self, back: str = "", **fields: str) -> Any:
        """Sign in as somebody."""
        self.get("/sign-in")
        return self.send("/sign-in", back=back, **fields)

    def session(self) -> str:
        """The session's cookie."""
        return next(
            (one.value or "" for one in self.client.cookies.jar if "session" in one.name), ""
        )


@pytest.fixture
def client(bench: Bench) -> Iterator[Client]:
    """The bench's practice record, served."""
    with asking(bench.url, acting="Line Lead") as client:
        yield client


@pytest.fixture
def station(database: Database, tmp_path: Path) -> Iterator[Station]:
    """A live record with people, a badge and its PIN, and a draft."""
    station = Station(database, tmp_path)
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=20)
    yield station


def test_browsers_get_pages_and_programs_json_at_the_same_address(client: Client) -> None:
    """HTML only where it is preferred; a token makes a program; `Vary` says on what it depends."""
    for accept in ("*/*", "application/json", "text/html;q=0.5, application/json", "text/*;q=x"):
        answer = client.get("/lots", headers={"Accept": accept})
        assert answer.headers["content-type"] == "application/json", accept
        assert "Accept" in answer.headers["vary"]
    for accept in (HTML["Accept"], "text/html", "application/json;q=0.5, text/html"):
        answer = client.get("/lots", headers={"Accept": accept})
        assert answer.headers["content-type"].startswith("text/html"), accept
        assert "Accept" in answer.headers["vary"] and "LOT24A" in answer.text
    told = client.get("/lots", headers={**HTML, "Authorization": "Bearer x"})
    assert told.headers["content-type"] == "application/json"
    client.headers.update(HTML)
    for path, words in (("/lots", "Practice"), ("/lots?lang=de", "Chargen"), ("/lots", "Chargen")):
        assert words in client.get(path).text  # a language once chosen is kept
    assert client.get("/lots?lang=xx").status_code == 200
    client.headers.update({"Accept": "*/*"})
    client.refused("GET", "/lots?lang=de", 400, "usage")


def test_a_page_runs_nothing_that_is_not_ours(client: Client) -> None:
    """A strict policy on every page, also where it refuses; no script, style or handler within
    pages; nothing is loaded from elsewhere; what somebody named is text."""
    client.headers.update(HTML)
    evil = '"><script>x</script>'
    for path in ("/lots", LOT, "/products", "/nothing", f"/lots/{GTIN}/{evil}", "/lots?x=1"):
        answer = client.get(path)
        assert answer.headers["content-type"].startswith("text/html"), path
        for name, value in HEADERS.items():
            assert answer.headers[name] == value
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy and "default-src 'none'" in policy
        text = answer.text
        assert not re.search(r"<script(?! src=\"/static/)|<style|\sstyle=|\son\w+=", text), path
        assert not re.search(r"(src|href|action)=\"(https?:|//|javascript:|data:)", text)
        assert "<script>x" not in text
    for source in Path("serialkeeper/web/templates").glob("*.html"):
        assert "|safe" not in source.read_text()


def test_files_are_those_that_are_there_and_no_others(client: Client) -> None:
    """By their content's name, kept for good; no folder is listed, none is left upwards."""
    page = client.get("/lots", headers=HTML).text
    paths = set(re.findall(r"/static/[\w.-]+", page))
    assert {path.rpartition(".")[2] for path in paths} == {"css", "js", "svg"}
    for path in paths:
        answer = client.get(path)
        assert answer.status_code == 200 and "immutable" in answer.headers["cache-control"]
    for path in (
        *("/static", "/static/", "/static/site.css", "/static/..%2Fpages.py"),
        *("/static/%2e%2e/pages.py", "/templates/base.html", "/words/en.toml"),
    ):
        client.refused("GET", path, 404, "usage")


def test_a_fault_tells_a_browser_nothing_of_its_inside(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page with a word, and no trace."""

    def fails(*_: Any, **__: Any) -> Any:
        raise RuntimeError("the secret inside")

    monkeypatch.setattr("serialkeeper.web.looking.nouns.lot.list", fails)
    answer = client.get("/lots", headers=HTML)
    assert answer.status_code == 500 and "<h1>" in answer.text
    assert "secret inside" not in answer.text and "Traceback" not in answer.text
    answer = client.get("/lots", headers={**HTML, "Host": "evil.example"})
    assert answer.status_code == 421 and "<h1>" in answer.text


def test_a_form_is_ours_fresh_and_sent_once(
    bench: Bench, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without its key, with another browser's or a stale one, or from another site's page, nothing
    is done, and what was typed stands there again; sent twice it is done once."""
    browser = Browser(client)
    before = sk.lot.show(bench.record, bench.lot)["allocated"]

    def allocated() -> int:
        return int(sk.lot.show(bench.record, bench.lot)["allocated"]) - before

    act = f"{LOT}/allocate"
    browser.get(LOT)
    good = browser.key()
    other = "1.00." + "0" * 64
    for key in ("", "x", other, good[:-1] + ("0" if good[-1] != "0" else "1"), "é" * 9):
        page = browser.send(act, key=key, count="7")
        assert page.status_code == 409 and "form_over" in page.text and 'value="7"' in page.text
    with asking(bench.url, acting="Line Lead") as stranger:
        page = stranger.post(act, data={"key": good, "count": "7"}, headers=HTML)
        assert page.status_code == 409
    for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        page = browser.send(act, key=good, count="7", headers=headers)
        assert page.status_code == 403 and "origin_foreign" in page.text
    page = client.post(act, json={"key": good, "count": 7})
    assert page.status_code == 400 and "usage" in page.text
    for wrong in ("", "many", "-1", "1e3", "٣", "99999999999"):
        page = browser.send(act, key=good, count=wrong)
        assert page.status_code == 422 and "allocate-count-refused" in page.text
    assert allocated() == 0
    first, second = (browser.send(act, key=good, count="7") for _ in range(2))
    assert first.url.path == second.url.path == LOT and allocated() == 7
    assert "7 numbers are allocated" in first.text
    assert "7 numbers are allocated" not in second.text, "it is told once"
    assert client.get(act).url.path == LOT, "who looks where a form is sent is led to its page"
    page = browser.send(f"{LOT}/hold", key=good, reason="a dent")
    assert len(sk.hold.list(bench.record, bench.lot)) == 1, (
        "what one form did, another has not done"
    )
    for headers in ({"Origin": "http://["}, {"Origin": "http://localhost:847x"}):
        assert browser.send(act, key=good, count="7", headers=headers).status_code == 403
    led = {"Sec-Fetch-Site": "cross-site"}
    assert client.get(LOT, headers={**led, "Sec-Fetch-Mode": "navigate"}).status_code == 200
    assert client.get(LOT, headers={**led, "Sec-Fetch-Mode": "no-cors"}).status_code == 403
    page = client.get("//evil.example/x")
    assert page.status_code == 404 and "//evil.example" not in page.text
    browser.get(LOT)
    late = clock.seconds() + visits.FORM_SECONDS
    monkeypatch.setattr(clock, "seconds", lambda: late)
    assert browser.send(act, count="7").status_code == 409 and allocated() == 7
    browser.client.cookies.clear()
    page = browser.send(act, count="7")
    assert page.status_code == 409, "the key is this browser's"


def test_a_person_comes_in_by_badge_or_name_and_goes(station: Station) -> None:
    """A session as `person enter` makes it, in a cookie that no script and no other site gets; the
    way back is within the house; leaving ends it in the record too."""
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        for asked in ("/?lang=de", f"{LOT}?lang=de"):
            page = browser.get(asked)
            assert page.url.path == "/sign-in" and "Anmelden" in page.text
            browser.client.cookies.clear()
        browser.get(f"{LOT}?lang=de")
        back = f"{LOT}?lang=en"
        page = browser.send("/sign-in", password=BADGE, pin=PIN, back=back)
        assert page.url.path == LOT and LENA in page.text and "LOT24A" in page.text
        cookie = page.history[0].headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie and BADGE not in cookie
        number, key, there = browser.session().split(".")
        assert (number, len(key), there) == ("1", 64, "server")
        kept = browser.session()
        browser.send("/sign-out")
        assert browser.get(LOT).url.path == "/sign-in"
        for one in client.cookies.jar:
            if "browser" in one.name:
                name = one.name.replace("browser", "session")
        client.cookies.set(name, kept)
        assert browser.get(LOT).url.path == "/sign-in", "it is over in the record"
        client.cookies.delete(name, domain="")
        for elsewhere in (
            "//evil.example",
            "https://evil.example",
            "/\\evil.example",
            "lots",
            "/é",
        ):
            assert not is_here(elsewhere)
        page = browser.sign_in(name=LENA, password=OWN, back="//evil.example/")
        assert page.url.host == "localhost" and page.url.path == "/find"
        assert browser.sign_in(password=BADGE).status_code == 422, "a badge alone is not tried"
        told = "\n".join(client.lines)
        assert LENA not in told and OWN not in told and "session 2" in told
    with asking(station.database.url, now=station.clock, secure=True) as client:
        client.base_url = "https://localhost"  # type: ignore[assignment]
        browser = Browser(client)
        browser.get("/sign-in")
        headers = {"Origin": "https://localhost"}
        page = browser.send("/sign-in", name=LENA, password=OWN, headers=headers)
        cookie = page.history[0].headers["set-cookie"]
        assert cookie.startswith("__Host-") and "Secure" in cookie and "Path=/" in cookie
        assert "Domain" not in cookie and "strict-transport-security" in page.headers


def test_heavy_answers_leave_threads_to_the_rest(
    bench: Bench, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While as many drawings and tables are made as may be, one more is asked to come again, and
    everything else is answered; afterwards it comes."""
    bench.printed(8)
    monkeypatch.setattr(answers, "HEAVY_WAITS", 0.01)
    drawing = f"{LOT}/drawing?pitch=30"
    with answers.heavy(), answers.heavy():
        for path in (drawing, f"{LOT}/pulls", f"{LOT}/tables/labels"):
            refused = client.get(path)
            assert refused.status_code == 503 and refused.json()["word"] == "record_busy"
            assert "retry-after" in refused.headers
        assert client.get(LOT).status_code == 200
    assert client.get(drawing).status_code == 200


def test_the_entrance_takes_little_and_forgets_nothing_of_others(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever has not said who they are sends no file and nothing large, and makes no form
    forgotten that somebody else has sent."""
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        browser.get("/sign-in")
        key, own = browser.key(), {"Origin": "http://localhost:8470"}
        files = {"file": ("a.csv", b"x" * 10_000)}
        answer = client.post("/sign-in", data={"key": key}, files=files, headers=own)
        assert answer.status_code == 400 and "usage" in answer.text
        many = {"key": key, "name": ["n" * 1_000] * 100}
        assert client.post("/sign-in", data=many, headers=own).status_code == 413
        browser.sign_in(name=LENA, password=OWN)
        browser.get(LOT)
        held = {"key": browser.key(), "reason": "a dent", "secret": OWN}
        browser.send(f"{LOT}/hold", **held)
        monkeypatch.setattr(visits, "MOST_SENT", 5)
        with asking(station.database.url, now=station.clock) as other:
            stranger = Browser(other)
            for _ in range(12):
                stranger.get("/sign-in")
                stranger.send("/sign-in")
        for name in ("", "0"):
            browser.get("/sign-in" + name)
        browser.send(f"{LOT}/hold", **held)
        with station.of(LENA, OWN) as lead:
            assert len(sk.hold.list(lead, "LOT24A")) == 1


def test_a_session_is_over_when_it_was_idle_and_looking_on_is_no_use(station: Station) -> None:
    """Whoever comes after it signs in and is where they wanted to be; a new password ends it."""
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        browser.sign_in(name=LENA, password=OWN)
        station.clock.time += timedelta(minutes=9)
        assert browser.get(LOT).url.path == LOT
        station.clock.time += timedelta(minutes=11)
        page = browser.get(LOT)
        assert page.url.path == "/sign-in" and f'value="{LOT}"' in page.text
        told = client.get("/lots", headers={"Accept": "application/json"})
        assert told.status_code == 401 and told.json()["word"] == "session_over"
        browser.sign_in(name=LENA, password=OWN)
        other = "nine slow horses in the rain"
        browser.get("/password")
        page = browser.send("/password", name=LENA, password=OWN, new=other, again="x")
        assert page.status_code == 422 and other not in page.text and OWN not in page.text
        page = browser.send("/password", name=LENA, password=OWN, new=other, again=other)
        assert page.url.path == "/sign-in" and "is changed" in page.text
        assert browser.get(LOT).url.path == "/sign-in"
        assert browser.sign_in(name=LENA, password=other).url.path == "/find"


def test_what_is_signed_asks_again_and_a_token_does_not_reach_it(station: Station) -> None:
    """In the same form: one's own PIN or password, and the second person's name and password;
    wrong ones are beside their field, and journalled as at the command line."""
    act = f"{LOT}/approve"
    with station.of(LENA, OWN) as lead:
        out = station.folder / "t"
        sk.person.token(lead, purpose="lots", may=["lots"], out=out)
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        assert client.post(act, data={"key": "x"}).url.path == "/sign-in"
        head = {"Authorization": f"Bearer {out.read_text().strip()}"}
        told = client.post(act, data={"key": "x"}, headers={**head, "Accept": "*/*"})
        assert told.status_code == 403 and told.json()["word"] == "token_narrow"
        browser.sign_in(password=BADGE, pin=PIN)
        page = browser.get(LOT)
        assert 'name="secret"' in page.text and 'name="second_secret"' in page.text
        second = {"second": CARLA, "second_secret": OWN}
        page = browser.send(act, **second, secret="")
        assert page.status_code == 403 and "approve-secret-refused" in page.text
        page = browser.send(act, secret=PIN, second=LENA, second_secret=OWN)
        assert "second_person_needed" in page.text or "own_work" in page.text
        page = browser.send(act, secret=PIN, second=CARLA, second_secret="x.y.z")  # noqa: S106
        assert "approve-second_secret-refused" in page.text and "x.y.z" not in page.text
        page = browser.send(act, **second, secret="111112")  # noqa: S106
        assert "approve-secret-refused" in page.text and f'value="{CARLA}"' in page.text
        assert OWN not in page.text
        page = browser.send(act, **second, secret=PIN)
        assert page.url.path == LOT and "is approved" in page.text
        page = browser.send(f"{LOT}/discard", reason="no such order", secret="")
        assert page.status_code == 403 and "discard-secret-refused" in page.text
        page = browser.send(f"{LOT}/discard", reason="no such order", secret=PIN)
        assert page.url.path == LOT and "is discarded" in page.text
    with station.of(ADA) as record:
        signed, gone = list(sk.record.entries(record, "LOT24A"))[-2:]
        assert [one["person"] for one in signed["signatures"]] == [LENA, CARLA]
        assert gone["verb"] == "lot discarded"
        assert [one["person"] for one in gone["signatures"]] == [LENA]
        assert signed["station"] == "server" and sk.record.verify(record)["sound"]


def test_what_a_role_may_not_do_is_neither_offered_nor_done(station: Station) -> None:
    """The form is not there; who sends it all the same is refused by the step."""
    with station.of(ADA) as administrator:
        before = len(list(sk.record.entries(administrator, "LOT24A")))
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        browser.sign_in(name=ADA, password=SECRETS[ADA])
        page = browser.get(LOT)
        assert "form-approve" not in page.text
        page = browser.send(f"{LOT}/approve", secret=SECRETS[ADA], second=LENA, second_secret=OWN)
        assert page.status_code == 403 and "role_not_allowed" in page.text
    with station.of(ADA) as administrator:
        assert len(list(sk.record.entries(administrator, "LOT24A"))) == before


def test_wrong_passwords_are_slowed_by_address_and_by_name(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record's own wait and alarm go on as ever; beside it an address has its bound, whatever
    names it tries."""
    assert 429 in STATUSES
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        for number in range(visits.TRIES):
            wrong = "no password at all"
            page = browser.sign_in(name=f"Nobody {number}", password=wrong)
            assert page.status_code == 403 and "sign_in_refused" in page.text
            assert wrong not in page.text
        page = browser.sign_in(name=LENA, password=OWN)
        assert page.status_code == 429 and "too_many_tries" in page.text
        later = clock.seconds() + visits.TRIES_SECONDS
        monkeypatch.setattr(clock, "seconds", lambda: later)
        assert browser.sign_in(name=LENA, password=OWN).url.path == "/find"
    with station.of(ADA) as administrator:
        assert len(sk.person.alarms(administrator)) == 1


def test_every_form_is_bound_to_a_page_and_a_step(client: Client) -> None:
    """No form does more than its one step; none of them stands in the document for programs."""
    document = client.get("/openapi.json").json()
    assert len(PAGES) >= 3
    for path in document["paths"]:
        assert not path.endswith(("/approve", "/allocate", "/sign-in", "/password"))


def test_a_check_is_stopped_by_whoever_began_it_or_an_administrator(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Others see that it goes on, and whose it is; their form is refused and it goes on."""

    def endless(_: Any, *, seen: Any) -> None:
        while True:
            time.sleep(0.01)
            seen(1, 2)

    monkeypatch.setattr("serialkeeper.web.checking.nouns.record.verify", endless)

    def state() -> str:
        return str(beside.of("check")[0].state)

    def stopped() -> bool:
        until = time.monotonic() + 5
        while state() == "running" and time.monotonic() < until:
            time.sleep(0.01)
        return state() == "stopped"

    with asking(station.database.url, now=station.clock) as client:
        beside = client.app.app.state.background  # type: ignore[attr-defined]
        lead = Browser(client)
        others = [Browser(Client(client.app, "http://localhost:8470")) for _ in range(2)]
        people = ((lead, LENA, OWN), (others[0], CARLA, OWN), (others[1], ADA, SECRETS[ADA]))
        for one, name, password in people:
            one.sign_in(name=name, password=password)
        for stops in (lead, others[1]):
            lead.get("/record/check")
            lead.send("/record/check")
            assert state() == "running" and "Stop the check" in lead.page.text
            page = others[0].get("/record/check")
            assert f"{LENA} began it" in page.text and "Stop the check" not in page.text
            page = others[0].send("/record/check", stop="yes")
            assert page.status_code == 403 and "role_not_allowed" in page.text
            assert LENA in page.text and state() == "running"
            assert "Stop the check" in stops.get("/record/check").text
            stops.send("/record/check", stop="yes")
            assert stopped()


def test_a_token_is_made_by_a_form_and_its_text_shown_once(station: Station) -> None:
    """With the password once more; only for what the role may; the text is on that one page, opens
    the record for that alone, and goes neither into the journal nor onto another page; the form
    sent again makes no second one. Ended by its owner, it opens nothing."""
    with asking(station.database.url, now=station.clock) as client:
        browser = Browser(client)
        browser.sign_in(name=LENA, password=OWN)
        page = browser.get("/tokens").text
        assert 'name="scope_lots"' in page and 'name="scope_backup"' not in page
        asked = {"purpose": "order system", "scope_lots": "yes"}
        wrong = browser.send("/tokens/give", **asked, password=OWN[::-1])
        assert wrong.status_code == 403 and "sign_in_refused" in wrong.text
        for missing in ({"scope_lots": "yes"}, {"purpose": "order system"}):
            page = browser.send("/tokens/give", **missing, password=OWN)
            assert page.status_code == 422 and "sk1." not in page.text
        browser.get("/tokens")
        key = browser.key()
        page = browser.send("/tokens/give", key=key, **asked, password=OWN)
        assert page.status_code == 200 and page.headers["cache-control"] == "no-store"
        [text] = set(re.findall(r"sk1\.[0-9a-f]{64}", page.text))
        again = browser.send("/tokens/give", key=key, **asked, password=OWN)
        assert again.url.path == "/tokens" and "sk1." not in again.text
        assert "sk1." not in browser.get("/tokens").text and "order system" in browser.page.text
        with station.of(ADA) as administrator:
            assert len(sk.person.tokens(administrator)) == 1
            assert text not in str(list(sk.record.entries(administrator)))
        assert text not in "\n".join(client.lines)
        with sk.open_record(station.database.url, token=text, now=station.clock) as record:
            assert record.person == LENA and sk.lot.list(record)
            with pytest.raises(sk.Refused) as caught:
                sk.serials.allocate(record, f"{GTIN}/LOT24A", 4)
            assert caught.value.word in ("token_narrow", "lot_not_approved")
        browser.get("/tokens")
        browser.send("/tokens", **{"token": "1", "reason": "the machine was sold"})
        assert "Token 1 is revoked" in browser.page.text
        with pytest.raises(sk.Refused) as caught:
            sk.open_record(station.database.url, token=text, now=station.clock)
        assert caught.value.word == "token_over"
