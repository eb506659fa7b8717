"""People, stations and locations by forms. What could let somebody else in asks for everything
anew: a session, whose station may be left alone, is not enough."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.rules.tokens import SCOPES
from serialkeeper.store.record import Record
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Form, Sent, act, wrong
from serialkeeper.web.answers import private_folder
from serialkeeper.web.asking import InHand
from serialkeeper.web.entering import in_hands_of
from serialkeeper.web.pages import render

router = APIRouter(include_in_schema=False)

PEOPLE, RULES, ALARMS, TOKENS = looking.PEOPLE_PAGES
STATIONS, LOCATIONS = looking.PLACE_PAGES

BESIDE = {
    **{"sign_in_refused": "password", "person_exists": "person", "person_unknown": "person"},
    **{"password_weak": "new", "badge_taken": "badge", "last_administrator": "person"},
}


def _anew(request: Request) -> Callable[[Record, Form], Record]:
    def signed(record: Record, form: Form) -> Record:
        if record.practice:
            return record
        own = Form({**form.texts, "name": record.person})
        return in_hands_of(request.app.state.served, request, own, record.station)

    return signed


Anew = Annotated[Callable[[Record, Form], Record], Depends(_anew)]
"""Puts the record anew into the hands of whoever is signed in, by what the form gave."""


def _twice(form: Form) -> str:
    """A new password, typed twice. Refuses `bad_value`."""
    if form.text("new") != form.text("again"):
        raise wrong("again", "The two are not the same.", expected="the same twice", came="two")
    return form.text("new")


@act(router, "/people/add", "person add", of=PEOPLE, beside=BESIDE)
def add_person(record: InHand, form: Sent, anew: Anew) -> Done:
    """Add a person; in a live record with a first password."""
    new = _twice(form)
    name, role = form.needed("person"), form.text("role")
    made = nouns.person.add(anew(record, form), name, role=role, password=new)
    return Done("told.person", {"name": made["name"]})


@act(router, "/people/role", "person role", of=PEOPLE, beside=BESIDE)
def change_role(record: InHand, form: Sent, anew: Anew) -> Done:
    """Give a person another role."""
    name, reason = form.needed("person"), form.text("reason")
    made = nouns.person.role(anew(record, form), name, form.text("role"), reason=reason)
    return Done("told.role", {"name": made["name"], "before": made["before"]})


@act(router, "/people/password", "person password", of=PEOPLE, beside=BESIDE)
def give_password(record: InHand, form: Sent, anew: Anew) -> Done:
    """Give somebody who forgot theirs a first password."""
    name, new = form.needed("person"), _twice(form)
    nouns.person.password(anew(record, form), new, name=name, reason=form.text("reason"))
    return Done("told.password_given", {"name": name})


@act(router, "/people/badge", "person badge", of=PEOPLE, beside=BESIDE)
def give_badge(record: InHand, form: Sent, anew: Anew) -> Done:
    """Give a person a badge."""
    name, badge = form.needed("person"), form.needed("badge")
    nouns.person.badge(anew(record, form), name, badge, reason=form.text("reason"))
    return Done("told.badge", {"name": name})


@act(router, "/people/retire", "person retire", of=PEOPLE, beside=BESIDE)
def retire_person(record: InHand, form: Sent) -> Done:
    """End a person's work on the record."""
    name = form.needed("person")
    nouns.person.retire(record, name, reason=form.text("reason"))
    return Done("told.retired", {"name": name})


@act(router, "/people/rules", "person rules", of=RULES, beside=BESIDE)
def set_rules(record: InHand, form: Sent, anew: Anew) -> Done:
    """Set the rules for passwords and sessions."""
    nouns.person.rules(
        anew(record, form),
        shortest=form.whole("shortest"),
        failures=form.whole("failures"),
        idle=form.whole("idle"),
        reason=form.text("reason"),
    )
    return Done("told.rules")


@act(router, "/people/alarms", "person unlock", of=ALARMS, beside=BESIDE)
def unlock(record: InHand, form: Sent, anew: Anew) -> Done:
    """Clear a person's alarms about wrong passwords."""
    name, reason = form.text("person"), form.text("reason")
    made = nouns.person.unlock(anew(record, form), name, reason=reason)
    return Done("told.unlocked", {"count": len(made["cleared"])})


def _showing(request: Request) -> Callable[[Record, dict[str, Any]], Response]:
    def show(record: Record, given: dict[str, Any]) -> Response:
        return render(request, TOKENS, it=nouns.person.tokens(record), given=given)

    return show


Showing = Annotated[Callable[[Record, dict[str, Any]], Response], Depends(_showing)]
"""The page of the tokens, with the text of a new one."""


@act(
    router,
    "/tokens/give",
    "person token",
    of=TOKENS,
    beside={"reason_needed": "purpose", "sign_in_refused": "password"},
)
def give_token(record: InHand, form: Sent, anew: Anew, showing: Showing) -> Done:
    """Make a token; its text is on this one page, and nowhere else."""
    may = [name for name in SCOPES if form.ticked(f"scope_{name}")]
    until = form.day("until") if form.text("until") else None
    with private_folder() as folder:
        file = folder / "token"
        own = anew(record, form)
        made = nouns.person.token(own, purpose=form.text("purpose"), may=may, out=file, until=until)
        text = file.read_text("utf-8").strip()
    return Done("told.token", {}, once=showing(record, {**made, "text": text}))


@act(router, "/tokens", "person revoke", of=TOKENS)
def revoke_token(record: InHand, form: Sent) -> Done:
    """End a token: one's own, or as administrator anybody's."""
    made = nouns.person.revoke(record, form.whole("token"), reason=form.text("reason"))
    return Done("told.revoked", {"token": made["token"]})


@act(
    router,
    "/stations",
    "station add",
    of=STATIONS,
    beside={"station_exists": "name", "bad_value": "name", "location_unknown": "location"},
)
def add_station(record: InHand, form: Sent) -> Done:
    """Name a station of the record."""
    made = nouns.station.add(record, form.needed("name"), location=form.text("location"))
    return Done("told.station", {"name": made["station"]})


@act(
    router,
    "/locations/add",
    "location add",
    of=LOCATIONS,
    beside={"location_exists": "gln", "bad_key": "gln", "location_unknown": "part_of"},
)
def add_location(record: InHand, form: Sent) -> Done:
    """Add a site, or a part of one."""
    made = nouns.location.add(
        record,
        form.needed("gln"),
        prefix_length=form.whole("prefix_length"),
        name=form.needed("name"),
        zone=form.needed("zone"),
        extension=form.text("extension"),
        part_of=form.text("part_of"),
    )
    return Done("told.location", {"name": made["name"]})
