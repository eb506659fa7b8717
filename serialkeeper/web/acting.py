"""Forms: how a page does what a command does, by the same step, once, in a person's name."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from serialkeeper.errors import Refused, SerialKeeperError, WrongUsage
from serialkeeper.store.record import Record
from serialkeeper.web.asking import HIGHEST, InHand, Served
from serialkeeper.web.gate import LARGEST_FILE
from serialkeeper.web.pages import PAGES, Page, Tried, render
from serialkeeper.web.problems import status_of

SECRETS = frozenset(
    ("secret", "second_secret", "second_pin", "password", "pin", "badge", "new", "again", "key")
)
"""Fields that are never shown again."""

MOST_FIELDS, MOST_FILES = 1100, 20
"""Of one form: as many labels as are to be opened for a whole page of groups, and what signs."""

LONGEST_FIELD = 1024 * 1024
"""Characters of a field."""

FIELDS_BESIDE_FILES, LONGEST_BESIDE_FILES = 50, 64 * 1024
"""The same of a form with files, whose body may be so large that nobody bounds the fields' sum."""

LARGEST_ENTRANCE = 64 * 1024
"""Bytes of a form that somebody sends who has not said who they are."""

_TYPED, _WITH_FILES = "application/x-www-form-urlencoded", "multipart/form-data"

FIELDS_OF_WORDS = {
    "sign_in_refused": "secret",
    "password_needed": "secret",
    "second_person_needed": "second",
    "person_unknown": "second",
    "reason_needed": "reason",
}
"""Beside which field a refusal is told, where the form has it."""


@dataclass(frozen=True, slots=True)
class Form:
    """What was typed into a form.

    Attributes:
        texts: by the names of the fields, without white space around all but secrets.
        files: that were sent along.
    """

    texts: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, UploadFile] = field(default_factory=dict)

    def text(self, name: str) -> str:
        """What was typed there, empty for nothing."""
        return self.texts.get(name, "")

    def needed(self, name: str) -> str:
        """What was typed there. Refuses `bad_value` for nothing."""
        if not (text := self.text(name)):
            raise wrong(name, "The field is empty.", expected="a text", came="nothing")
        return text

    def whole(
        self,
        name: str,
        otherwise: int | None = None,
        *,
        signed: bool = False,
        most: int = HIGHEST,
    ) -> int:
        """A whole number; spaces between its thousands are fine. Refuses `bad_value`.

        Args:
            otherwise: what nothing stands for.
            signed: whether it may have a minus before it.
            most: the highest that is taken.
        """
        text = "".join(self.text(name).split())
        if not text and otherwise is not None:
            return otherwise
        digits = text.removeprefix("-") if signed else text
        if not (digits.isascii() and digits.isdecimal() and int(digits) <= most):
            expected = f"a whole number up to {most:,}, digits only"
            raise wrong(name, "That is no number.", expected=expected, came=self.text(name))
        return int(text)

    def day(self, name: str) -> date:
        """A day. Refuses `bad_value`."""
        try:
            return date.fromisoformat(self.text(name))
        except ValueError:
            expected = "YYYY-MM-DD"
            raise wrong(name, "That is no day.", expected=expected, came=self.text(name)) from None

    def ticked(self, name: str) -> bool:
        """Whether the box was ticked."""
        return bool(self.text(name))

    def saved(self, name: str, folder: Path) -> Path:
        """The file that was sent, in a folder. Refuses `file_missing`."""
        sent = self.files.get(name)
        named = Path((sent and sent.filename) or "").name.lstrip(".")
        named = (
            "".join(sign for sign in named if sign.isprintable())
            .encode()[-120:]
            .decode("utf-8", "ignore")
        )
        if sent is None or not named:
            raise Refused(
                "file_missing",
                "No file was chosen.",
                where=name,
                expected="a file",
                remedy="Choose one.",
            )
        path = folder / named
        with path.open("xb") as file:
            while piece := sent.file.read(1024 * 1024):
                file.write(piece)
        return path

    def kept(self) -> dict[str, str]:
        """What is shown again where the form is refused."""
        return {name: text for name, text in self.texts.items() if name not in SECRETS}


@dataclass(frozen=True, slots=True)
class Done:
    """What a form has done.

    Attributes:
        word: the key of the text that tells it.
        values: for the places in that text.
        to: the path of the page that tells it; empty for the form's own.
        kind: how it is told: `normal`, `abnormal` or `danger`.
        once: the page that answers at once and never again, where what it shows is kept nowhere;
            nothing else is told then.
    """

    word: str
    values: Mapping[str, Any] = field(default_factory=dict)
    to: str = ""
    kind: str = "normal"
    once: Response | None = None


def wrong(name: str, message: str, *, expected: str, came: str) -> Refused:
    """The refusal of what was typed into a field."""
    remedy = "Correct the field."
    return Refused("bad_value", message, where=name, expected=expected, came=came, remedy=remedy)


async def read_entrance(request: Request) -> Form:
    """The form of somebody who has not said who they are: small, and without files. Refuses as
    other forms do, and `too_large`."""
    request.state.body.most = LARGEST_ENTRANCE
    return await _read(request, (_TYPED,))


async def _read(request: Request, kinds: tuple[str, ...]) -> Form:
    """The form that was sent. Refuses `usage` for anything else."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in kinds:
        raise WrongUsage(
            "usage",
            "That is not what a form of a page sends.",
            where="the header Content-Type",
            expected=_TYPED,
            came=kind or "none",
            remedy="Programs use the routes of /openapi.json.",
        )
    fields, longest = MOST_FIELDS, LONGEST_FIELD
    if kind == _WITH_FILES:
        request.state.body.most = LARGEST_FILE
        fields, longest = FIELDS_BESIDE_FILES, LONGEST_BESIDE_FILES
    sent = await request.form(max_files=MOST_FILES, max_fields=fields, max_part_size=longest)
    typed: dict[str, list[str]] = {}
    files: dict[str, UploadFile] = {}
    for name, value in sent.multi_items():
        if isinstance(value, UploadFile):
            files[name] = value
        else:
            typed.setdefault(name, []).append(value if name in SECRETS else value.strip())
    # of a field that is there several times, all lines
    texts = {name: "\n".join(filter(None, lines)) for name, lines in typed.items()}
    return Form(texts, files)


async def _sent(request: Request, record: InHand) -> Form:
    del record  # asked for first, so that nothing is read for somebody who may not come in
    return await _read(request, (_TYPED, _WITH_FILES))


Sent = Annotated[Form, Depends(_sent)]
"""The form that a person sent."""


def act(
    router: APIRouter,
    path: str,
    step: str,
    *,
    of: str,
    beside: Mapping[str, str] | None = None,
) -> Callable[[Callable[..., Done | Response]], Callable[..., Response]]:
    """Declare what a form does: one step, and then the page that tells it (303), or the page with
    the form again and the refusal beside the field. A form that fetches a file gives the file, as
    often as it is sent.

    The function takes `record` first, which signs with what the form gave, and `form`.

    Args:
        path: where the form is sent.
        step: noun and verb of the step that it calls.
        of: the template of the page on which the form stands.
        beside: beside which field a refusal of a word is told.
    """
    fields = {**FIELDS_OF_WORDS, **(beside or {})}

    def declare(function: Callable[..., Done | Response]) -> Callable[..., Response]:
        page = PAGES[of]

        @functools.wraps(function)
        def acted(record: Record, form: Form, request: Request, **named: Any) -> Response:
            served: Served = request.app.state.served
            visit = served.visitors.visit(request)
            try:
                with served.visitors.sent(visit, form.text("key"), request.url.path) as sent:
                    if not sent.to:
                        done = function(record=in_hands(record, form), form=form, **named)
                        if isinstance(done, Response):
                            return done
                        sent.to = done.to or _filled(page.path, request)
                        if done.once:
                            return done.once
                        served.visitors.tell(visit, done.word, done.kind, **done.values)
                return RedirectResponse(sent.to, 303)
            except SerialKeeperError as error:
                if status_of(error) == 401 and error.word != "sign_in_refused":
                    raise
                beside = _beside(error, fields, form)
                tried = Tried(function.__name__, form.kept(), error, beside)
                return _again(request, page, record, named, tried)

        signature = inspect.signature(function)
        asked = inspect.Parameter("request", inspect.Parameter.KEYWORD_ONLY, annotation=Request)
        parameters = [*signature.parameters.values(), asked]
        acted.__signature__ = signature.replace(  # type: ignore[attr-defined]
            parameters=parameters, return_annotation=Response
        )
        extra = {"x-step": step}
        router.post(path, include_in_schema=False, response_model=None, openapi_extra=extra)(acted)
        if path != page.path:
            router.get(path, include_in_schema=False, response_model=None)(_back_to(page))
        return acted

    return declare


def in_hands(record: Record, form: Form) -> Record:
    """The record as the form's sender signs in it, with the second person who confirmed.

    Refuses what `Record.seconded_by` does.
    """
    if record.session:
        record.session.ask = lambda: form.text("secret")
    second = form.text("second")
    if not second or record.practice:
        return record
    pin = form.text("second_pin")
    try:
        return record.seconded_by(second, form.text("second_secret"), pin=lambda: pin)
    except SerialKeeperError as error:
        error.where = "second_secret"
        raise


def _beside(error: SerialKeeperError, fields: Mapping[str, str], form: Form) -> str:
    """The field that a refusal is about, or empty."""
    named = error.where.lstrip("-").replace("-", "_").lower()
    wanted = named if named in form.texts or named in form.files else fields.get(error.word, "")
    return wanted if wanted in form.texts or wanted in form.files else ""


def _again(
    request: Request, page: Page, record: Record, named: Mapping[str, Any], tried: Tried
) -> Response:
    """The form's page once more, with the refusal."""
    takes = inspect.signature(page.function).parameters
    known = {name: value for name, value in named.items() if name in takes}
    it = page.function(record, **known)
    status = status_of(tried.refusal)
    status = 403 if status == 401 else status  # a browser would ask for a token
    return render(request, page.template, status, it=it, tried=tried)


def _filled(path: str, request: Request) -> str:
    """The path of a page, for what the request names."""
    pieces = request.path_params.items()
    return path.format_map({name: quote(str(piece), safe="%") for name, piece in pieces})


def _back_to(page: Page) -> Callable[..., Response]:
    """Whoever looks where a form is sent is led to its page."""

    def back(request: Request) -> Response:
        return RedirectResponse(_filled(page.path, request), 303)

    return back
