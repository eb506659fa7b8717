"""A receiver of events for tests: a capture interface with faults that come from a seed.

Written from the official interface description of EPCIS 2.0 (openapi.json of the REST bindings,
version 2.0.0): POST /capture answers 202 with a Location, GET /capture/ID tells the job, GET
/events?EQ_eventID=A|B answers an EPCISQueryDocument in pages with a Link, OPTIONS tells limits; its
problems are RFC 7807's. It keeps what it stored, in order, through restarts.
"""

from __future__ import annotations

import json
import random
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

Event = dict[str, Any]


@dataclass
class Receiver:
    """What a receiver is like, and what it has.

    Attributes:
        kind: `recognises` passes over events that it has, `answers` stores them twice but can be
            asked, `neither`; `deaf` answers with everything, whatever it is asked for.
        lost, broken, busy: shares of captures that are stored without an answer, answered by 500
            (half of them after storing), and by 429.
        slow: seconds, at most, before an answer.
        most_events: limit of events in a document; 0 for none. `tells` whether it says so.
        token: what has to come as a bearer token; empty for none.
        polls: how often a job is told as running.
        refuses: IDs of events that it never stores.
        plan: statuses for the next captures, instead of faults by chance.
    """

    kind: str = "recognises"
    seed: int = 1
    lost: float = 0
    broken: float = 0
    busy: float = 0
    slow: float = 0
    most_events: int = 0
    tells: bool = True
    token: str = ""
    polls: int = 1
    refuses: set[str] = field(default_factory=set)
    plan: list[Any] = field(default_factory=list)
    stored: list[Event] = field(default_factory=list)
    jobs: dict[str, Event] = field(default_factory=dict)
    asked: list[tuple[str, str]] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    largest: int = 0
    url: str = ""

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.lock = threading.Lock()

    def ids(self) -> list[str]:
        """IDs of what it has, in the order in which it came."""
        return [one["eventID"] for one in self.stored]

    @contextmanager
    def running(self, *, context: ssl.SSLContext | None = None, port: int = 0) -> Iterator[str]:
        """Serve on a port of this computer; gives the URL of its capture interface."""
        receiver = self

        class Handler(_Handler):
            its = receiver

        server = _Server(("127.0.0.1", port), Handler)
        if context:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        scheme, host = ("https", "localhost") if context else ("http", "127.0.0.1")
        self.url = f"{scheme}://{host}:{server.server_address[1]}"
        try:
            yield f"{self.url}/capture"
        finally:
            server.shutdown()
            server.server_close()
            thread.join()

    def capture(self, body: Event, behaviour: str) -> str:
        """Store a document's events; gives the job's number."""
        events = body["epcisBody"]["eventList"]
        with self.lock:
            number = f"{len(self.jobs) + 1}"
            bad = [one for one in events if one["eventID"] in self.refuses]
            keeps = [] if bad and behaviour == "rollback" else events
            known = {(one["eventID"], "errorDeclaration" in one) for one in self.stored}
            for one in keeps:
                mark = (one["eventID"], "errorDeclaration" in one)
                if one not in bad and not (self.kind == "recognises" and mark in known):
                    self.stored.append(one)
            self.largest = max(self.largest, len(events))
            problem = {"type": "epcisException:ValidationException", "title": "no such thing"}
            errors = [{**problem, "detail": one["eventID"]} for one in bad]
            self.jobs[number] = {"left": self.polls, "errors": errors, "behaviour": behaviour}
        return number


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 50

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Connections that end early are expected here."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    its: Receiver

    def log_message(self, format: str, *args: Any) -> None:
        """Silence."""

    def _send(self, status: int, body: Any = None, **headers: str) -> None:
        data = b"" if body is None else json.dumps(body).encode()
        self.send_response(status)
        kind = "application/problem+json" if status >= 400 else "application/json"
        for name, value in {"Content-Type": kind, **headers}.items():
            self.send_header(name.replace("_", "-"), value)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def _problem(self, status: int, word: str, **headers: str) -> None:
        self._send(status, {"type": f"epcisException:{word}", "title": word}, **headers)

    def _may(self) -> bool:
        its = self.its
        its.asked.append((self.command, self.path))
        if its.slow:
            time.sleep(its.chance.uniform(0, its.slow))
        if its.token and self.headers.get("Authorization") != f"Bearer {its.token}":
            said = self.headers.get("Authorization", "")
            self._send(401, {"type": "epcisException:SecurityException", "title": f"not {said}"})
            return False
        return True

    def _hang_up(self) -> None:
        self.close_connection = True
        with suppress(OSError):
            self.connection.shutdown(2)

    def do_OPTIONS(self) -> None:
        if not self._may():
            return
        limit = {"GS1_EPCIS_Capture_Limit": str(self.its.most_events)}
        self._send(204, **(limit if self.its.most_events and self.its.tells else {}))

    def do_POST(self) -> None:
        its = self.its
        data = self.rfile.read(int(self.headers["Content-Length"]))
        if not self._may():
            return
        its.headers.append(dict(self.headers.items()))
        body = json.loads(data)
        behaviour = self.headers.get("GS1-Capture-Error-Behaviour", "rollback")
        if its.most_events and len(body["epcisBody"]["eventList"]) > its.most_events:
            limit = {"GS1_EPCIS_Capture_Limit": str(its.most_events)} if its.tells else {}
            self._problem(413, "CaptureLimitExceededException", **limit)
            return
        with its.lock:
            fault = its.plan.pop(0) if its.plan else self._by_chance()
        match fault:
            case "lost":
                its.capture(body, behaviour)
                self._hang_up()
            case "cut":
                self._hang_up()
            case "broken":
                its.capture(body, behaviour)
                self._problem(500, "ImplementationException")
            case 202:
                number = its.capture(body, behaviour)
                self._send(202, Location=f"{its.url}/capture/{number}")
            case "elsewhere":
                its.capture(body, behaviour)
                self._send(202, Location="https://elsewhere.example/capture/1")
            case "relative":
                number = its.capture(body, behaviour)
                self._send(202, Location=f"capture/{number}")
            case 302:
                self._send(302, Location="https://elsewhere.example/capture")
            case 429 | 503:
                self._problem(fault, "ImplementationException", Retry_After="0")
            case "come back":
                self._problem(429, "ImplementationException", Retry_After="9000")
            case int():
                self._problem(fault, "ValidationException")

    def _by_chance(self) -> Any:
        its, drawn = self.its, self.its.chance.random()
        for share, fault in ((its.lost, "lost"), (its.busy, 429), (its.broken, 500)):
            if drawn < share:
                return "broken" if fault == 500 and its.chance.random() < 0.5 else fault
            drawn -= share
        return 202

    def do_GET(self) -> None:
        if not self._may():
            return
        parts = urlsplit(self.path)
        if parts.path.startswith("/capture/"):
            self._job(parts.path.rpartition("/")[2])
        elif self.its.kind == "neither":
            self._problem(404, "NoSuchResourceException")
        else:
            self._events(parse_qs(parts.query))

    def _job(self, number: str) -> None:
        its = self.its
        with its.lock:
            job = its.jobs.get(number)
            if job is None:
                self._problem(404, "NoSuchResourceException")
                return
            job["left"] -= 1
            told = {"captureID": number, "createdAt": "2026-06-01T08:00:00Z"}
            told |= {"running": job["left"] >= 0, "success": not job["errors"]}
            told |= {"captureErrorBehaviour": job["behaviour"], "errors": job["errors"]}
        self._send(200, told)

    def _events(self, asked: dict[str, list[str]]) -> None:
        its = self.its
        wanted = set(asked["EQ_eventID"][0].split("|"))
        with its.lock:
            every = its.kind == "deaf"
            found = [one for one in its.stored if every or one["eventID"] in wanted]
        first = int(asked.get("nextPageToken", ["0"])[0])
        some = found[first : first + 4]
        more = {}
        if first + 4 < len(found):
            query = self.path.partition("&nextPageToken")[0]
            more = {"Link": f'<{its.url}{query}&nextPageToken={first + 4}>; rel="next"'}
        results = {"queryName": "SimpleEventQuery", "resultsBody": {"eventList": some}}
        self._send(
            200, {"type": "EPCISQueryDocument", "epcisBody": {"queryResults": results}}, **more
        )
