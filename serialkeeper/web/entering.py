"""Coming in and going out: signing in and out, a new password, the first page, files of pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from serialkeeper import nouns
from serialkeeper.errors import Refused, SerialKeeperError
from serialkeeper.store.opening import signed_in
from serialkeeper.store.record import Record
from serialkeeper.web.acting import Form, read_entrance, wrong
from serialkeeper.web.asking import Served
from serialkeeper.web.pages import (
    PAGE_PARAMETERS,
    PLACES,
    Tried,
    is_here,
    keep_language,
    render,
    static,
)
from serialkeeper.web.problems import status_of
from serialkeeper.web.visits import YEAR, Entered

router = APIRouter(include_in_schema=False)

START = dict(PLACES)["find"]
"""Where somebody is led who asked for no page."""

PAGE_PARAMETERS["/sign-in"] = ("back",)

OWN = ("password", "pin")
"""Forms in which somebody changes what signs them in."""

Back = Annotated[str, Query(max_length=2000)]
Sent = Annotated[Form, Depends(read_entrance)]


@router.get("/")
def start(request: Request) -> Response:
    """The first page."""
    answer = RedirectResponse(START, 303)
    keep_language(request, answer)
    return answer


@router.get("/static/{name}")
def file(name: str) -> Response:
    """A file that pages need."""
    if (found := static(name)) is None:
        raise HTTPException(404)
    return found


@router.get("/sign-in")
def sign_in_page(request: Request, back: Back = "") -> Response:
    """Who are you?"""
    served: Served = request.app.state.served
    if served.record.practice:
        return RedirectResponse(START, 303)
    return _entrance(request, "sign_in.html", back=back)


@router.post("/sign-in")
def sign_in(request: Request, form: Sent) -> Response:
    """Begin a session; afterwards the page from which one came."""
    back = form.text("back")

    def enter(served: Served) -> Response:
        station = _station(served, form)
        record = in_hands_of(served, request, form, station)
        session = served.visitors.visit(request).session
        kept = (session.id, session.key) if session else None
        made = nouns.person.enter(record, typed=form.text("password"), instead_of=kept)
        served.idle = made["idle"]
        if made["badge"]:
            served.visitors.keep_badge(made["session"], made["badge"])
        entered = Entered(made["session"], made["key"], station)
        answer = RedirectResponse(back if is_here(back) else START, 303)
        told = f"{entered.id}.{entered.key}.{entered.station}"
        served.visitors.keep(answer, "session", told)
        served.visitors.keep(answer, "station", station, seconds=YEAR)
        return answer

    return _once(request, form, "sign_in.html", "sign_in_name", enter)


@router.post("/sign-out")
def sign_out(request: Request, form: Sent) -> Response:
    """End the session."""
    served: Served = request.app.state.served
    visit = served.visitors.visit(request)
    answer = RedirectResponse("/sign-in", 303)
    if visit.session and not served.record.practice:
        with served.visitors.sent(visit, form.text("key"), "/sign-out"):
            there = replace(served.record, station=visit.session.station)
            try:
                nouns.person.leave(there, visit.session.id, visit.session.key)
            except Refused as error:
                if error.word != "session_over":
                    raise
            served.visitors.drop_badge(visit.session.id)
    served.visitors.drop(answer, "session")
    return answer


@router.get("/password")
def password_page(request: Request) -> Response:
    """A new password for oneself."""
    return _entrance(request, "password.html")


@router.post("/password")
def password(request: Request, form: Sent) -> Response:
    """Change one's own password: signing in anew, whether there is a session or not, ends all of
    one's sessions."""

    def change(served: Served) -> Response:
        new = form.needed("new")
        if new != form.text("again"):
            raise wrong(
                "again", "The two are not the same.", expected="the new password twice", came="two"
            )
        record = in_hands_of(served, request, form, _station(served, form))
        nouns.person.password(record, new)
        served.visitors.tell(served.visitors.visit(request), "told.password", name=record.person)
        answer = RedirectResponse("/sign-in", 303)
        served.visitors.drop(answer, "session")
        return answer

    return _once(request, form, "password.html", "password", change)


@router.get("/pin")
def pin_page(request: Request) -> Response:
    """A PIN for one's badge."""
    return _entrance(request, "pin.html")


@router.post("/pin")
def pin(request: Request, form: Sent) -> Response:
    """Choose a PIN for one's own badge, by name and password; it ends all of one's sessions."""

    def choose(served: Served) -> Response:
        badge, new = form.needed("badge"), form.needed("new")
        if new != form.text("again"):
            raise wrong("again", "The two are not the same.", expected="the PIN twice", came="two")
        record = in_hands_of(served, request, form, _station(served, form))
        try:
            nouns.person.pin(record, badge, new)
        except Refused as error:
            error.where = {"badge_unknown": "badge", "password_weak": "new"}.get(error.word, "")
            raise
        served.visitors.tell(served.visitors.visit(request), "told.pin", name=record.person)
        answer = RedirectResponse("/sign-in", 303)
        served.visitors.drop(answer, "session")
        return answer

    return _once(request, form, "pin.html", "pin", choose)


def _once(
    request: Request, form: Form, template: str, name: str, do: Callable[[Served], Response]
) -> Response:
    """Do it if the form is one of ours and its sender's address may still try; else the form
    again, with the refusal."""
    served: Served = request.app.state.served
    visit = served.visitors.visit(request)
    try:
        with served.visitors.sent(visit, form.text("key"), name) as sent:
            if sent.to:
                return RedirectResponse(sent.to, 303)
            answer = do(served)
            if name in OWN:  # who signs in twice at once needs the second one's cookie
                sent.to = answer.headers["location"]
            return answer
    except SerialKeeperError as error:
        if error.word == "password_temporary":
            query = urlencode({"name": form.text("name")})
            return RedirectResponse(f"/password?{query}", 303)
        field = error.where if error.where in form.texts else ""
        own = name if form.text("name") or name in OWN else "sign_in_badge"
        tried = Tried(own, form.kept(), error, field or "password")
        status = status_of(error)
        again = 403 if status == 401 else status  # a browser would ask for a token
        return _entrance(request, template, status=again, tried=tried, back=form.text("back"))


PAGE_PARAMETERS["/password"] = PAGE_PARAMETERS["/pin"] = ("name",)


def _entrance(request: Request, template: str, status: int = 200, **more: object) -> Response:
    """A page for somebody who is not in yet."""
    served: Served = request.app.state.served
    with served.record.read() as view:
        stations = [one.name for one in view.stations()]
    visit = served.visitors.visit(request)
    here = served.record.station
    shown = {"back": "", "name": request.query_params.get("name", ""), **more}
    chosen = visit.station if visit.station in stations else here
    return render(request, template, status, stations=stations, station=chosen, **shown)


def _station(served: Served, form: Form) -> str:
    """Where somebody is: one of the record's stations, or where it names none, the server's own.

    Refuses `station_unknown`.
    """
    with served.record.read() as view:
        stations = [one.name for one in view.stations()]
    asked = form.text("station") or served.record.station
    if stations and asked not in stations:
        raise Refused(
            "station_unknown",
            "The record does not know that station.",
            where="station",
            expected=", ".join(stations[:20]),
            came=asked,
            remedy="Choose one of them.",
        )
    return asked if stations else served.record.station


def in_hands_of(served: Served, request: Request, form: Form, station: str) -> Record:
    """The record in the hands of whoever's name and password these are, or badge and PIN.

    Refuses `too_many_tries`, `bad_value`, and what `store.opening.signed_in` does.
    """
    given, pin = form.needed("password"), form.text("pin")
    if not form.text("name") and not pin:  # the same for every text, so that no badge is told
        raise wrong(
            "pin", "A badge goes with its PIN.", expected="a PIN, or a name", came="neither"
        )
    address = served.visitors.visit(request).address
    served.visitors.check_address(address)
    there = replace(served.record, station=station)
    try:
        return signed_in(there, person=form.text("name"), password=lambda: given, pin=lambda: pin)
    except Refused as error:
        if error.word == "sign_in_refused":
            served.visitors.tried_wrong(address)
        raise
