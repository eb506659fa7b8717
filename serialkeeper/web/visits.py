"""Who looks through which browser: cookies, forms that are sent once, messages that are told once,
and how often somebody may try to sign in.

What is kept here lies in this process's memory: a restart makes every open form stale, which its
page tells, and a session that was begun with a badge signs by password from then on.
"""

from __future__ import annotations

import hashlib
import hmac
import threading
from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from typing import Any
from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response

from serialkeeper.errors import Refused, Unavailable
from serialkeeper.outside import clock
from serialkeeper.rules.serials import Chance

FORM_SECONDS = 12 * 3600
"""How long a form may lie open."""

TRIES, TRIES_SECONDS = 10, 300
"""Wrong passwords from one address in so many seconds; then nothing is tried from there."""

MOST_KEPT = 10_000
"""Forms, messages and addresses that are remembered; the oldest are forgotten first."""

MOST_SENT = 100_000
"""Sent forms that are remembered, of those whose keys could still be taken."""

YEAR = 366 * 24 * 3600

WAIT_SECONDS = 60
"""How long the second of two equal forms waits for the first."""


@dataclass(frozen=True, slots=True)
class Entered:
    """A session as the browser keeps it: its number in the record, its key, its station."""

    id: int
    key: str
    station: str


@dataclass(frozen=True, slots=True)
class Visit:
    """One request of a browser.

    Attributes:
        browser: what tells one browser from another; no secret, and says nothing of anybody.
        fresh: whether the browser does not know it yet.
        session: what was begun in it, if anything.
        language, station, lot: what was chosen in it last, or empty.
        address: from where.
    """

    browser: str
    fresh: bool
    session: Entered | None
    language: str
    station: str
    lot: str
    address: str


@dataclass(slots=True)
class _Sent:
    """A form that was sent: where its answer led, empty until it was done."""

    began: float
    lock: Any = field(default_factory=threading.Lock)
    queue: Any = field(default_factory=threading.Lock)
    to: str = ""

    def wait(self) -> bool:
        """Get hold of it. While it is being done one more may wait for it, for a while; the rest
        would only keep others from being served."""
        if self.lock.acquire(blocking=False):
            return True
        if not self.queue.acquire(blocking=False):
            return False
        try:
            return bool(self.lock.acquire(timeout=WAIT_SECONDS))
        finally:
            self.queue.release()


class Visitors:
    """All browsers that look at the record.

    Args:
        url: the record; cookies of different records on one machine have different names.
        secure: whether the server is reached by TLS only.
        behind_proxy: whether something in front of it names the address.
        chance: gives random bytes.
    """

    def __init__(self, url: str, *, secure: bool, behind_proxy: bool, chance: Chance) -> None:
        self._mark = hashlib.sha256(url.encode()).hexdigest()[:8]
        self._secure, self._behind_proxy, self._chance = secure, behind_proxy, chance
        self._secret = chance(32)
        self._lock = threading.Lock()
        self._sent: OrderedDict[tuple[str, str], _Sent] = OrderedDict()
        self._sent_outside: OrderedDict[tuple[str, str], _Sent] = OrderedDict()
        self._told: OrderedDict[str, list[tuple[str, str, dict[str, Any]]]] = OrderedDict()
        self._wrong: OrderedDict[str, deque[float]] = OrderedDict()
        self._badges: OrderedDict[int, str] = OrderedDict()

    # -- cookies ---------------------------------------------------------------------------------

    def visit(self, request: Request) -> Visit:
        """What the request's cookies say; the same for all who ask during one request."""
        found = getattr(request.state, "visit", None)
        if isinstance(found, Visit):
            return found
        browser = self._cookie(request, "browser")
        fresh = len(browser) != 32 or not browser.isalnum()
        visit = Visit(
            self._chance(16).hex() if fresh else browser,
            fresh,
            _entered(self._cookie(request, "session")),
            self._cookie(request, "language"),
            self._cookie(request, "station"),
            self._cookie(request, "lot"),
            self._address(request),
        )
        request.state.visit = visit
        return visit

    def keep(
        self, response: Response, name: str, value: str, *, seconds: int | None = None
    ) -> None:
        """Have the browser keep something, until it is closed or for so many seconds."""
        response.set_cookie(
            self._name(name),
            quote(value, safe="."),
            max_age=seconds,
            path="/",
            secure=self._secure,
            httponly=True,
            samesite="strict",
        )

    def drop(self, response: Response, name: str) -> None:
        """Have the browser forget it."""
        self.keep(response, name, "", seconds=0)

    def _name(self, name: str) -> str:
        """`__Host-`: of this host alone, by TLS alone, for all paths (RFC 6265bis, 4.1.3.2)."""
        return f"{'__Host-' if self._secure else ''}serialkeeper-{self._mark}-{name}"

    def _cookie(self, request: Request, name: str) -> str:
        return unquote(request.cookies.get(self._name(name), ""))[:400]

    def _address(self, request: Request) -> str:
        there = request.client.host if request.client else ""
        named = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
        return (named or there)[:100] if self._behind_proxy else there

    # -- forms -----------------------------------------------------------------------------------

    def form_key(self, visit: Visit) -> str:
        """A key for the forms of one page: for this browser, this session, and one time."""
        before = f"{int(clock.seconds())}.{self._chance(12).hex()}"
        return f"{before}.{self._signed(visit, before)}"

    def _signed(self, visit: Visit, before: str) -> str:
        session = visit.session.key if visit.session else ""
        told = f"{before} {visit.browser} {session}".encode()
        return hmac.new(self._secret, told, hashlib.sha256).hexdigest()

    @contextmanager
    def sent(self, visit: Visit, key: str, path: str) -> Iterator[_Sent]:
        """A form that was sent there with that key. Who sends it again at the same moment waits;
        `to` then says where the first one's answer led.

        Refuses `form_over` for a key of another browser, another session, another server or
        another day; `record_busy`.
        """
        self._check_key(visit, key)
        with self._lock:
            # whoever has not signed in cannot make those forgotten that others have sent
            kept = self._sent if visit.session else self._sent_outside
            sent = kept.setdefault((key, path), _Sent(clock.seconds()))
            _forget_sent(kept)
        if not sent.wait():
            raise Unavailable(
                "record_busy",
                "The same form was sent before, and is still being done.",
                remedy="Look whether it was done before you send it again.",
            )
        try:
            yield sent
        finally:
            sent.lock.release()

    def _check_key(self, visit: Visit, key: str) -> None:
        before, _, signature = key.rpartition(".")
        moment = before.partition(".")[0]
        fits = hmac.compare_digest(self._signed(visit, before).encode(), signature.encode())
        if fits and clock.seconds() - int(moment) < FORM_SECONDS:
            return
        raise Refused(
            "form_over",
            "The form lay open for too long, or was not one of yours; nothing was done.",
            expected="a form that was opened in this session",
            remedy="What you typed stands here again: look it through, and send it once more.",
        )

    # -- messages --------------------------------------------------------------------------------

    def tell(self, visit: Visit, word: str, kind: str = "normal", **values: Any) -> None:
        """Have the browser's next page tell something, once."""
        with self._lock:
            self._told.setdefault(visit.browser, []).append((kind, word, values))
            del self._told[visit.browser][:-5]
            _forget(self._told)

    def told(self, visit: Visit) -> list[tuple[str, str, dict[str, Any]]]:
        """What is to be told now: how, the text's key, and what fills it."""
        with self._lock:
            return self._told.pop(visit.browser, [])

    # -- signing in ------------------------------------------------------------------------------

    def check_address(self, address: str) -> None:
        """Refuses `too_many_tries`."""
        with self._lock:
            wrong = self._wrong.get(address, deque())
            wait = TRIES_SECONDS - (clock.seconds() - wrong[0]) if len(wrong) == TRIES else 0.0
        if wait > 0:
            raise Refused(
                "too_many_tries",
                "Too many wrong passwords came from this address; nothing is tried for a while.",
                expected=f"{TRIES} in {TRIES_SECONDS // 60} minutes at most",
                remedy=f"Wait {int(wait) + 1} seconds. If it was not you, call an administrator.",
            )

    def tried_wrong(self, address: str) -> None:
        """A wrong password came from there."""
        with self._lock:
            self._wrong.setdefault(address, deque(maxlen=TRIES)).append(clock.seconds())
            self._wrong.move_to_end(address)
            _forget(self._wrong)

    def keep_badge(self, session: int, badge: str) -> None:
        """Which badge began a session; it signs with the badge's PIN."""
        with self._lock:
            self._badges[session] = badge
            _forget(self._badges)

    def badge(self, session: int) -> str:
        """The badge that began a session, or empty."""
        return self._badges.get(session, "")

    def drop_badge(self, session: int) -> None:
        """A session is over."""
        with self._lock:
            self._badges.pop(session, None)


def _forget_sent(kept: OrderedDict[tuple[str, str], _Sent]) -> None:
    """Forget forms whose keys are too old to be taken; beyond a bound the oldest, but never one
    that is being done."""
    now = clock.seconds()
    for key, one in list(islice(kept.items(), 2)):
        old = now - one.began > FORM_SECONDS or len(kept) > MOST_SENT
        if old and not one.lock.locked():
            del kept[key]


def _forget(kept: OrderedDict[Any, Any]) -> None:
    while len(kept) > MOST_KEPT:
        kept.popitem(last=False)


def _entered(cookie: str) -> Entered | None:
    number, _, rest = cookie.partition(".")
    key, _, station = rest.partition(".")
    known = number.isdecimal() and len(number) < 10 and key and station
    return Entered(int(number), key, station) if known else None
