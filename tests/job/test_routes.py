"""The record over HTTP: each route gives its step's own answer; without a token nobody comes in.

Sources: RFC 9110 (status codes, WWW-Authenticate, Content-Location), RFC 6750 (Bearer), RFC 9457
(problem documents), RFC 9530 (Repr-Digest), RFC 3986 2.1 (percent-encoding).
"""

from __future__ import annotations

import base64
import hashlib
import io
import itertools
import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import redirect_stdout
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import anyio
import httpx
import pytest
from asking import Client, asking
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.cli.guide import chapters
from serialkeeper.errors import WORDS, Damaged, Refused, Unavailable, WrongUsage
from serialkeeper.outside import clock
from serialkeeper.rules.signatures import NEEDED
from serialkeeper.store.opening import stand_by
from serialkeeper.web import answers, gate, looking, serving
from serialkeeper.web.app import make_app
from serialkeeper.web.asking import NOTED_EACH_MINUTE
from serialkeeper.web.problems import STATUSES, WORD_STATUS, status_of
from serialkeeper.web.serving import Address, check_address

HTTP = chapters()["http"].text
LOT = f"/lots/{GTIN}/LOT24A"


@pytest.fixture
def client(bench: Bench) -> Iterator[Client]:
    """The bench's practice record, served."""
    with asking(bench.url, acting="Line Lead") as client:
        yield client


def test_a_page_and_its_step_tell_the_same(bench: Bench, client: Client) -> None:
    """What a route gives is what the step gives; lists too, and a lot whose number has a slash."""
    bench.printed(20)
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.folder / "job1.csv")))
    odd = "A/B%2F 1".replace(" ", "+")
    sk.lot.open(bench.record, GTIN, odd, expiry=EXPIRY, target=5)
    record, name = bench.record, f"{GTIN}/LOT24A"
    same = {
        "/people": sk.person.list(record),
        "/products": sk.product.list(record),
        f"/products/{GTIN}": sk.product.show(record, GTIN),
        "/lots": sk.lot.list(record),
        LOT: sk.lot.show(record, name),
        f"{LOT}/labels": list(sk.label.list(record, name)),
        f"{LOT}/labels?state=doubtful": [],
        f"{LOT}/labels/7": sk.label.show(record, name, position=7),
        f"{LOT}/entries": list(sk.record.entries(record, name)),
        f"{LOT}/entries?label=7": list(sk.record.entries(record, name, label=7)),
        "/entries": list(sk.record.entries(record)),
        f"{LOT}/pulls?pitch=40": sk.roll.pulls(record, name, pitch=40),
        f"{LOT}/odds?count=9": sk.serials.odds(record, name, 9),
        "/record/verification": sk.record.verify(record),
        f"/lots/{GTIN}/A%2FB%252F+1": sk.lot.show(record, f"{GTIN}/{odd}"),
        f"/lots/{GTIN}/A%2FB%252F+1/labels": [],
    }
    for path, told in same.items():
        answer = client.get(path)
        assert answer.status_code == 200, answer.text
        assert answer.json() == json.loads(json.dumps(told)), path
        assert answer.headers["serialkeeper-record"] == "practice"
    seen = client.get("/scan", params={"code": same[f"{LOT}/labels/7"]["code"]}).json()
    assert seen == sk.scan(record, same[f"{LOT}/labels/7"]["code"])
    drawn = client.get(f"{LOT}/drawing")
    assert drawn.headers["content-type"] == "image/svg+xml" and "</svg>" in drawn.text


def test_a_script_does_its_job_without_a_file_of_the_servers(bench: Bench, client: Client) -> None:
    """From a product to a shipment over HTTP; files come as answers and go as bodies."""
    new = {"gtin": "09521234543220", "prefix_length": 7, "name": "Drops"}
    assert client.post("/products", json=new).json()["gtin"] == new["gtin"]
    client.refused("POST", "/products", 409, "product_exists", json=new)
    lot = {"gtin": GTIN, "lot": "B/7", "expiry": str(EXPIRY), "target": 12}
    assert client.post("/lots", json=lot).json()["state"] == "draft"
    sk.product.packs(bench.record, GTIN, _levels(bench.folder))
    lot["lot"] = "C/7"
    client.post("/lots", json=lot)
    sk.lot.approve(bench.record, f"{GTIN}/C/7")
    place = {"gln": "9521234000006", "prefix_length": 7, "name": "Depot", "zone": "Europe/Berlin"}
    assert client.post("/locations", json=place).json()["location"] == "9521234000006"
    there = f"/lots/{GTIN}/C%2F7"
    assert client.post(f"{there}/numbers", json={"count": 12}).json()["count"] == 12
    job = client.post(f"{there}/jobs", json={"lanes": 3, "name": "c7.csv"})
    kept = sk.lot.show(bench.record, "C/7")["jobs"][0]
    digest = base64.b64decode(job.headers["repr-digest"].removeprefix("sha-256=:").rstrip(":"))
    assert hashlib.sha256(job.content).hexdigest() == digest.hex() == kept["sha256"]
    assert (kept["name"], job.headers["content-location"]) == ("c7.csv", f"{there}/jobs/1")
    assert client.get(f"{there}/jobs/1").content == job.content
    (bench.folder / "c7.csv").write_bytes(job.content)
    results = bench.results(as_seen(bench.folder / "c7.csv")).read_bytes()
    for already in (False, True):
        taken = client.post(f"{there}/takes?name=cam.csv", content=results).json()
        assert (taken["states"]["commissioned"], taken["already_taken"]) == (12, already)
    other = client.refused(
        "POST", f"{there}/takes?name=c.csv", 422, "results_truncated", content=results[:-9]
    )
    assert "/" not in other["where"], "where the server keeps files is nobody's business"
    events = []
    for form, kind in (("json", "application/ld+json"), ("xml-1.2", "application/xml")):
        sent = client.post(f"{there}/events", json={"form": form})
        assert sent.headers["content-type"].startswith(kind)
        sk.events.write(bench.record, "C/7", form=form, out=bench.folder / form)
        assert sent.content == (bench.folder / form).read_bytes()
        events.append(sent.content)
    assert client.post(f"{there}/events/check").json()["agrees"]
    read = client.post("/events/comparison?name=e.jsonld", content=events[0]).json()
    assert read["same"] == read["events"] > 0 and read["file"] == "e.jsonld"
    unread = "events_unreadable"
    client.refused("POST", "/events/comparison?name=e", 422, unread, content=b"{}")
    report = client.post(f"{there}/report", json={"form": "html"})
    assert report.text.startswith("<!DOCTYPE html>") and "C/7" in report.text
    built = client.post(f"{there}/packs", json={"level": "case", "in_order": True}).json()
    key = built["packs"][0]["key"] if "packs" in built else built["key"]
    label = client.post(f"/packs/{key}/labels", json={"form": "svg"})
    assert label.headers["content-type"] == "image/svg+xml" and key in label.text
    left = client.post("/shipments", json={"packs": [key], "to": "9521234000006"}).json()
    assert left["units"] == 12
    assert client.get(f"/packs/{key}").json() == json.loads(
        json.dumps(sk.pack.show(bench.record, key))
    )


def _levels(folder: Path) -> Path:
    path = folder / "packs.toml"
    path.write_text("[case]\nholds = 12\n")
    return path


ADA, SECRET, OTHER = "Ada Admin", "an old kettle sings at dawn", "seven crooked fences & a gate"


def test_a_live_record_is_for_tokens_alone(database: Database, tmp_path: Path) -> None:
    """Who has none, a wrong one, a narrow one or one that is over gets no further than its problem
    document; what is written names the token; no line that is told holds one."""
    with sk.init(database.url, ADA, password=SECRET) as record:
        sk.person.add(record, "Lena Lead", role="line lead", password=SECRET)
    with sk.open_record(database.url, person="Lena Lead", password=SECRET) as lead:
        sk.person.password(lead, OTHER)
    with sk.open_record(database.url, person="Lena Lead", password=OTHER) as lead:
        out = tmp_path / "t"
        sk.person.token(lead, purpose="orders", may=["products", "lots"], out=out)
    text = out.read_text().strip()
    new = {"gtin": GTIN, "prefix_length": 7, "name": "Drops"}
    lot = {"gtin": GTIN, "lot": "L1", "expiry": str(EXPIRY), "target": 12}
    with asking(database.url, token=text) as client:
        assert client.post("/products", json=new).status_code == 200
        assert client.post("/lots", json=lot).status_code == 200
        last = client.get("/entries").json()[-1]
        assert (last["verb"], last["person"], last["token"]) == ("lot registered", "Lena Lead", 1)
        client.refused(
            "POST", f"/lots/{GTIN}/L1/numbers", 409, "lot_not_approved", json={"count": 1}
        )
        place = {"gln": "9521234000006", "prefix_length": 7, "name": "D", "zone": "Europe/Berlin"}
        assert client.post("/locations", json=place).status_code == 200
        ship = {"packs": ["0"], "to": "9521234000006"}
        client.refused("POST", "/shipments", 403, "token_narrow", json=ship)
        assert client.get("/lots").headers["serialkeeper-record"] == "live"
        told = "\n".join(client.lines)
    with asking(database.url) as client:
        for path in ("/lots", "/record/verification", f"/lots/{GTIN}/L1/labels", "/scan?code=1"):
            problem = client.refused("GET", path, 401, "token_needed")
            assert not problem["where"].startswith(("sqlite", "postgresql"))
        assert client.get("/lots").headers["www-authenticate"].startswith("Bearer")
        client.refused("POST", "/lots", 401, "token_needed", json=lot)
        client.refused("POST", f"/lots/{GTIN}/L1/takes?name=x", 401, "token_needed", content=b"x")
        for wrong in (text[:-1] + ("0" if text[-1] != "0" else "1"), "sk9." + "0" * 64, "garbage"):
            head = {"Authorization": f"Bearer {wrong}"}
            problem = client.refused("GET", "/lots", 401, "sign_in_refused", headers=head)
            assert problem["where"] == ""
        head = {
            "Authorization": "Basic " + base64.b64encode(b"Ada Admin:" + SECRET.encode()).decode()
        }
        client.refused("GET", "/lots", 401, "token_needed", headers=head)
        head = {"Authorization": "Bearer sk1.nothing"}
        assert all(client.get("/lots", headers=head).status_code == 401 for _ in range(40))
        told += "\n".join(client.lines)
        assert client.get("/refusals").json() == WORDS
    assert text not in told and text[4:] not in told and "token 1" in told and "Lena" not in told
    with sk.open_record(database.url, person=ADA, password=SECRET) as record:
        with record.read() as view:
            attempts = view.attempt(0)
            assert attempts and attempts.failures == NOTED_EACH_MINUTE
        assert [one["name"] for one in sk.person.alarms(record)] == [None]
        sk.person.revoke(record, 1, reason="test")
    with asking(database.url, token=text) as client:
        client.refused("GET", "/lots", 401, "token_over")


def test_what_is_signed_has_no_route(client: Client) -> None:
    """A signature is a person's (21 CFR 11.100): no route calls a step whose entry is signed."""
    document = client.get("/openapi.json").json()
    steps = {
        operation["x-step"]
        for path in document["paths"].values()
        for operation in path.values()
        if "x-step" in operation
    }
    signing = {
        "lot approved": "lot approve",
        "accepted": "label accept",
        "settled": "label settle",
        "roll released": "roll release",
        "run cleared": "run clearance",
        "lot closed": "lot close",
        "lot decided": "lot decide",
        "lot reopened": "lot reopen",
        "record recovered": "record recover",
        "reviewed": "review sign",
        "decommissioned": "label decommission",
        "corrected": "label correct",
        "shipping voided": "pack unship",
        "hold lifted": "hold lift",
        "destruction counted": "lot count",
        "document settled": "events settle",
        "lot discarded": "lot discard",
    }
    assert set(signing) == set(NEEDED)
    assert len(steps) > 40 and not steps & {*signing.values(), "pack decommission"}


def test_what_was_written_is_protected_whatever_the_answer_is(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A custodian's checkpoint follows a request that wrote, also where the answer is a file; a
    folder that is not there is told, and hinders nothing. A disk without room is not a fault."""
    key, folder = bench.folder / "key.pem", bench.folder / "elsewhere"
    folder.mkdir()
    sk.record.key(bench.record, key)
    sk.record.custodian(bench.record, folder, minutes=1)
    minutes = itertools.count(1)

    def later() -> datetime:
        return bench.record.now() + timedelta(minutes=2 * next(minutes))

    with asking(bench.url, acting="Line Lead", key=key, now=later) as client:
        client.post(f"{LOT}/numbers", json={"count": 3})
        first = set(folder.iterdir())
        client.post(f"{LOT}/jobs", json={"lanes": 1})
        assert len(first) == 1 and set(folder.iterdir()) > first
        client.get("/lots")
        assert len(list(folder.iterdir())) == 2, "looking makes none"
        folder.rename(bench.folder / "gone")
        assert client.post(f"{LOT}/numbers", json={"count": 3}).status_code == 200
        assert any("no checkpoint" in line for line in client.lines)
        monkeypatch.setattr("tempfile.tempdir", str(bench.folder / "nowhere"))
        sent = client.refused("POST", f"{LOT}/jobs", 503, "file_unwritable", json={"lanes": 1})
        assert "nowhere" not in json.dumps(sent)


def test_many_at_once_share_the_connections(bench: Bench, client: Client) -> None:
    """Ten at a time look and work; each gets what is theirs, and the record is sound."""

    part = {"gln": "9521234000006", "prefix_length": 7, "name": "Ramp", "zone": "UTC"}

    def ask(number: int) -> int:
        if number % 2:
            return client.get(f"{LOT}/entries").status_code
        return client.post("/locations", json={**part, "extension": f"R{number}"}).status_code

    assert client.post("/locations", json={**part, "name": "Depot"}).status_code == 200
    with ThreadPoolExecutor(10) as pool:
        assert set(pool.map(ask, range(40))) == {200}
    assert len(client.get("/locations").json()) == 21
    bench.heads()


def test_which_names_and_pages_may_ask(client: Client) -> None:
    """The loopback's own names and a page of its own; no other page may read an answer. What else
    is asked with bad intent stands in `hostile.py`."""
    for host in ("localhost", "127.0.0.1:8470", "[::1]:8470", "LOCALHOST:8470"):
        assert client.get("/lots", headers={"Host": host}).status_code == 200
    own = {"Origin": "http://localhost:8470", "Sec-Fetch-Site": "same-origin"}
    sent = client.post(f"{LOT}/numbers", headers=own, json={"count": 3})
    assert sent.status_code == 200
    for answer in (sent, client.get("/lots", headers=own), client.get("/nothing")):
        assert "access-control-allow-origin" not in answer.headers
        for name, value in gate.HEADERS:
            assert answer.headers[name.decode()] == value.decode()
    client.refused("DELETE", "/lots", 405, "usage")


def test_a_body_has_its_bounds(
    bench: Bench, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """JSON and files, each by its own."""
    bench.printed(4)
    monkeypatch.setattr(gate, "LARGEST_BODY", 1000)
    head = {"Content-Type": "application/json"}
    long = b'"' + b" " * 2000
    client.refused("POST", f"{LOT}/numbers", 413, "too_large", content=long, headers=head)
    monkeypatch.setattr("serialkeeper.web.asking.LARGEST_FILE", 1000)
    client.refused("POST", f"{LOT}/takes?name=x", 413, "too_large", content=b"x" * 1001)
    client.refused("POST", f"{LOT}/takes?name=x", 422, "results_header", content=b"x" * 1000)


def test_a_body_that_does_not_come_is_not_waited_for(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a body and then silence ends with 408."""
    monkeypatch.setattr(gate, "SLOWEST_PIECE", 0.05)

    told: list[Any] = []

    async def receive() -> Any:
        if not told:
            told.append("begun")
            return {"type": "http.request", "body": b"position,", "more_body": True}
        await anyio.sleep(5)
        raise AssertionError("it was waited for")

    async def send(message: Any) -> None:
        told.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": f"{LOT}/takes",
        "raw_path": f"{LOT}/takes".encode(),
        "query_string": b"name=x.csv",
        "headers": [(b"host", b"localhost"), (b"content-type", b"text/csv")],
    }
    anyio.run(client.app, scope, receive, send)  # type: ignore[arg-type]
    assert told[1]["status"] == 408 and json.loads(told[2]["body"])["word"] == "too_slow"


def test_a_fault_of_ours_tells_nothing_of_its_inside(
    bench: Bench, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """500 and a word; a damaged record says so; a busy one says when to come again."""

    def fails(*_: Any, **__: Any) -> Any:
        raise RuntimeError("the secret inside")

    monkeypatch.setattr(looking.nouns.lot, "list", fails)
    answer = client.refused("GET", "/lots", 500, "fault")
    assert "secret" not in json.dumps(answer)

    def breaks_off(*_: Any, **__: Any) -> Iterator[dict[str, Any]]:
        yield {"position": 1}
        raise Damaged("chain_broken", "The journal was altered.", where="entry 7")

    monkeypatch.setattr(looking.nouns.label, "list", breaks_off)
    assert client.refused("GET", f"{LOT}/labels", 500, "chain_broken")["where"] == "entry 7"

    def busy(*_: Any, **__: Any) -> Any:
        raise Unavailable("record_busy", "Another process holds the record.")

    monkeypatch.setattr(looking.nouns.person, "list", busy)
    client.refused("GET", "/people", 503, "record_busy")
    assert client.get("/people").headers["retry-after"] == "5"
    with looking._verifying:
        client.refused("GET", "/record/verification", 503, "record_busy")
    bench.database.edit("UPDATE alembic_version SET version_num = '9999'")
    client.refused("GET", "/lots", 503, "record_changed")


def test_each_word_has_one_status_and_the_guide_says_which() -> None:
    """One table in code and in the guide; words that it does not name go by their kind."""
    assert set(WORD_STATUS) <= set(WORDS)
    assert sum(map(len, STATUSES.values())) == len(WORD_STATUS)
    rows = re.findall(r"^\| (4\d\d) \| ([^|]+) \|$", HTTP, re.M)
    told = {int(status): set(re.findall(r"`(\w+)`", words)) for status, words in rows}
    assert {status: words for status, words in told.items() if status in STATUSES} == {
        status: set(words) for status, words in STATUSES.items()
    }
    assert status_of(Refused("lot_state", "x")) == 409
    assert status_of(WrongUsage("usage", "x")) == 400
    assert status_of(Unavailable("record_busy", "x")) == 503
    assert status_of(Damaged("table_differs", "x")) == 500


def test_the_guides_routes_are_those_that_are_served(client: Client) -> None:
    """Method, path, step and parameters of each, in the guide and in the OpenAPI document; each
    step is there under its name."""
    document = client.get("/openapi.json").json()
    served = set()
    for path, operations in document["paths"].items():
        for method, one in operations.items():
            if step := one.get("x-step"):
                asked = {
                    each["name"] for each in one.get("parameters", ()) if each["in"] == "query"
                }
                body = one.get("requestBody", {}).get("content", {}).get("application/json")
                name = body["schema"]["$ref"].rsplit("/", 1)[-1] if body else ""
                if body:
                    asked |= set(document["components"]["schemas"][name]["properties"])
                served.add((method.upper(), path, step, frozenset(asked)))
    row = r"^\| `(GET|POST) (\S+)` \| `([a-z ]+)` \| (.*) ?\|$"
    told = [
        (method, path, step, frozenset(re.findall(r"`(\w+)`", asked)))
        for method, path, step, asked in re.findall(row, HTTP, re.M)
    ]
    assert set(told) == served and len(told) == len(served)
    for _, _, step, _ in served:
        noun, _, verb = step.partition(" ")
        found = getattr(sk, noun)
        assert callable(getattr(found, verb, None) or getattr(found, f"{verb}_")) if verb else found


class Serving:
    """`serialkeeper serve` as a process of its own."""

    def __init__(self, url: str, *words: str) -> None:
        command = [sys.executable, "-m", "serialkeeper", "--record", url, "serve", "--port", "0"]
        pipes: Any = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
        self.process = subprocess.Popen([*command, *words], **pipes, env=os.environ)
        assert self.process.stdout
        self.line = self.process.stdout.readline()
        self.address = self.line.strip().rsplit(" ", 1)[-1]

    def ended_by(self, number: int) -> str:
        """What it told until it ended, as it should."""
        self.process.send_signal(number)
        _, told = self.process.communicate(timeout=30)
        assert self.process.returncode == 0, told
        return told


def test_it_serves_until_it_is_told_to_end(bench: Bench, tmp_path: Path) -> None:
    """Loopback alone, by default; others only with TLS; a practice record never; Ctrl-C and SIGTERM
    end it with 0."""
    serving = Serving(bench.url, "--as", "Line Lead")
    assert "practice" in serving.line and serving.address.startswith("http://127.0.0.1:")
    with httpx.Client(base_url=serving.address) as client:
        for _ in range(3):
            lots = client.get("/lots")
        assert lots.json()[0]["lot"] == "LOT24A" and "server" not in lots.headers
        sent = client.post(
            f"{LOT}/numbers",
            content=iter([b'{"cou', b'nt": 2}']),
            headers={"Content-Type": "application/json"},
        )
        assert sent.json()["count"] == 2
    told = serving.ended_by(signal.SIGTERM)
    assert "GET /lots 200" in told and "POST /lots/{gtin}/{lot}/numbers 200" in told
    certificate, key = _certificate(tmp_path)
    tls = ["--certificate", str(certificate), "--key", str(key)]
    serving = Serving(bench.url, *tls, "--as", "Line Lead")
    trusted = ssl.create_default_context(cafile=str(certificate))
    with httpx.Client(base_url=serving.address, verify=trusted) as client:
        answer = client.get("/lots")
        assert answer.status_code == 200 and "strict-transport-security" in answer.headers
    serving.ended_by(signal.SIGINT)


def test_where_it_does_not_listen(bench: Bench, tmp_path: Path) -> None:
    """Another address without TLS, half of TLS, files that are none, a port that is taken; and a
    practice record for others."""

    def refused(code: int, word: str, *words: str) -> None:
        command = ["--record", bench.url, "--as", "Line Lead", "--json", "serve", *words]
        told = io.StringIO()
        with redirect_stdout(told):
            assert run(command) == code
        assert json.loads(told.getvalue())["refused"]["word"] == word

    certificate, key = _certificate(tmp_path)
    tls = ["--certificate", str(certificate), "--key", str(key)]
    refused(2, "usage", "--host", "0.0.0.0")  # noqa: S104 - it is refused
    refused(2, "usage", *tls[:2])
    refused(2, "usage", "--certificate", str(key), "--key", str(key))
    refused(2, "usage", "--certificate", str(tmp_path / "no"), "--key", str(key))
    refused(1, "live_only", *tls, "--host", "0.0.0.0")  # noqa: S104 - it is refused
    refused(1, "live_only", "--behind-proxy")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        refused(4, "address_taken", "--port", str(taken.getsockname()[1]))
    live = Address("10.0.0.7", 8470, behind_proxy=True, names=("Serial.Example",))
    check_address(live, practice=False)
    assert "serial.example" in live.hosts and not Address("::1", 1, certificate, key).hosts
    assert Address("::1", 1).hosts == gate.LOOPBACK


def test_who_says_nothing_is_not_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection without a request, half a head and garbage are ended; others are served."""
    monkeypatch.setattr(serving, "SLOWEST_HEAD", 0.3)
    record = stand_by(bench.url, station="server", now=clock.now, chance=clock.chance())
    app = make_app(record, acting="Line Lead", hosts=gate.LOOPBACK, say=lambda _: None)
    listening = serving.listen(Address("127.0.0.1", 0))
    server = serving.made(app, Address("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    place = listening.getsockname()

    def told(*pieces: bytes) -> bytes:
        with socket.create_connection(place, timeout=10) as client:
            for piece in pieces:
                client.sendall(piece)
                time.sleep(0.1)
            return b"".join(iter(lambda: client.recv(4096), b""))

    begun = time.monotonic()
    assert told(b"") == b""
    assert told(*[b"GET /lots HTTP/1.1\r\n", *[b"X: y\r\n"] * 2]) == b""
    assert b"400" in told(b"\x16\x03\x01\x02\x00garbage\r\n\r\n").split(b"\r\n")[0]
    assert time.monotonic() - begun < 5
    asked = b"GET /lots HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    assert told(asked).startswith(b"HTTP/1.1 200")
    server.should_exit = True
    thread.join(10)
    assert not thread.is_alive()
    listening.close()
    record.close()


def test_an_answer_that_nobody_takes_is_broken_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """A long list lies in a file by then, so nobody else waits for it; and it is given up."""
    monkeypatch.setattr(answers, "SLOWEST_PIECE", 0.05)
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)
        if len(sent) == 3:
            await anyio.sleep(5)

    async def receive() -> Any:
        raise AssertionError("nothing is asked")

    given = ({"position": number, "serial": "9RJJQ13UC419"} for number in range(40_000))
    anyio.run(answers.rows(given), {}, receive, send)
    assert [one["type"].rsplit(".")[-1] for one in sent] == ["start", "body", "body"]
    rows = answers.rows({"position": number} for number in range(3))
    sent.clear()
    anyio.run(rows, {}, receive, send)
    assert json.loads(sent[1]["body"]) == [{"position": number} for number in range(3)]


def _certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1, signed by itself."""
    import ipaddress

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False
        )
        .sign(key, hashes.SHA256())
    )
    certificate, private = folder / "tls.pem", folder / "tls.key"
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return certificate, private
