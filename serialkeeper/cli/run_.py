"""`run`: a stretch of work at this station on one lot."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.lot import LotName, Second
from serialkeeper.errors import WrongUsage
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.challenges import OCCASIONS
from serialkeeper.rules.runs import CLEARANCE, CLOCK_LIMIT, WRONG, line
from serialkeeper.steps import runs

app = typer.Typer(help="A stretch of work at this station on one lot: what was checked, and when.")
POINTS = "; ".join(f"{when}: {','.join(points)}" for when, points in CLEARANCE.items())
Note = Annotated[str, typer.Option(metavar="TEXT", help="What else there is to say.")]


@app.command()
def start(name: LotName) -> None:
    """Begin a run here; then clear the line."""
    result = runs.start(call.record(), name)
    lines = [f"Run {result['run']} of lot {result['lot']} at {result['station']} has begun."]
    lines.append("  Look at each of these, with a second person:")
    lines += [f"    {point:9} {text}" for point, text in result["clearance"].items()]
    lines.append(
        f"  Next: serialkeeper run clearance {result['lot']} before --checked "
        f"{','.join(result['clearance'])} --second NAME"
    )
    answer(result, lines)


@app.command()
def clearance(
    name: LotName,
    when: Annotated[str, typer.Argument(metavar="WHEN", help=" or ".join(CLEARANCE))],
    checked: Annotated[
        str, typer.Option(metavar="POINTS", help=f"Every point that was looked at: {POINTS}.")
    ],
    note: Note = "",
    second: Second = "",
) -> None:
    """Say that the line was inspected, point by point."""
    points = [one.strip() for one in checked.split(",") if one.strip()]
    record = call.record(second=second)
    result = runs.clearance(record, name, when, checked=points, note=note, second=second)
    lot = result["lot"]
    lines = [f"The line was cleared {when} the work, {result['events'][-1]['at']}."]
    if when == "before":
        lines.append("  Next: prove the reader, by a set and its file, or by what you saw:")
        lines.append(f"    serialkeeper challenge run {lot} ID FILE --when start")
        lines.append(f"    serialkeeper run challenge {lot} --when start --shown N --caught N")
    answer(result, [*lines, *(_next(result) if when == "after" else ())])


@app.command()
def challenge(
    name: LotName,
    when: Annotated[
        str,
        typer.Option(help="; ".join(f"{when}: {text}" for when, text in OCCASIONS.items()) + "."),
    ],
    shown: Annotated[int, typer.Option(metavar="N", help="Bad labels the reader was shown.")],
    caught: Annotated[int, typer.Option(metavar="N", help="How many of them it refused.")],
    note: Note = "",
) -> None:
    """Say how the reader did with bad labels.

    A challenge set (challenge make, challenge run) says it with evidence.
    """
    record = call.record()
    result = runs.challenge(record, name, when=when, shown=shown, caught=caught, note=note)
    lines = [*challenge_lines(result), *(_next(result) if when == "end" else ())]
    answer(result, [*lines, CAUTION])
    if not result["passed"]:
        raise typer.Exit(FINDINGS)


def challenge_lines(result: dict[str, Any]) -> Iterator[str]:
    """What came of a challenge of the reader, and what is held."""
    if result["passed"]:
        yield "The reader passed: every bad label was caught."
        if result["next_held"]:
            told = ", ".join(f"entry {one}" for one in result["next_held"])
            yield f"  It failed before ({told}). What was read between its last pass and this one"
            yield "  is held when its file is taken in; so is a file of this run that does not tell"
            yield "  when it was read, or whose clocks were not checked (run clock)."
        return
    yield "STOP, and tell the quality unit: THE READER MISSED A BAD LABEL."
    if result["hold"]:
        yield (
            f"  Hold {result['hold']} keeps back everything that was taken here since it last "
            f"passed: serialkeeper hold list {result['lot']}"
        )
    else:
        yield "  Nothing was taken here since it last passed. What comes now is held too."


@app.command()
def stop(
    name: LotName,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why the line stopped.")],
) -> None:
    """Say that the line stopped."""
    result = runs.stop(call.record(), name, reason=reason)
    lot = result["lot"]
    lines = [f"Stop {result['stops']} of run {result['run']}, {result['events'][-1]['at']}."]
    lines.append("  Prove the reader before the work goes on:")
    lines.append(f"  serialkeeper run challenge {lot} --when stop --shown N --caught N")
    answer(result, lines)


@app.command()
def clock(
    name: LotName,
    of: Annotated[str, typer.Option(metavar="TEXT", help="Which clock: the camera's, say.")],
    shows: Annotated[str, typer.Option(metavar="TIME", help="What it shows, with its zone.")],
) -> None:
    """Compare a clock with this station's."""
    try:
        moment = datetime.fromisoformat(shows)
    except ValueError:
        raise WrongUsage(
            "usage",
            "The time is not understood.",
            where="--shows",
            expected="a time such as 2026-06-01T09:30:00+02:00",
            came=shows,
            remedy="Correct it.",
        ) from None
    result = runs.clock(call.record(), name, of=of, shows=moment)
    lines = [f"{of}: {result['seconds']:+d} s against this station's clock."]
    if not result["within"]:
        lines.append(
            f"  More than {CLOCK_LIMIT} s apart. Set the clock right; times of readings are "
            "wrong by that much."
        )
    answer(result, lines)
    if not result["within"]:
        raise typer.Exit(FINDINGS)


@app.command()
def grade(
    name: LotName,
    grade: Annotated[str, typer.Option(metavar="GRADE", help="Such as 3.5/08/660.")],
    instrument: Annotated[str, typer.Option(metavar="TEXT", help="Which verifier.")],
    calibrated: Annotated[
        datetime, typer.Option(formats=["%Y-%m-%d"], help="When it was calibrated.")
    ],
    position: Annotated[
        int | None, typer.Option(metavar="P", min=1, help="The measured label.")
    ] = None,
) -> None:
    """Note what a verifier measured in this run."""
    result = runs.grade(
        call.record(),
        name,
        grade=grade,
        instrument=instrument,
        calibrated=calibrated.date(),
        position=position,
    )
    lines = [f"Noted in run {result['run']}: {result['events'][-1]['sentence']}"]
    if not result["good"]:
        lines.append("  Below the lot's minimum: look at the printer before the work goes on.")
    answer(result, lines)
    if not result["good"]:
        raise typer.Exit(FINDINGS)


@app.command()
def end(name: LotName) -> None:
    """End the run here, after its last challenge and clearance."""
    result = runs.end(call.record(), name)
    answer(result, [f"Run {result['run']} of lot {result['lot']} has ended.", CAUTION])


@app.command("list")
def list_(name: LotName) -> None:
    """List a lot's runs."""
    result = runs.all_runs(call.record(), name)
    lines = [line(one) for one in result["runs"]]
    answer(result, lines or [f"No run of lot {result['lot']} was begun."])


@app.command()
def show(
    name: LotName, number: Annotated[int, typer.Argument(metavar="N", min=1, help="The run.")]
) -> None:
    """Show everything that happened in a run."""
    result = runs.show(call.record(), name, number)
    lines = [line(result)]
    for one in result["events"]:
        lines.append(f"  {one['sentence']}" + (" !" if one["outcome"] in WRONG else ""))
        lines += [
            f"    {name['person']}, {name['role']}: {name['meaning']}" for name in one["signatures"]
        ]
    answer(result, [*lines, *_next(result)])


def _next(result: dict[str, Any]) -> Iterator[str]:
    if result["ended"]:
        return
    if result["missing"]:
        yield f"  Before it can end: {'; '.join(result['missing'])}."
    else:
        yield f"  Next: serialkeeper run end {result['lot']}"
