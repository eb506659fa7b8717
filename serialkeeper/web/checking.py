"""The check of the whole record, and the report of a lot: long, so they go on beside the pages."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.errors import Refused
from serialkeeper.rules.chain import written
from serialkeeper.rules.pages import PAPERS
from serialkeeper.rules.rights import may_end
from serialkeeper.steps import lot_reports
from serialkeeper.store.record import Record
from serialkeeper.web import looking
from serialkeeper.web.acting import Done, Sent, act, wrong
from serialkeeper.web.answers import file_answer, shows
from serialkeeper.web.asking import InHand, Lot, Number, Opened, Watched
from serialkeeper.web.background import Background, Task
from serialkeeper.web.pages import PAGE_PARAMETERS, lot_path

router = APIRouter(include_in_schema=False)

CHECK, REPORT = "check.html", "report.html"

FORMS = {"pdf": "application/pdf", "html": "text/html"}

ALONE = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
"""The policy of a report that is shown: a file that carries its look with it, runs nothing, loads
nothing, and is of no origin."""


async def _background(request: Request) -> Background:
    found: Background = request.app.state.background
    return found


Beside = Annotated[Background, Depends(_background)]
"""What goes on in this server beside its pages."""


@shows(router, "/record/check", CHECK)
def checks(record: Opened, beside: Beside) -> dict[str, Any]:
    """The last check, how far one is that goes on, and whether whoever looks may stop it."""
    there = beside.of("check")
    if not there:
        return {"check": None, "stops": False}
    return {"check": there[0].describe(), "stops": _may_stop(record, there[0])}


@router.get("/record/check/progress")
def progress(record: Watched, beside: Beside) -> dict[str, Any]:
    """How far the check is."""
    del record
    return far(beside.of("check"))


def far(tasks: list[Task]) -> dict[str, Any]:
    """How far the newest of some tasks is."""
    if not tasks:
        return {"state": "none", "done": 0, "of": 0}
    return {"state": tasks[0].state, "done": tasks[0].done, "of": tasks[0].of}


@act(router, "/record/check", "record verify", of=CHECK)
def check(record: InHand, form: Sent, beside: Beside) -> Done:
    """Begin a check; the page goes on while it runs. Who began it may stop it, and administrators.

    Refuses `role_not_allowed`, `record_busy`.
    """
    if form.text("stop"):
        _stop(record, beside)
        return Done("told.check_stops")

    def verify(task: Task) -> Any:
        with looking.one_check():
            return nouns.record.verify(record, seen=task.seen)

    began = written(record.now())
    beside.start("check", record.person, verify, began=began)
    return Done("told.checking")


def _may_stop(record: Record, task: Task) -> bool:
    return may_end(task.person, person=record.person, role=record.role)


def _stop(record: Record, beside: Background) -> None:
    for one in beside.of("check"):
        if one.state == "running" and not _may_stop(record, one):
            raise Refused(
                "role_not_allowed",
                "The check is somebody else's.",
                expected=f"{one.person}, or an administrator",
                came=f"{record.role}, {record.person}",
                remedy="Let it go on to its end, or ask them.",
            )
        one.stop.set()


@shows(router, "/lots/{gtin}/{lot}/report", REPORT)
def reports(record: Opened, name: Lot, beside: Beside) -> dict[str, Any]:
    """The lot's reports: those that were made, and those of this server that can be fetched."""
    tasks = beside.of("report", name)
    own = [one.describe() for one in tasks if one.person == record.person]
    return {**lot_reports.made(record, name), "own": own, "papers": list(PAPERS)}


@router.get("/lots/{gtin}/{lot}/report/progress")
def report_progress(record: Watched, name: Lot, beside: Beside) -> dict[str, Any]:
    """How far the report is."""
    tasks = beside.of("report", name)
    return far([one for one in tasks if one.person == record.person])


@act(router, "/lots/{gtin}/{lot}/report/make", "lot report", of=REPORT)
def make_report(record: InHand, form: Sent, name: Lot, beside: Beside) -> Done:
    """Begin a report."""
    suffix, paper = form.text("form") or "pdf", form.text("paper") or "A4"
    if suffix not in FORMS:
        raise wrong("form", "There is no such form.", expected="pdf, html", came=suffix)
    record.check_may("lot reported")
    alone = replace(record, wrote=set())
    lot = lot_reports.made(record, name)["lot"]

    def report(task: Task) -> Any:
        return _report(alone, task, name, f"report-{plain(lot)}.{suffix}", paper, beside)

    began = written(record.now())
    beside.start("report", record.person, report, about=name, began=began)
    return Done("told.reporting", {"lot": lot}, f"{lot_path(name)}/report")


def _report(
    record: Record, task: Task, name: str, file: str, paper: str, beside: Background
) -> dict[str, Any]:
    made = nouns.lot.report(record, name, out=task.files / file, paper=paper)
    beside.protect(record)
    return {**made, "file": file}


def plain(lot: str) -> str:
    """A lot number as a part of a file's name."""
    return "".join(sign if sign.isalnum() or sign in "-_" else "_" for sign in lot)


PAGE_PARAMETERS["/lots/{gtin}/{lot}/report/{number}"] = ("look",)


@router.get("/lots/{gtin}/{lot}/report/{number}")
def fetch(
    record: Opened,
    name: Lot,
    number: Number,
    beside: Beside,
    look: Annotated[bool, Query()] = False,
) -> Response:
    """A report, for whoever had it made: to be kept, or an HTML one to be looked at."""
    for task in beside.of("report", name):
        mine = task.number == number and task.person == record.person
        if mine and task.state == "finished":
            path, form = task.files / task.result["file"], task.result["form"]
            answer = file_answer(path, FORMS[form])
            if look and form == "html":
                answer.headers["content-disposition"] = "inline"
                answer.headers["content-security-policy"] = ALONE
            return answer
    raise HTTPException(404)
