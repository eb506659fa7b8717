"""The application: all routes, the gate before them, refusals as problem documents."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import anyio.to_thread
from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import Response
from starlette.types import Scope

from serialkeeper.errors import WORDS, Refused, SerialKeeperError, Unavailable, WrongUsage
from serialkeeper.steps import checkpoints
from serialkeeper.store.record import Record
from serialkeeper.web import (
    checking,
    deciding,
    entering,
    finding,
    handing_off,
    journal,
    live,
    looking,
    now,
    packing,
    pages,
    proving,
    quality,
    reviewing,
    setting_up,
    settling,
    staffing,
    winding,
    working,
)
from serialkeeper.web.asking import Served, check_query
from serialkeeper.web.background import Background
from serialkeeper.web.forms import complete
from serialkeeper.web.gate import Gate, Stopped
from serialkeeper.web.problems import fault
from serialkeeper.web.sender import Sender
from serialkeeper.web.visits import Visitors

ROOMS = (
    *(looking, working, entering, finding, setting_up, deciding, settling),
    *(reviewing, journal, checking, quality, now, live, handing_off, staffing, packing, winding),
    proving,
)
"""Where the routes are, in the order in which they are tried."""

AT_ONCE = 6
"""Steps that run at a time: each needs one connection, and those that begin a work within a look
need two, of the 15 that an engine keeps."""


def make_app(
    record: Record,
    *,
    acting: str = "",
    hosts: frozenset[str] = frozenset(),
    secure: bool = False,
    behind_proxy: bool = False,
    key: Path | None = None,
    say: Callable[[str], None],
) -> Gate:
    """The application that serves a record.

    Args:
        record: from `store.opening.stand_by`; in nobody's hands.
        acting: in whose hands a practice record is.
        hosts: names by which the server may be called; empty for any.
        secure: whether it is reached by TLS only.
        behind_proxy: whether something in front of it does TLS, and names the address.
        key: the file with the key for checkpoints.
        say: takes what is told of each request, and of checkpoints.
    """
    app = FastAPI(
        title="serialkeeper",
        lifespan=_lifespan,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        dependencies=[Depends(check_query)],
    )
    visitors = Visitors(record.url, secure=secure, behind_proxy=behind_proxy, chance=record.chance)
    served = app.state.served = Served(record, visitors, acting)
    following = app.state.live = live.Live(record, served.memory)

    def protect(used: Record) -> None:
        """Make a checkpoint if what was written makes one due; a failure changes nothing."""
        try:
            if made := checkpoints.make_due(used, key):
                say(f"checkpoint {made['file']}, SHA-256 {made['sha256']}")
        except Exception as error:
            told = error.word if isinstance(error, SerialKeeperError) else type(error).__name__
            say(f"no checkpoint was made; the step itself is done: {told}")

    app.state.protect = protect
    app.state.background = Background(protect)
    app.state.sender = Sender(protect, say)
    app.add_exception_handler(SerialKeeperError, _refused)
    app.add_exception_handler(OSError, _no_room)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(Exception, _failed)
    app.add_exception_handler(RequestValidationError, _misunderstood)
    app.add_exception_handler(HTTPException, _http)
    for room in ROOMS:
        app.include_router(room.router)
    app.get("/refusals", response_model=dict[str, str], tags=["refusals"])(refusals)
    complete(app.openapi())  # made once, and given out again at each request
    kind = "practice" if record.practice else "live"

    def told(scope: Scope, error: SerialKeeperError) -> Response:
        return pages.tell(Request({**scope, "app": app}), error)

    return Gate(app, hosts, secure, kind, say, told, following.close)


async def refusals() -> dict[str, str]:
    """Every word of a refusal and its meaning. Asks nobody who they are."""
    return WORDS


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    anyio.to_thread.current_default_thread_limiter().total_tokens = AT_ONCE
    yield
    await anyio.to_thread.run_sync(app.state.background.close)
    await anyio.to_thread.run_sync(app.state.sender.stop)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, SerialKeeperError)  # noqa: S101 - it is registered for these
    return pages.tell(request, error)


async def _no_room(request: Request, error: Exception) -> Response:
    assert isinstance(error, OSError)  # noqa: S101 - it is registered for these
    return pages.tell(
        request,
        Unavailable(
            "file_unwritable",
            f"The server's file system does not do it: {error.strerror or type(error).__name__}.",
            remedy="Look at the room, and the rights, in the server's TMPDIR.",
        ),
    )


async def _gone(request: Request, _: Exception) -> Response:
    error = Refused("too_slow", "The connection ended before the request's body did.")
    return pages.tell(request, error)


async def _failed(request: Request, error: Exception) -> Response:
    return pages.tell(request, fault(error))


async def _misunderstood(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - it is registered for these
    first, *rest = (
        f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()[:100]
    )
    return pages.tell(
        request,
        WrongUsage(
            "usage",
            "The request does not have the form that the route takes.",
            where=first,
            remedy="See /openapi.json.",
            more=tuple(rest),
        ),
    )


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 - it is registered for these
    if isinstance(error, Stopped):
        return pages.tell(request, error.error)
    usage = WrongUsage(
        "usage",
        {404: "There is nothing at that path.", 405: "The route does not take that method."}.get(
            error.status_code, "The request was not understood."
        ),
        where=f"{request.method} {request.url.path}",
        remedy="See /openapi.json.",
    )
    answer = pages.tell(request, usage, error.status_code)
    answer.headers.update(error.headers or {})
    return answer
