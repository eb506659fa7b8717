"""How a reader is proven, by forms: sets of labels that are bad on purpose, what a reader made of
them, and labels that are bad without its knowing."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.rules.challenges import KINDS
from serialkeeper.steps import challenges
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Sent, act
from serialkeeper.web.answers import file_answer, private_folder, unplaced
from serialkeeper.web.asking import InHand, Lot, Number, Opened
from serialkeeper.web.pages import lot_path

router = APIRouter(include_in_schema=False)


@act(router, "/lots/{gtin}/{lot}/challenge/make", "challenge make", of=looking.SETS_PAGE)
def make_set(record: InHand, form: Sent, name: Lot) -> Done:
    """Make a set; its file is had from its page, as often as it is needed."""
    kinds = [kind for kind in KINDS if form.ticked(f"kind_{kind}")]
    with private_folder() as folder:
        made = nouns.challenge.make(
            record, name, out=folder / "set.csv", kinds=kinds, each=form.whole("each")
        )
    to = f"{lot_path(name)}/challenges/{made['challenge']}"
    return Done("told.set_made", {"number": made["challenge"], "labels": made["labels"]}, to)


@act(router, "/lots/{gtin}/{lot}/challenge/plant", "challenge plant", of=looking.SETS_PAGE)
def plant(record: InHand, form: Sent, name: Lot) -> Done:
    """Make printed labels bad on purpose, picked by chance; their own codes stay on them."""
    made = nouns.challenge.plant(record, name, kind=form.text("kind"), count=form.whole("count"))
    return Done("told.planted", {"count": len(made["plants"])})


@router.get("/lots/{gtin}/{lot}/challenges/{number}/file")
def set_file(record: Opened, name: Lot, number: Number) -> Response:
    """The file of a set once more: the same bytes."""
    with private_folder() as folder:
        out = folder / f"set-{number}.csv"
        challenges.again(record, name, number, out=out)
        return file_answer(out, "text/csv")


@act(
    router,
    "/lots/{gtin}/{lot}/challenges/{number}/run",
    "challenge run",
    of=looking.SET_PAGE,
    beside={"file_missing": "file", "run_state": "when"},
)
def run_set(record: InHand, form: Sent, name: Lot, number: Number) -> Done:
    """Take in what the reader made of a set."""
    with private_folder() as folder:
        path = form.saved("file", folder)
        with unplaced(folder):
            made = nouns.challenge.run(
                record, name, number, path, when=form.text("when"), profile=form.text("profile")
            )
    word = "told.set_passed" if made["passed"] else "told.reader_failed"
    word = "told.set_unproven" if not made["passed"] and not made["missed"] else word
    return Done(word, kind="normal" if made["passed"] else "danger")
