"""Pages that follow the record: server-sent events (WHATWG HTML, 9.2).

One look at the record a tick serves all pages that are open: is the journal longer, are their
sessions still in force, and their people in the same roles. In between nobody holds a connection
to the database, or a thread. What is shown is worked out once for all who look at the same, in the
same language and role, and sent to those only for whom it is another text than the last one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import anyio
import anyio.to_thread
import orjson
from anyio.abc import TaskGroup
from fastapi import APIRouter, Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from serialkeeper.errors import SerialKeeperError, Unavailable
from serialkeeper.steps import watching
from serialkeeper.steps.watching import Asked, Memory
from serialkeeper.store.opening import check_version
from serialkeeper.store.record import Record
from serialkeeper.store.sign_in import InSession, owner
from serialkeeper.store.view import View
from serialkeeper.store.watching import journal_length
from serialkeeper.web.asking import Served, Watched
from serialkeeper.web.gate import SLOWEST_PIECE
from serialkeeper.web.now import ASKED, Seen, Sight, shown
from serialkeeper.web.pages import PAGE_PARAMETERS, pieces, words_of
from serialkeeper.web.wording import Words

router = APIRouter(include_in_schema=False)

EVERY = 0.3
"""Seconds between two looks at the record."""

ALIVE = 15.0
"""Seconds after which a sign of life is sent where nothing happens."""

MOST_OPEN, MOST_OF_ONE = 60, 8
"""Pages that follow at a time, and pages of one browser."""

MISSES = 5
"""Looks in a row that may fail before the pages are let go; they come back by themselves."""

OVER = "over"
"""The event that tells a page that it was drawn for somebody who does not look any more: the
session is over, or its person has another role or is retired. The page is then loaded anew."""

REGIONS = "now_parts.html"


@dataclass(eq=False, slots=True)
class Watcher:
    """A page that follows.

    Attributes:
        record: in the hands of whoever looks.
        session: theirs; None in a practice record.
        browser: whose.
        sight, words: what is looked at, in which language.
        sent: the text that the page has, or is about to get.
        over: how it ended, empty while it goes on.
        news: set when there is something to send.
    """

    record: Record
    session: InSession | None
    browser: str
    sight: Sight
    words: Words
    sent: bytes = b""
    over: str = ""
    news: asyncio.Event = field(default_factory=asyncio.Event)

    def end(self, how: str) -> None:
        """Let the page go."""
        self.over = how
        self.news.set()

    @property
    def whose(self) -> object:
        """Whose pages are counted together: a session's, or in a practice record a browser's."""
        return self.session.id if self.session else self.browser

    @property
    def asked(self) -> Asked:
        """What the step is asked for it."""
        station = self.sight.station or self.record.station
        return Asked(station, self.sight.lot, self.sight.job, self.sight.row)


class Live:
    """All pages that follow one record."""

    def __init__(self, record: Record, memory: Memory) -> None:
        self._record, self._memory = record, memory
        self._watchers: set[Watcher] = set()
        self._task: asyncio.Task[None] | None = None
        self._length = -1
        self._closing = False

    def join(self, watcher: Watcher) -> None:
        """One more page. Refuses `too_many_open`."""
        mine = sum(one.whose == watcher.whose for one in self._watchers)
        if self._closing or len(self._watchers) >= MOST_OPEN or mine >= MOST_OF_ONE:
            raise Unavailable(
                "too_many_open",
                "Too many pages follow the record at the same time.",
                expected=f"{MOST_OPEN} pages, {MOST_OF_ONE} of one session or browser",
                came="one more",
                remedy="Close some; until then this page shows what is new when it is loaded.",
            )
        self._watchers.add(watcher)
        if self._task is None:
            self._task = asyncio.get_running_loop().create_task(self._run())

    def leave(self, watcher: Watcher) -> None:
        """A page is gone."""
        self._watchers.discard(watcher)

    def close(self) -> None:
        """The server ends: every page is let go at once, and none comes in any more."""
        self._closing = True
        self._end(self._watchers, "closed")

    def _end(self, some: Iterable[Watcher], how: str) -> None:
        for one in list(some):
            self.leave(one)
            one.end(how)

    async def _run(self) -> None:
        """Look, tell, wait; as long as somebody is there."""
        limiter, misses = (
            anyio.CapacityLimiter(1),
            0,
        )  # steps that wait for threads do not hold it up
        try:
            while self._watchers and not self._closing:
                some = list(self._watchers)
                try:
                    over, told = await anyio.to_thread.run_sync(self._look, some, limiter=limiter)
                    misses = 0
                except SerialKeeperError:  # the record is out of reach for a while, or was moved
                    over, told, misses = [], {}, misses + 1
                    if misses == MISSES:
                        self._end(some, "lost")
                self._end(over, OVER)
                for one, text in told.items():
                    one.sent = text
                    one.news.set()
                await asyncio.sleep(EVERY)
        finally:
            self._task = None
            self._length = -1
            if not self._closing and self._watchers:  # a fault of ours: nobody waits for nothing
                self._end(self._watchers, "lost")

    def _look(self, some: list[Watcher]) -> tuple[list[Watcher], dict[Watcher, bytes]]:
        """Whose page is over, and what is new for whom; in a thread, with one connection."""
        with self._record.read() as view:
            check_version(view, self._record)
            over = [one for one in some if not stays(view, one)]
            length = journal_length(view)
            fresh = [one for one in some if one not in over]
            if length == self._length:
                fresh = [one for one in fresh if not one.sent]
            asked: dict[Asked, dict[str, Any]] = {}
            texts: dict[tuple[object, ...], bytes] = {}
            told = {}
            for one in fresh:
                if one.asked not in asked:
                    asked[one.asked] = watching.look_through(view, one.asked, self._memory)
                alike = (one.sight, one.words.language, one.record.role, one.record.station)
                if alike not in texts:
                    texts[alike] = _text(one, asked[one.asked])
                if texts[alike] != one.sent:
                    told[one] = texts[alike]
        self._length = length
        return over, told


def stays(view: View, one: Watcher) -> bool:
    """Whether whoever looks is still who the page was drawn for: in force, and in the same role."""
    if one.session:
        person = owner(one.record, view, one.session)
    else:
        person = view.find_person(one.record.person)
    return person is not None and not person.retired and person.role == one.record.role


def _text(one: Watcher, told: dict[str, Any]) -> bytes:
    """The pieces of the page, as one line of JSON."""
    it = shown(told, one.sight, one.record.station)
    return orjson.dumps(pieces(REGIONS, one.words, one.record, it))


class Stream(Response):
    """The events for one page, until it goes, its session is over, or the server ends."""

    media_type = "text/event-stream"

    def __init__(self, live: Live, watcher: Watcher) -> None:
        super().__init__(None, 200, {"X-Accel-Buffering": "no"})
        del self.headers["content-length"]
        self._live, self._watcher = live, watcher
        live.join(watcher)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send what there is to tell."""
        del scope
        try:
            await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
            async with anyio.create_task_group() as group:
                group.start_soon(_until_gone, receive, group)
                await self._tell(send)
                group.cancel_scope.cancel()
        finally:
            self._live.leave(self._watcher)

    async def _tell(self, send: Send) -> None:
        watcher, more = self._watcher, b"retry: 1000\n\n"
        while await _sent(send, more):
            if watcher.over:
                await _sent(send, b"", more=False)
                return
            with anyio.move_on_after(ALIVE):
                await watcher.news.wait()
            if watcher.over:
                more = f"event: {watcher.over}\ndata: .\n\n".encode()
            elif watcher.news.is_set():
                watcher.news.clear()
                more = b"data: " + watcher.sent + b"\n\n"
            else:
                more = b":\n\n"


async def _until_gone(receive: Receive, group: TaskGroup) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    group.cancel_scope.cancel()


async def _sent(send: Send, data: bytes, *, more: bool = True) -> bool:
    """Whether a piece was taken in time."""
    with anyio.move_on_after(SLOWEST_PIECE) as taking:
        await send({"type": "http.response.body", "body": data, "more_body": more})
    return not taking.cancelled_caught


PAGE_PARAMETERS["/now/live"] = (*ASKED, "lang")


@router.get("/now/live")
async def live(record: Watched, request: Request, sight: Seen) -> Response:
    """What of the page *Now* changes, as it changes."""
    served: Served = request.app.state.served
    visit = served.visitors.visit(request)
    words = words_of(request, visit)
    session = None
    if visit.session and record.session:
        entered = visit.session
        session = InSession(entered.id, entered.key, record.session, looks_on=True)
    watcher = Watcher(record, session, visit.browser, sight, words)
    return Stream(request.app.state.live, watcher)
