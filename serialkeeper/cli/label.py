"""`label`: single labels and decisions on them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, answer_rows, call
from serialkeeper.cli.lot import LotName, Second
from serialkeeper.errors import WrongUsage
from serialkeeper.rules.moves import DECOMMISSION_REASONS, VOID_REASONS, WORDS
from serialkeeper.steps import reports, settling

app = typer.Typer(no_args_is_help=True, help="Single labels and decisions on them.")
Which = Annotated[str, typer.Argument(help="Positions: 17 or 17,20,30-40.")]


@app.command()
def show(
    name: Annotated[
        str, typer.Argument(help="A lot, a GTIN, or the label's code scanned or bracketed.")
    ],
    position: Annotated[int | None, typer.Argument(help="Position in the lot.")] = None,
    serial: Annotated[str, typer.Option(help="The number, with a lot or a GTIN.")] = "",
) -> None:
    """Show a label and its whole life. Example: label show LOT24A 17."""
    result = reports.show_label(call.record(), name, position=position, serial=serial)
    answer(result, _life(result))


def _life(result: dict[str, Any]) -> Iterator[str]:
    yield (
        f"({'01'}){result['gtin']} (21){result['serial']}  lot {result['lot']}, "
        f"expiry {result['expiry']}, position {result['position']:,}: {result['state']}"
    )
    for step in result["life"]:
        words = [f"  {step['at']}  {step['verb']:18}"]
        if step["to"]:
            words.append(f"-> {step['to']:14}")
        words += [
            f"{name.replace('_', ' ')} {step[name]}"
            for name in ("job", "evidence", "in_line_grade", "read_at", "reason")
            if step.get(name)
        ]
        words.append(f"by {step['person']} at {step['station']}")
        yield " ".join(words)
    for found in result["findings"]:
        seen = f", seen {found['seen']}" if found["seen"] else ""
        yield f"  finding {found['finding']}: {found['detail']}{seen} ({found['state']})"


@app.command("list")
def list_(
    name: LotName,
    state: Annotated[str, typer.Option(help=f"doubtful, or one of: {', '.join(WORDS)}.")] = "",
) -> None:
    """List a lot's labels. Example: label list LOT24A --state doubtful."""
    if state not in ("", "doubtful", *WORDS):
        raise WrongUsage(
            "usage",
            "There is no such state.",
            where="--state",
            expected=f"doubtful, {', '.join(WORDS)}",
            came=state,
            remedy="Correct it.",
        )
    rows = reports.list_labels(call.record(), name, state=state)
    answer_rows(rows, _lines(rows))


def _lines(rows: Iterator[dict[str, Any]]) -> Iterator[str]:
    yield f"{'position':>9}  {'serial':20}  {'state':14}  finding"
    for row in rows:
        yield (
            f"{row['position']:>9}  {row['serial']:20}  {row['state']:14}  {row['finding'] or ''}"
        ).rstrip()


@app.command()
def accept(
    name: LotName,
    position: Annotated[int, typer.Argument(help="The label's position.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    second: Second = "",
    scan: Annotated[str, typer.Option(help="A fresh scan of the label.")] = "",
    instrument: Annotated[str, typer.Option(help="The verifier.")] = "",
    calibrated: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Its calibration date.")
    ] = None,
    grade: Annotated[str, typer.Option(help="Its result, such as 2.5/08/660.")] = "",
) -> None:
    """Accept a rejected label, as far as its finding allows."""
    result = settling.accept(
        call.record(),
        name,
        position,
        reason=reason,
        second=second,
        scan=scan,
        instrument=instrument,
        calibrated=date(calibrated.year, calibrated.month, calibrated.day) if calibrated else None,
        grade=grade,
    )
    answer(result, [f"Label {position:,} of lot {result['lot']} is {result['state']}: {reason}"])


@app.command()
def void(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help=f"One of: {', '.join(VOID_REASONS)}.")],
) -> None:
    """Void numbers that were never active. Example: label void LOT24A 17,20 --reason waste."""
    answer(result := settling.void(call.record(), name, which, reason=reason), [_left(result)])


@app.command()
def decommission(
    name: LotName,
    which: Which,
    reason: Annotated[str, typer.Option(help=f"One of: {', '.join(DECOMMISSION_REASONS)}.")],
    note: Annotated[
        str, typer.Option(help="Destruction record for 'destroyed'; text for 'other'.")
    ] = "",
) -> None:
    """Decommission units that were active."""
    result = settling.decommission(call.record(), name, which, reason=reason, note=note)
    answer(result, [_left(result)])


def _left(result: dict[str, Any]) -> str:
    count = result["labels"]
    return (
        f"{count:,} label{'' if count == 1 else 's'} of lot {result['lot']} {result['state']}: "
        f"{result['reason']}. Such a number is never used again."
    )
