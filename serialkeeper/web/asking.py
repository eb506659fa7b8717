"""What routes take: who asks, names in paths, files that are sent in."""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated
from urllib.parse import unquote

import anyio
from fastapi import BackgroundTasks, Depends, Query, Request
from fastapi import Path as InPath
from fastapi.security import HTTPBearer
from pydantic import AfterValidator

from serialkeeper.errors import Refused, WrongUsage
from serialkeeper.outside import clock
from serialkeeper.steps.watching import Memory
from serialkeeper.store.opening import signed_in
from serialkeeper.store.record import Record
from serialkeeper.store.sign_in import Component, InSession
from serialkeeper.web.gate import LARGEST_FILE, Body
from serialkeeper.web.pages import PAGE_PARAMETERS, wants_page
from serialkeeper.web.visits import Entered, Visitors

NOTED_EACH_MINUTE = 30
"""Wrong tokens that are counted in the record; more of them would only keep it busy."""

LONGEST_NAME = 200
"""Bytes of a file's name; file systems take 255, and steps put some to it."""

HIGHEST = 2**31 - 1
"""The highest number of a position, a roll, a job: keys are whole numbers of 32 bits."""


@dataclass(slots=True)
class Served:
    """The record that is served, and how people come to it.

    Attributes:
        record: open, in nobody's hands.
        visitors: the browsers that look at it.
        acting: in whose hands a practice record is.
        idle: minutes after which a session is over, as the last one that was begun was told.
        memory: the last facts of lots that are looked at.
        wrong: when the last wrong tokens came.
    """

    record: Record
    visitors: Visitors
    acting: str = ""
    idle: int = 0
    memory: Memory = field(default_factory=Memory)
    wrong: deque[float] = field(default_factory=lambda: deque(maxlen=NOTED_EACH_MINUTE))

    def opened(self, token: str) -> Record:
        """The record in the hands of a token's owner; one for practice in the named person's.

        Refuses `token_needed`, and what `store.opening.signed_in` does.
        """
        if self.record.practice:
            return signed_in(self.record, person=self.acting)
        if not token:
            raise Refused(
                "token_needed",
                "This is a live record: a program signs in with a token.",
                where="the header Authorization",
                expected="Bearer TOKEN",
                came="none",
                remedy="Make a token: serialkeeper person token. Send the text of its file.",
            )
        now = clock.seconds()
        noted = len(self.wrong) < NOTED_EACH_MINUTE or self.wrong[0] < now - 60
        try:
            return signed_in(self.record, token=token, noted=noted)
        except Refused as error:
            if error.word == "sign_in_refused":
                self.wrong.append(now)
            raise

    def entered(self, session: Entered | None, *, looks_on: bool = False) -> Record:
        """The record in the hands of whoever began that session; one for practice in the named
        person's. Whoever only looks on does not keep the session alive.

        Refuses `session_over`, and what `store.opening.signed_in` does.
        """
        if self.record.practice:
            return signed_in(self.record, person=self.acting)
        if session is None:
            raise Refused(
                "session_over",
                "Nobody is signed in here.",
                expected="a session",
                came="none",
                remedy="Sign in.",
            )
        component = Component(str, self.visitors.badge(session.id))
        there = replace(self.record, station=session.station)
        return signed_in(there, session=InSession(session.id, session.key, component, looks_on))


_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="token",
    description="A token of the record (`person token`). A practice record asks for none.",
)


def _opened(
    request: Request,
    tasks: BackgroundTasks,
    given: Annotated[object, Depends(_bearer)],
) -> Record:
    served: Served = request.app.state.served
    token = str(getattr(given, "credentials", ""))
    session = served.visitors.visit(request).session
    if token or session is None or request.method != "GET":  # what a session may do, forms do
        record = served.opened(token)
    else:
        record = served.entered(session)
    return _noted(request, tasks, record)


def _noted(request: Request, tasks: BackgroundTasks, record: Record) -> Record:
    session = request.app.state.served.visitors.visit(request).session
    by = f"token {record.token.id}" if record.token else "practice"
    request.state.by = f"session {session.id}" if record.session and session else by
    request.state.record = record
    tasks.add_task(request.app.state.protect, record)
    return record


Opened = Annotated[Record, Depends(_opened)]
"""The record in the hands of whoever asks, by token, or by the session of a browser that looks;
afterwards checkpoints that are due are made."""


def _in_session(request: Request, tasks: BackgroundTasks) -> Record:
    if "authorization" in request.headers:
        raise _no_token(request)
    served: Served = request.app.state.served
    return _noted(request, tasks, served.entered(served.visitors.visit(request).session))


def _no_token(request: Request) -> Refused:
    return Refused(
        "token_narrow",
        "What pages do is a person's; a token has no part in it.",
        where=request.url.path,
        expected="a session",
        came="a token",
        remedy="Use the routes of /openapi.json.",
    )


InHand = Annotated[Record, Depends(_in_session)]
"""The record in the hands of a person: by a session, never by a token."""


def _watched(request: Request) -> Record:
    served: Served = request.app.state.served
    session = served.visitors.visit(request).session
    if "authorization" in request.headers:
        raise _no_token(request)
    record = served.entered(session, looks_on=True)
    request.state.by = f"session {session.id}" if session and not record.practice else "practice"
    return record


Watched = Annotated[Record, Depends(_watched)]
"""The record in the hands of a person whose page goes on by itself: it keeps no session alive, and
writes nothing."""


Piece = AfterValidator(unquote)
"""A piece of a path, as `gate.routed_path` leaves it."""

Gtin = Annotated[str, InPath(pattern="^[0-9]{14}$", description="The product's GTIN, 14 digits.")]
Name = Annotated[str, Piece, InPath(min_length=1, max_length=200)]
Number = Annotated[int, InPath(ge=1, le=HIGHEST)]
Counted = Annotated[int | None, Query(ge=1, le=HIGHEST)]
Short = Annotated[str, Query(max_length=200)]


async def _lot(
    gtin: Gtin,
    lot: Annotated[str, Piece, InPath(min_length=1, max_length=60, description="The lot number.")],
) -> str:
    return f"{gtin}/{lot}"


Lot = Annotated[str, Depends(_lot)]
"""A lot by its product and number."""


def _short_enough(name: str) -> str:
    if len(name.encode()) > LONGEST_NAME:
        raise ValueError(f"a file name has {LONGEST_NAME} bytes at most")
    return name


FileName = Annotated[
    str,
    AfterValidator(_short_enough),
    Query(
        min_length=1,
        max_length=120,
        pattern=r"^[^./\x00-\x1f\x7f][^/\x00-\x1f\x7f]*$",
        description="What the file is called; it stands in the journal.",
    ),
]


async def check_query(request: Request) -> None:
    """Refuses `usage` for parameters that the route does not have; else a misspelt one would be
    passed over."""
    path, method = request.scope["route"].path, request.method.lower()
    operation = request.app.openapi()["paths"].get(path, {}).get(method, {})
    known = [one["name"] for one in operation.get("parameters", ()) if one["in"] == "query"]
    known += PAGE_PARAMETERS.get(path, ()) + ("lang",) * wants_page(request)
    for name in request.query_params:
        if name not in known:
            raise WrongUsage(
                "usage",
                "There is no such parameter here.",
                where=f"the parameter {name}",
                expected=", ".join(known) or "none",
                came=name,
                remedy="See /openapi.json.",
            )


async def _sent(request: Request, record: Opened, name: FileName) -> AsyncIterator[Path]:
    """The request's body as a file in a private folder."""
    del record  # asked for first, so that nothing is read for somebody who may not come in
    body: Body = request.state.body
    body.most = LARGEST_FILE
    with tempfile.TemporaryDirectory(prefix="serialkeeper-") as folder:
        path = Path(folder, name)
        async with await anyio.open_file(path, "xb") as file:
            async for piece in request.stream():
                await file.write(piece)
        yield path


Sent = Annotated[Path, Depends(_sent)]
"""A file that was sent in, there until the answer is made."""
