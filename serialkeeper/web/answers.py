"""What routes give: a step's own answer as JSON, long lists, files; and how a route is declared."""

from __future__ import annotations

import base64
import functools
import hashlib
import inspect
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any
from urllib.parse import quote

import anyio
import orjson
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from serialkeeper.errors import SerialKeeperError, Unavailable
from serialkeeper.web.forms import HERE
from serialkeeper.web.gate import SLOWEST_PIECE
from serialkeeper.web.pages import PAGE_PARAMETERS, PAGES, Page, render, wants_page
from serialkeeper.web.problems import EVERYWHERE, MEDIA_TYPE

PIECE = 256 * 1024
"""Bytes of a long answer that go out at a time."""

IN_MEMORY = 1024 * 1024
"""Bytes of a long answer that are kept in memory; what is longer waits in a file."""

JSON = "application/json"


class Whole(Response):
    """An answer that lies in a file, sent piece by piece, to whoever takes a piece in time."""

    def __init__(self, file: IO[bytes], *, media_type: str, headers: Mapping[str, str]) -> None:
        super().__init__(None, 200, headers, media_type)
        self._file = file
        size = file.seek(0, 2)
        file.seek(0)
        self.headers["content-length"] = str(size)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        del scope, receive
        with self._file as file:
            head = {"type": "http.response.start", "status": 200, "headers": self.raw_headers}
            await send(head)
            more = True
            while more:
                data = await anyio.to_thread.run_sync(file.read, PIECE)
                more = len(data) == PIECE
                with anyio.move_on_after(SLOWEST_PIECE) as taking:
                    await send({"type": "http.response.body", "body": data, "more_body": more})
                if taking.cancelled_caught:
                    return  # before its end: the server breaks the connection off
        if self.background:
            await self.background()


def rows(some: Iterable[Mapping[str, Any]]) -> Response:
    """A long list. It is written to its end first, and then sent: so whoever takes it slowly holds
    no look at the record, and what fails on the way is a refusal and not half an answer."""
    file = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY, prefix="serialkeeper-")  # noqa: SIM115
    try:
        before = b"["
        for row in some:
            file.write(before + orjson.dumps(dict(row)))
            before = b",\n"
        file.write(b"[]\n" if before == b"[" else b"]\n")
    except BaseException:
        file.close()
        raise
    return Whole(file, media_type=JSON, headers={})


@contextmanager
def private_folder() -> Iterator[Path]:
    """A folder for the files of one request. Refusals do not tell where it lies."""
    with tempfile.TemporaryDirectory(prefix="serialkeeper-") as folder, unplaced(Path(folder)):
        yield Path(folder)


HEAVY_AT_ONCE, HEAVY_WAITS = 2, 1.0
"""Answers that take long and are made at the same time, and the seconds for which one more waits.
They leave threads to everything else (`web.app.AT_ONCE`)."""

_heavy = threading.BoundedSemaphore(HEAVY_AT_ONCE)


@contextmanager
def heavy() -> Iterator[None]:
    """Make an answer that takes long. Refuses `record_busy` while others are being made."""
    if not _heavy.acquire(timeout=HEAVY_WAITS):
        raise Unavailable(
            "record_busy",
            "Other drawings and tables are being made just now.",
            expected=f"{HEAVY_AT_ONCE} at a time",
            came="one more",
            remedy="Ask again in a moment.",
        )
    try:
        yield
    finally:
        _heavy.release()


@contextmanager
def unplaced(folder: Path) -> Iterator[None]:
    """Refusals name files in this folder by their names alone."""
    try:
        yield
    except SerialKeeperError as error:
        for name in ("message", "where", "expected", "came", "remedy"):
            setattr(error, name, getattr(error, name).replace(f"{folder}/", ""))
        error.more = tuple(line.replace(f"{folder}/", "") for line in error.more)
        raise


def file_answer(path: Path, media_type: str, **headers: str) -> Response:
    """A file that a step has made, with its SHA-256 (RFC 9530). Its folder may go meanwhile."""
    file = path.open("rb")
    digest = hashlib.file_digest(file, "sha256").digest()
    told = {
        "repr-digest": f"sha-256=:{base64.b64encode(digest).decode()}:",
        "content-disposition": f"attachment; filename*=UTF-8''{quote(path.name, safe='')}",
        **{name.replace("_", "-"): value for name, value in headers.items()},
    }
    return Whole(file, media_type=media_type, headers=told)


def _refusals() -> dict[int | str, dict[str, Any]]:
    content = {MEDIA_TYPE: {"schema": {"$ref": f"{HERE}problem"}}}
    return {status: {"description": "Refused.", "content": content} for status in EVERYWHERE}


FILE = {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}
"""A file as it is."""


def route(
    router: APIRouter,
    method: str,
    path: str,
    step: str,
    *,
    gives: Mapping[str, Any] | None = None,
    file: bool = False,
    page: str = "",
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Declare a route.

    Args:
        method, path: where.
        step: noun and verb of the step that it calls; the form of its answer is the schema of that
            name.
        gives: the content that it gives instead, by media type.
        file: whether the body is a file.
        page: the template that shows the answer to browsers.
    """
    more = {"requestBody": {"required": True, "content": FILE}} if file else {}
    content = gives or {JSON: {"schema": {"$ref": HERE + step.replace(" ", "-")}}}

    def declare(function: Callable[..., Any]) -> Callable[..., Any]:
        noun = step.split(maxsplit=1)[0]
        return router.api_route(
            path,
            methods=[method],
            tags=[noun],
            operation_id=function.__name__,
            response_class=Response,
            response_model=None,
            responses={200: {"description": "Done.", "content": dict(content)}, **_refusals()},
            openapi_extra={"x-step": step, **more},
        )(_answering(function, path, page))

    return declare


def shows(
    router: APIRouter, path: str, page: str, *, takes: tuple[str, ...] = ()
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Declare a page that is no single step's answer; a program gets what it shows as JSON.

    Args:
        path: where.
        page: the template that shows it.
        takes: the parameters that may stand behind the path.
    """

    def declare(function: Callable[..., Any]) -> Callable[..., Any]:
        PAGE_PARAMETERS[path] = takes
        return router.get(path, include_in_schema=False, response_model=None)(
            _answering(function, path, page)
        )

    return declare


def _answering(function: Callable[..., Any], path: str, page: str) -> Callable[..., Response]:
    """The function's answer as whoever asks wants it: a page, or JSON."""

    @functools.wraps(function)
    def answered(*arguments: Any, request: Request, **named: Any) -> Response:
        result = function(*arguments, **named)
        if isinstance(result, Response):
            return result
        if page and wants_page(request):
            return render(request, page, it=result)
        vary = {"Vary": "Accept"} if page else {}
        return Response(orjson.dumps(result), headers=vary, media_type=JSON)

    if page:
        PAGES[page] = Page(page, path, function)
    signature = inspect.signature(function)
    asked = inspect.Parameter("request", inspect.Parameter.KEYWORD_ONLY, annotation=Request)
    parameters = [*signature.parameters.values(), asked]
    answered.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    return answered
