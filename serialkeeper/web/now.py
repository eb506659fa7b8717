"""Now: the running lot for those at the machine, and the forms of what is due there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from serialkeeper import nouns
from serialkeeper.rules import runs
from serialkeeper.rules.doubts import SIGNS
from serialkeeper.rules.figures import OUTLINES
from serialkeeper.rules.rehearsal import FAULTS
from serialkeeper.steps import watching
from serialkeeper.steps.watching import Memory
from serialkeeper.web.acting import Done, Sent, act, wrong
from serialkeeper.web.answers import file_answer, private_folder, shows, unplaced
from serialkeeper.web.asking import HIGHEST, InHand, Lot, Opened, Served
from serialkeeper.web.pages import PAGE_PARAMETERS

router = APIRouter(include_in_schema=False)

PAGE = "now.html"
ASKED = ("station", "lot", "job", "row", "pitch", "do")

FORMS = (
    *("start", "clearance", "challenge", "stop", "clock", "end", "acknowledge", "take"),
    *("rehearse", "pitch"),
)
"""What `do` may ask for."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What of the line somebody looks at; it stands in the address.

    Attributes:
        station: which, empty for one's own.
        lot: GTIN/LOT, empty for the one that runs there.
        job, row: the print job whose web is shown, and from which row on labels are listed.
        pitch: millimetres from label to label, 0 where it is not known.
        do: the form that is open, or empty.
    """

    station: str = ""
    lot: str = ""
    job: int = 0
    row: int = 1
    pitch: float = 0.0
    do: str = ""

    def address(self, **changed: Any) -> str:
        """The page's path for what is looked at, without an open form."""
        told = {"station": self.station, "lot": self.lot, "job": self.job, "pitch": self.pitch}
        return f"/now?{urlencode({name: one for name, one in (told | changed).items() if one})}"


async def _sight(
    station: Annotated[str, Query(max_length=200)] = "",
    lot: Annotated[str, Query(max_length=80)] = "",
    job: Annotated[int, Query(ge=0, le=HIGHEST)] = 0,
    row: Annotated[int, Query(ge=1, le=HIGHEST)] = 1,
    pitch: Annotated[float, Query(ge=0, le=10_000)] = 0,
    do: Annotated[str, Query(max_length=20)] = "",
) -> Sight:
    return Sight(station, lot, job, row, pitch, do if do in FORMS else "")


Seen = Annotated[Sight, Depends(_sight)]


def _shape(name: str) -> str:
    """The corners of a sign's shape, as a drawing takes them; empty for a circle."""
    return " ".join(f"{x:g},{y:g}" for x, y in OUTLINES[name])


SHAPES: Mapping[str, tuple[str, str]] = {
    letter: (_shape(sign.shape), sign.tone) for letter, sign in SIGNS.items()
}


def shown(told: dict[str, Any], sight: Sight, own_station: str) -> dict[str, Any]:
    """What the page, and each of its pieces that follow the record, show."""
    return {
        **told,
        "here": sight.address(),
        "pitch": sight.pitch,
        "row": sight.row,
        "mine": told["station"] == own_station,
        "shapes": SHAPES,
    }


async def _memory(request: Request) -> Memory:
    served: Served = request.app.state.served
    return served.memory


@shows(router, "/now", PAGE, takes=ASKED)
def now(
    record: Opened, sight: Seen, memory: Annotated[Memory | None, Depends(_memory)] = None
) -> Any:
    """What runs at this station, or another one, or of a lot."""
    told = watching.look(
        record,
        station=sight.station,
        name=sight.lot,
        job=sight.job,
        row=sight.row,
        memory=memory,
    )
    here = record.now().astimezone()
    zone = f"{here:%Z} (UTC{here.isoformat()[-6:]})"
    own = {"do": sight.do, "faults": list(FAULTS), "zone": zone}
    return {**shown(told, sight, record.station), **own}


for form_name in FORMS:
    PAGE_PARAMETERS[f"/now/{form_name}"] = ASKED


def _done(sight: Sight, word: str, kind: str = "normal", **values: Any) -> Done:
    return Done(word, values, sight.address(), kind)


@act(router, "/now/start", "run start", of=PAGE)
def start(record: InHand, form: Sent, sight: Seen) -> Done:
    """Begin a run at this station."""
    made = nouns.run.start(record, form.needed("lot"))
    return _done(sight, "told.run_started", run=made["run"], lot=made["lot"])


@act(router, "/now/clearance", "run clearance", of=PAGE, beside={"clearance_incomplete": "note"})
def clearance(record: InHand, form: Sent, sight: Seen) -> Done:
    """Say that the line was inspected, point by point, with a second person."""
    when = form.text("when")
    points = [one for one in runs.CLEARANCE.get(when, ()) if form.ticked(f"point_{one}")]
    nouns.run.clearance(
        record,
        form.needed("lot"),
        when,
        checked=points,
        note=form.text("note"),
        second=form.text("second"),
    )
    return _done(sight, "told.cleared")


@act(router, "/now/challenge", "run challenge", of=PAGE, beside={"run_state": "when"})
def challenge(record: InHand, form: Sent, sight: Seen) -> Done:
    """Say how the reader did with bad labels."""
    made = nouns.run.challenge(
        record,
        form.needed("lot"),
        when=form.text("when"),
        shown=form.whole("shown"),
        caught=form.whole("caught"),
        note=form.text("note"),
    )
    if made["passed"]:
        return _done(sight, "told.reader_passed")
    return _done(sight, "told.reader_failed", "danger")


@act(router, "/now/stop", "run stop", of=PAGE)
def stop(record: InHand, form: Sent, sight: Seen) -> Done:
    """Say that the line stopped."""
    made = nouns.run.stop(record, form.needed("lot"), reason=form.text("reason"))
    return _done(sight, "told.stopped", stops=made["stops"])


def nearest(shown: time, now: datetime) -> datetime:
    """The moment nearest to now at which a clock of its zone shows that time: a clock is minutes
    wrong, not days, and may be past midnight already."""
    days = (now.date() + timedelta(days=one) for one in (-1, 0, 1))
    moments = (datetime.combine(day, shown.replace(tzinfo=now.tzinfo)) for day in days)
    return min(moments, key=lambda one: abs(one - now))


@act(router, "/now/clock", "run clock", of=PAGE)
def clock(record: InHand, form: Sent, sight: Seen) -> Done:
    """Compare a clock with this station's."""
    try:
        moment = nearest(time.fromisoformat(form.needed("shows")), record.now().astimezone())
    except ValueError:
        expected = "a time such as 09:30:00"
        raise wrong(
            "shows", "That is no time.", expected=expected, came=form.text("shows")
        ) from None
    made = nouns.run.clock(record, form.needed("lot"), of=form.text("of"), shows=moment)
    word = "told.clock_within" if made["within"] else "told.clock_apart"
    return _done(sight, word, seconds=f"{made['seconds']:+d}")


@act(router, "/now/end", "run end", of=PAGE)
def end(record: InHand, form: Sent, sight: Seen) -> Done:
    """End the run at this station."""
    made = nouns.run.end(record, form.needed("lot"))
    return _done(sight, "told.run_ended", run=made["run"])


@act(router, "/now/acknowledge", "alarm acknowledge", of=PAGE)
def acknowledge(record: InHand, form: Sent, sight: Seen) -> Done:
    """Say of open alarms what it was, and how the restart was checked."""
    ids = [one.removeprefix("alarm_") for one in form.texts if one.startswith("alarm_")]
    if not all(one.isascii() and one.isdecimal() and len(one) < 10 for one in ids) or not ids:
        came = ", ".join(ids) or "none"
        raise wrong("alarm", "No alarm is ticked.", expected="at least one", came=came)
    made = nouns.alarm.acknowledge(
        record,
        form.needed("lot"),
        [int(one) for one in ids],
        cause=form.text("cause"),
        restart_check=form.text("restart_check"),
    )
    return _done(sight, "told.acknowledged", count=len(made))


@act(router, "/now/take", "inspect take", of=PAGE, beside={"file_missing": "file"})
def take(record: InHand, form: Sent, sight: Seen) -> Done:
    """Take in a results file."""
    with private_folder() as folder:
        path = form.saved("file", folder)
        with unplaced(folder):
            made = nouns.inspect.take(
                record, form.needed("lot"), path, profile=form.text("profile")
            )
    word = "told.taken_before" if made["already_taken"] else "told.taken"
    return _done(sight, word, readings=made["readings"], findings=made["open_findings"])


PAGE_PARAMETERS["/lots/{gtin}/{lot}/rehearsal"] = ("seed", "faults", "file")


@router.get("/lots/{gtin}/{lot}/rehearsal")
def rehearsal(
    record: Opened,
    name: Lot,
    seed: Annotated[int, Query(ge=0, le=HIGHEST)] = 1,
    faults: Annotated[str, Query(max_length=1000)] = "",
    file: Annotated[str, Query(pattern="^(results|truth)$")] = "results",
) -> Response:
    """What a camera might have written of the lot, or the truth of it: the same seed plants the
    same faults. Practice records only; nothing is written into the record."""
    with private_folder() as folder:
        paths = {"results": folder / f"rehearsal-{seed}.csv", "truth": folder / f"truth-{seed}.csv"}
        nouns.inspect.rehearse(
            record,
            name,
            out=paths["results"],
            truth=paths["truth"],
            seed=seed,
            faults=faults.split(),
        )
        return file_answer(paths[file], "text/csv")
