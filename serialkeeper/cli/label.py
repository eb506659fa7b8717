"""`label`: single labels and decisions on them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import alone, answer, answer_rows, call, signature_lines, tally
from serialkeeper.cli.lot import LotName, Second
from serialkeeper.outside.files import read_words
from serialkeeper.rules.counts import many
from serialkeeper.rules.holds import sentence
from serialkeeper.rules.moves import DECOMMISSION_REASONS, VOID_REASONS, WORDS
from serialkeeper.steps import correcting, reports, rolls, settling

app = typer.Typer(help="Single labels and decisions on them.")
Which = Annotated[
    str, typer.Argument(metavar="POSITIONS", help="17 or 17,20,30-40, or @FILE with them.")
]
Count = Annotated[
    int | None,
    typer.Option(help="How many labels that are; needed for many, or without a finding."),
]


@app.command()
def show(
    name: Annotated[
        str, typer.Argument(help="A lot, a GTIN, or the label's code scanned or bracketed.")
    ],
    position: Annotated[
        int | None, typer.Argument(min=1, max=10**9, help="Position in the lot.")
    ] = None,
    serial: Annotated[str, typer.Option(help="The number, with a lot or a GTIN.")] = "",
) -> None:
    """Show a label and its whole life."""
    result = reports.show_label(call.record(), name, position=position, serial=serial)
    answer(result, _life(result))


def _life(result: dict[str, Any]) -> Iterator[str]:
    yield (
        f"(01){result['gtin']} (21){result['serial']}  lot {result['lot']}, "
        f"expiry {result['expiry']}, position {result['position']}: {result['state']}"
    )
    given = result["imported"]
    if given:
        until = f", to be printed until {given['usable_until']}" if given["usable_until"] else ""
        yield f"  number given by {given['issuer'] or 'others'}{until}"
    if given and given["extras"]:
        yield "  printed with it: " + " ".join(f"({ai}){value}" for ai, value in given["extras"])
    yield from (f"  {line}" for line in life_lines(result["life"]))
    if result["planted"]:
        yield f"  made bad on purpose, to prove the reader: {result['planted']}"
    for one in result["taken_off"]:
        yield (
            f"  taken off roll {one['roll']} {one['at']} by {one['by']}, beside position "
            f"{one['neighbour']}"
        )
    for link in ("replaced_by", "replaces"):
        if result[link]:
            yield f"  {link.replace('_', ' ')} position {result[link]}"
    for pack in result["packs"]:
        yield f"  in {pack['level']} {pack['key']} ({pack['state']})"
    for hold in result["on_hold"]:
        yield f"  held: {sentence(hold)}"
    yield from (f"  {line}" for line in finding_lines(result["findings"]))
    for one in result["reviewed"]:
        yield (
            f"  reviewed: {one['kind']}, {one['reason']}; {one['reviewer']}, {one['at']}"
            f" (entry {one['entry']})"
        )


def life_lines(life: list[dict[str, Any]]) -> Iterator[str]:
    """Every step of a label's life, with its signatures."""
    for step in life:
        words = [f"{step['at']}  {step['verb']:18}"]
        if step["to"]:
            words.append(f"-> {step['to']:14}")
        facts = [
            f"{name.replace('_', ' ')} {step[name]}"
            for name in ("job", "pack", "evidence", "in_line_grade", "read_at", "reason")
            if step.get(name)
        ]
        facts += [f"{name} {value}" for name, value in (step["evidence_given"] or {}).items()]
        second = f" with {step['second']}" if step["second"] else ""
        facts.append(f"by {step['person']}{second} at {step['station']}")
        yield " ".join(words) + " " + ", ".join(facts)
        yield from signature_lines(step["signatures"])


def finding_lines(findings: list[dict[str, Any]]) -> Iterator[str]:
    """What takes found wrong with a label."""
    for found in findings:
        seen = f", seen {found['seen']}" if found["seen"] else ""
        yield f"finding {found['finding']}: {found['detail']}{seen} ({found['state']})"


@app.command("list")
def list_(
    name: LotName,
    state: Annotated[str, typer.Option(help=f"doubtful, or one of: {', '.join(WORDS)}.")] = "",
) -> None:
    """List a lot's labels."""
    rows = reports.list_labels(call.record(), name, state=state)
    answer_rows(rows, _lines(rows))


def _lines(rows: Iterator[dict[str, Any]]) -> Iterator[str]:
    yield f"{'position':>9}  {'row':>7} lane  {'serial':20}  {'state':20}  {'finding':16}  detail"
    for row in rows:
        state = row["state"]
        if state == "rejected" and row["was_active"]:
            state = "rejected, was active"
        yield (
            f"{row['position']:>9}  {row['row'] or '-':>7} {row['lane'] or '-':>4}  "
            f"{row['serial']:20}  {state:20}  "
            f"{row['finding'] or '':16}  {row['detail'] or ''}"
        ).rstrip()


@app.command()
def accept(
    name: LotName,
    position: Annotated[int, typer.Argument(min=1, max=10**9, help="The label's position.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    second: Second = "",
    scan: Annotated[str, typer.Option(help="A fresh scan of the label.")] = "",
    instrument: Annotated[str, typer.Option(help="The verifier.")] = "",
    calibrated: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Its calibration date.")
    ] = None,
    grade: Annotated[str, typer.Option(help="Its result, such as 2.5/08/660.")] = "",
) -> None:
    """Accept a doubtful label, as far as its finding allows."""
    record = call.record(second=second)
    result = settling.accept(
        record,
        name,
        position,
        reason=reason,
        second=second,
        scan=scan,
        instrument=instrument,
        calibrated=date(calibrated.year, calibrated.month, calibrated.day) if calibrated else None,
        grade=grade,
    )
    mark = alone(record, second)
    answer(
        result, [f"Label {position} of lot {result['lot']} is {result['state']}: {reason}{mark}"]
    )


@app.command()
def void(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help=f"One of: {', '.join(VOID_REASONS)}.")],
    count: Count = None,
) -> None:
    """Void numbers that were never active."""
    result = settling.void(call.record(), name, positions(which), reason=reason, count=count)
    answer(result, [_left(result)])


@app.command()
def decommission(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help=f"One of: {', '.join(DECOMMISSION_REASONS)}.")],
    note: Annotated[
        str, typer.Option(help="Destruction record for 'destroyed'; text for 'other'.")
    ] = "",
    count: Count = None,
    take_out: Annotated[
        bool, typer.Option("--take-out", help="Take packed units out of their packs first.")
    ] = False,
) -> None:
    """Decommission units that were active."""
    result = settling.decommission(
        call.record(),
        name,
        positions(which),
        reason=reason,
        note=note,
        count=count,
        take_out=take_out,
    )
    answer(result, [_left(result)])


@app.command()
def correct(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help="How the mistake came about, and was found.")],
    second: Second = "",
    count: Annotated[
        int | None, typer.Option(min=1, help="How many units; needed for more than one.")
    ] = None,
) -> None:
    """Take a mistaken decommissioning back, within 10 days: the units never left."""
    record = call.record(second=second)
    result = correcting.correct(
        record, name, positions(which), reason=reason, second=second, count=count
    )
    back = tally(result["states"])
    answer(
        result,
        [
            f"Back in lot {result['lot']}: {_places(result)} ({back}): {reason}"
            f"{alone(record, second)}",
            "  Downstream the events that told their end are declared in error: events write.",
        ],
    )


@app.command()
def replace(
    name: LotName,
    bad: Annotated[int, typer.Argument(min=1, max=10**9, help="The label that was taken off.")],
    spare: Annotated[int, typer.Argument(min=1, max=10**9, help="The good one put in its place.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
) -> None:
    """Say that a good label was put where a bad one was taken off. Both keep their numbers."""
    result = rolls.replace(call.record(), name, bad, spare, reason=reason)
    answer(
        result,
        [f"Label {spare} of lot {result['lot']} stands in the place of {bad}: {reason}"],
    )


@app.command()
def settle(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help="What was done about it, in words.")],
) -> None:
    """Say what was done about voided labels that the camera saw all the same."""
    result = settling.settle(call.record(), name, positions(which), reason=reason)
    answer(result, [f"Settled at {_places(result)} of lot {result['lot']}: {reason}"])


def positions(which: str) -> str:
    """The positions as typed, or those in the file that `@FILE` names."""
    if not which.startswith("@"):
        return which
    return ",".join(read_words(Path(which[1:])))


def _places(result: dict[str, Any]) -> str:
    ranges = result["positions"]
    shown = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in ranges[:8])
    more = (
        f" and {many(len(ranges) - 8, 'more stretch', 'more stretches')}" if len(ranges) > 8 else ""
    )
    return f"position{'' if result['labels'] == 1 else 's'} {shown}{more}"


def _left(result: dict[str, Any]) -> str:
    labels = result["labels"]
    return (
        f"{many(labels, 'label')} of lot {result['lot']} {result['state']} "
        f"({result['reason']}): {_places(result)}. Such a number is never used again."
    )
