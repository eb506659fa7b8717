"""What every request goes through before a route sees it, and every answer on its way out.

Whose name the request calls, from which page it comes, how large it is and how long it takes. The
answer gets its headers here, and one line is told of it: method, route, status, time and token, so
neither secrets nor numbers.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from urllib.parse import unquote_to_bytes, urlsplit

import anyio
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from serialkeeper.errors import Refused, SerialKeeperError
from serialkeeper.outside import clock
from serialkeeper.web.problems import fault

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

LARGEST_BODY, LARGEST_FILE = 4 * 2**20, 2 * 2**30
"""Bytes of a request's JSON, and of a file that is sent in."""

MOST_AT_ONCE = 1_000_000
"""How many of something are made by one route or form: as many as somebody waits for."""

SLOWEST_PIECE, SLOWEST_BODY = 30.0, 900.0
"""Seconds until the next piece of a body has to be there, and until all of it."""

HEADERS = (
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
)
"""Of every answer: kept nowhere, shown in no foreign page, taken for nothing else."""

_LOOKING = ("GET", "HEAD", "OPTIONS")


class Stopped(HTTPException):
    """A refusal while a body is read; FastAPI lets an HTTPException pass."""

    def __init__(self, error: SerialKeeperError) -> None:
        super().__init__(400)
        self.error = error


@dataclass(frozen=True, slots=True)
class Gate:
    """The routes, and what stands before them.

    Attributes:
        app: the routes.
        hosts: names by which the server may be called; empty for any.
        secure: whether it is reached by TLS only.
        kind: `practice` or `live`, told with every answer.
        say: takes the line that tells of an answer.
        tell: gives the answer that tells a refusal.
        end: lets go of pages that follow the record, when the server ends.
    """

    app: ASGIApp
    hosts: frozenset[str]
    secure: bool
    kind: str
    say: Callable[[str], None]
    tell: Callable[[Scope, SerialKeeperError], ASGIApp]
    end: Callable[[], None]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        began, status, whole = clock.seconds(), 0, False
        body = Body(receive)
        state = {**scope.get("state", {}), "body": body}
        scope = {**scope, "path": routed_path(scope), "state": state}

        async def answer(message: Message) -> None:
            nonlocal status, whole
            if message["type"] == "http.response.start":
                status = message["status"]
                message = {**message, "headers": self._completed(message["headers"])}
            await send(message)
            whole = message["type"] == "http.response.body" and not message.get("more_body")

        try:
            refusal = refuse_caller(scope, self.hosts)
            if refusal:
                await self.tell(scope, refusal)(scope, receive, answer)
            else:
                await self.app(scope, body.receive, answer)
        except Exception as error:
            if os.environ.get("SERIALKEEPER_TRACE"):
                self.say(traceback.format_exc())
            self.say(f"fault of ours: {type(error).__name__}")
            if not status:
                await self.tell(scope, fault(error))(scope, receive, answer)
            elif not whole:
                self.say("half an answer went out")  # the server breaks the connection off
        finally:
            took = 1000 * (clock.seconds() - began)
            route = getattr(scope.get("route"), "path", "no route")
            by = state.get("by", "nobody")
            self.say(f"{scope['method']} {route} {status} {took:.0f} ms {by}")

    def _completed(self, headers: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        """The headers of an answer with those of every answer; what it says itself stays: a page
        says what it may load."""
        own = list(headers)
        there = {name.lower() for name, _ in own}
        record = (b"serialkeeper-record", self.kind.encode())
        secure = ((b"strict-transport-security", b"max-age=31536000"),) if self.secure else ()
        return own + [one for one in (*HEADERS, record, *secure) if one[0] not in there]


class Body:
    """A request's body, as far as it stays within its bounds.

    Attributes:
        most: bytes that it may have.
    """

    def __init__(self, receive: Receive) -> None:
        self.most = LARGEST_BODY
        self._receive = receive
        self._size = 0
        self._ended = False
        self._until = 0.0

    async def receive(self) -> Message:
        """The next piece. Raises `Stopped` with `too_slow` or `too_large`."""
        if self._ended:  # what comes now is the end of the connection, whenever that is
            return await self._receive()
        now = clock.seconds()
        self._until = self._until or now + SLOWEST_BODY
        with anyio.move_on_after(max(0.0, min(SLOWEST_PIECE, self._until - now))):
            message = await self._receive()
            self._ended = not message.get("more_body", False)
            self._size += len(message.get("body", b""))
            if self._size > self.most:
                raise Stopped(self._too_large())
            return message
        raise Stopped(_too_slow())

    def _too_large(self) -> Refused:
        return Refused(
            "too_large",
            "The request's body is too large.",
            expected=f"{self.most:,} bytes at most",
            came="more",
            remedy="Send less at a time, or give the file to the command line.",
        )


def _too_slow() -> Refused:
    return Refused(
        "too_slow",
        "The request's body did not come in time.",
        expected=f"a piece every {SLOWEST_PIECE:.0f} s, all of it in {SLOWEST_BODY:.0f} s",
        came="nothing more",
        remedy="Send it again.",
    )


def routed_path(scope: Scope) -> str:
    """The path with each piece decoded on its own: `/` and `%` within a piece stay escaped, so that
    a lot number with a slash is one piece. `web.asking.Piece` takes these escapes off."""
    raw: bytes = scope.get("raw_path") or scope["path"].encode()
    pieces = (unquote_to_bytes(one).decode("utf-8", "replace") for one in raw.split(b"/"))
    return "/".join(one.replace("%", "%25").replace("/", "%2F") for one in pieces)


def refuse_caller(scope: Scope, hosts: frozenset[str]) -> Refused | None:
    """Refuses `host_unknown` for a name that is not the server's (a page may have had its own name
    point here), and `origin_foreign` for what another site's page would have done."""
    headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
    host = headers.get(b"host", "")
    if hosts and _name(host) not in hosts:
        return Refused(
            "host_unknown",
            "The server does not go by that name.",
            where="the header Host",
            expected=", ".join(sorted(hosts)),
            came=host or "none",
            remedy="Use one of these names, or name another one at its start: serve --name NAME.",
        )
    origin = headers.get(b"origin")
    foreign = origin is not None and _place(origin) != host.lower()
    fetched = headers.get(b"sec-fetch-site") in ("cross-site", "same-site")
    led_here = headers.get(b"sec-fetch-mode") in (None, "navigate")
    if scope["method"] in _LOOKING:  # a link may lead here; nothing is begun from another page
        foreign = fetched and not led_here
    if foreign or (fetched and scope["method"] not in _LOOKING):
        return Refused(
            "origin_foreign",
            "A page of another site asks for this.",
            where="the header Origin or Sec-Fetch-Site",
            expected=host,
            came=origin or headers.get(b"sec-fetch-site", ""),
            remedy="A program sends neither of these headers.",
        )
    return None


def _place(origin: str) -> str:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _name(host: str) -> str:
    """The name in a header Host, without its port; empty for what is no such header (RFC 9110
    section 7.2)."""
    try:
        parts = urlsplit(f"//{host}")
        well = parts.netloc == host and "@" not in host and (parts.port is None or parts.port > 0)
    except ValueError:
        return ""
    return (parts.hostname or "").rstrip(".") if well else ""
