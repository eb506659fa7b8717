"""`roll`: parent and finished rolls, what was noted on them, and their release."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import CAUTION, FINDINGS, alone, answer, call, tally
from serialkeeper.cli.lot import LotName, Second
from serialkeeper.rules import tickets
from serialkeeper.rules.rolls import FORWARD, MARKS
from serialkeeper.steps import rolls
from serialkeeper.steps import tickets as papers

app = typer.Typer(help="Parent and finished rolls, and their release.")
RollNumber = Annotated[
    int, typer.Argument(metavar="ROLL", min=1, max=10**6, help="The roll's number in its lot.")
]
Why = Annotated[str, typer.Option(help="Why, in words.")]
Wound = "forward: the first row comes off first; reversed: the last row does."


@app.command()
def add(
    name: LotName,
    job: Annotated[int, typer.Option(min=0, help="The print job; not needed with one.")] = 0,
    rows: Annotated[
        str, typer.Option(metavar="A-B", help="Its rows; without, the first that are on no roll.")
    ] = "",
    wound: Annotated[str, typer.Option(help=Wound)] = FORWARD,
) -> None:
    """Name rows of a print job as a roll, all lanes. Example: roll add LOT24A --rows 1-500."""
    result = rolls.add(call.record(), name, job=job, rows=rows, wound=wound)
    answer(result, [_line(result)])


@app.command()
def slit(
    name: LotName,
    roll: RollNumber,
    wound: Annotated[
        str, typer.Option(help=f"{Wound} Without, the other way than the parent.")
    ] = "",
) -> None:
    """Slit a parent roll into rolls of one lane each."""
    result = rolls.slit(call.record(), name, roll, wound=wound)
    answer(result, [f"Roll {roll} was slit:", *(_line(row) for row in result["rolls"])])


@app.command()
def turn(name: LotName, roll: RollNumber, reason: Why) -> None:
    """Say that a roll was rewound: its other end comes off first now."""
    result = rolls.turn(call.record(), name, roll, reason=reason)
    answer(result, [_line(result)])


@app.command()
def mark(
    name: LotName,
    roll: RollNumber,
    what: Annotated[str, typer.Argument(metavar="MARK", help=f"One of: {', '.join(MARKS)}.")],
    row: Annotated[int, typer.Option(min=1, help="The row of the job behind which it stands.")],
    reason: Why,
    labels: Annotated[int, typer.Option(min=0, help="How many blank labels.")] = 0,
) -> None:
    """Note a splice or blank labels. Example: roll mark LOT24A 1 splice --row 120 --reason TEXT."""
    result = rolls.mark(call.record(), name, roll, what, row=row, reason=reason, labels=labels)
    answer(result, [f"Noted: {what} behind row {row}.", _line(result)])


@app.command()
def count(
    name: LotName,
    roll: RollNumber,
    labels: Annotated[int, typer.Argument(metavar="N", min=0, help="What the counter says.")],
) -> None:
    """Enter the count at the rewinder. Exit code 5 if the record expects another."""
    result = rolls.count(call.record(), name, roll, labels)
    answer(
        result,
        [
            f"Counted {result['counted']:,}, expected {result['expected']:,}: "
            f"{result['standing']:,} labels, {result['gone']:,} of them gone, "
            f"{result['blanks']:,} blank."
        ],
    )
    if result["difference"]:
        raise typer.Exit(FINDINGS)


@app.command()
def removed(
    name: LotName,
    roll: RollNumber,
    position: Annotated[
        list[int], typer.Option(min=1, max=10**9, help="A label that was taken off; repeatable.")
    ],
    scan: Annotated[
        str, typer.Option(help="The code of a readable neighbour, scanned before the cut.")
    ],
) -> None:
    """Say that labels were taken off a roll, beside a neighbour that was scanned."""
    result = rolls.removed(call.record(), name, roll, position=position, scan=scan)
    cut = ", ".join(map(str, result["positions"]))
    answer(
        result,
        [f"Taken off roll {roll}: position {cut}, beside position {result['neighbour']}."],
    )


@app.command("list")
def list_(name: LotName) -> None:
    """List a lot's rolls."""
    rows = rolls.all_rolls(call.record(), name)
    answer(rows, [_line(row) for row in rows] or ["No roll yet: roll add."])


@app.command()
def show(
    name: LotName,
    roll: RollNumber,
    out: Annotated[
        Path | None, typer.Option(help="Write the ticket of a released roll there again.")
    ] = None,
) -> None:
    """Show a roll: what is on it, what left it, and what still holds it."""
    result = papers.show(call.record(), name, roll, out=out)
    answer(result, _lines(result))


@app.command()
def release(
    name: LotName,
    roll: RollNumber,
    reason: Why,
    second: Second = "",
    out: Annotated[
        Path | None, typer.Option(help="The ticket as JSON; its text is written beside it.")
    ] = None,
) -> None:
    """Release a roll once every bad label on it has a fate; writes its ticket."""
    record = call.record()
    ticket = papers.release(record, name, roll, reason=reason, second=second, out=out)
    answer(ticket, [f"Roll {roll} is released{alone(record, second)}.", *tickets.lines(ticket)])


def _line(row: dict[str, Any]) -> str:
    lane = f"lane {row['lane']}" if row["lane"] else "all lanes"
    return (
        f"Roll {row['roll']}: job {row['job']}, rows {row['rows'][0]} to {row['rows'][1]}, {lane}, "
        f"{row['wound']}, {row['state']}; {row['expected']:,} labels expected on it "
        f"({tally(row['states'])})"
    )


def _lines(result: dict[str, Any]) -> Iterator[str]:
    yield _line(result)
    for one in result["numbers"]:
        taken = one["removed"]
        how = f"taken off by {taken['by']} {taken['at']}" if taken else ""
        how += f"{', ' if how else ''}proven absent ({one['absent']})" if one["absent"] else ""
        yield f"  gone {one['position']:>8}  {one['serial']:20}  {one['state']}: {how}"
    for one in result["replacements"]:
        yield f"  spare {one['spare']} stands in the place of {one['bad']}: {one['reason']}"
    for one in result["marks"]:
        yield f"  {one['mark']} behind row {one['row']}: {one['reason']}"
    for one in result["counts"]:
        yield f"  counted {one['counted']:,}, expected {one['expected']:,} ({one['at']})"
    for one in result["passes"]:
        yield f"  read again ({one['file']}): {tally(one['result'])}"
    for one in result["missing"]:
        yield f"  missing: position {one['position']}: {one['missing']}"
    if result["ticket"]:
        yield f"  released {result['ticket']['at']} by {result['ticket']['by']}"
    yield CAUTION
