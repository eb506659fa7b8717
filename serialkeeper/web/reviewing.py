"""Review: what of the lots a second pair of eyes has to see, label by label, and signing it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.rules.surroundings import WORDS
from serialkeeper.steps import reviewing
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Sent, act, wrong
from serialkeeper.web.answers import shows
from serialkeeper.web.asking import HIGHEST, InHand, Lot, Number, Opened
from serialkeeper.web.pages import PAGE_PARAMETERS, lot_path, words_of

router = APIRouter(include_in_schema=False)

LOTS_SHOWN = 25
"""Lots of one page of the overview; what is due on each is counted."""

MOST_SIGNED = looking.GROUPS_SHOWN
"""Groups that are signed by one form: as many as a page of the list shows."""

SIGN_PAGE = "sign_groups.html"

After = Annotated[int, Query(ge=0, le=HIGHEST)]
Groups = Annotated[list[str], Query(max_length=MOST_SIGNED)]


@shows(router, "/review", "reviews.html", takes=("after",))
def overview(record: Opened, after: After = 0) -> dict[str, Any]:
    """The lots, those that are not closed first, and how much of each is to be reviewed."""
    return reviewing.due(record, after=after, most=LOTS_SHOWN)


PAGE_PARAMETERS["/lots/{gtin}/{lot}/review"] = ("chosen",)


@shows(router, "/lots/{gtin}/{lot}/sign", SIGN_PAGE, takes=("group",))
def groups(record: Opened, name: Lot, group: Groups = []) -> dict[str, Any]:  # noqa: B006
    """Groups that somebody chose from the list, with everything that has to be looked at before
    they are signed."""
    return reviewing.look(record, name, group)


@act(router, "/lots/{gtin}/{lot}/sign", "review sign", of=SIGN_PAGE)
def sign(record: InHand, form: Sent, name: Lot, group: Groups = []) -> Done:  # noqa: B006
    """Sign the groups that the page showed, as it showed them: their references are of all that is
    in them, so what changed meanwhile is refused."""
    lines = form.text("opened").split()
    if not all(one.isascii() and one.isdecimal() and len(one) < 12 for one in lines):
        raise wrong("opened", "That is no position.", expected="positions", came="others")
    made = nouns.review.sign(
        record, name, group, opened=[int(one) for one in lines], note=form.text("note")
    )
    told = {"count": len(made["signed"]), "left": made["left"]}
    return Done("told.reviewed", told, f"{lot_path(name)}/review")


@shows(router, "/lots/{gtin}/{lot}/labels/{position}/readings", "readings.html")
def readings(record: Opened, name: Lot, position: Number) -> dict[str, Any]:
    """What came of a label in the results files, line by line."""
    return reviewing.readings(record, name, position)


@router.get("/lots/{gtin}/{lot}/labels/{position}/surroundings")
def surroundings(record: Opened, name: Lot, position: Number, request: Request) -> Response:
    """The picture of a label among its neighbours on the web, in the words of whoever looks."""
    visit = request.app.state.served.visitors.visit(request)
    t = words_of(request, visit)
    words = {key: t.texts[f"surroundings.{key}"] for key in WORDS}
    return Response(reviewing.picture(record, name, position, words), media_type="image/svg+xml")
