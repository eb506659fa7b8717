"""`roll`: parent and finished rolls, what has to come off them, and their release."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, alone, answer, call, tally
from serialkeeper.cli.lot import LotName, Second
from serialkeeper.errors import Refused
from serialkeeper.rules import tickets
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.doubts import SIGNS
from serialkeeper.rules.drawing import MOST_SHEETS
from serialkeeper.rules.pulls import as_lines
from serialkeeper.rules.rolls import FORWARD, MARKS, OPEN
from serialkeeper.steps import drawings, rolls
from serialkeeper.steps import pulls as lists
from serialkeeper.steps import tickets as papers
from serialkeeper.store.record import Record

app = typer.Typer(help="Rolls: what is on them, what has to come off, their release.")
RollNumber = Annotated[
    int, typer.Argument(metavar="ROLL", min=1, max=10**6, help="The roll's number in its lot.")
]
Why = Annotated[str, typer.Option(help="Why, in words.")]
JobNumber = Annotated[int, typer.Option("--job", min=0, help="The print job; not needed with one.")]
Rows = Annotated[str, typer.Option(metavar="A-B", help="Only these rows of the job.")]
Lane = Annotated[int, typer.Option(min=0, help="Only this lane; lane 1 is left.")]
Pitch = Annotated[
    float,
    typer.Option(
        metavar="MM",
        min=0,
        help="Millimetres from label to label in a lane; without it there are no metres.",
    ),
]
OnRoll = Annotated[
    int, typer.Option("--roll", metavar="ROLL", min=0, help="A roll, not a part of a print job.")
]
FromEnd = Annotated[bool, typer.Option("--from-end", help="The last row comes off first.")]
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
    """Name rows of a print job as a roll, all lanes."""
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
    """Note a splice or blank labels."""
    result = rolls.mark(call.record(), name, roll, what, row=row, reason=reason, labels=labels)
    answer(result, [f"Noted: {what} behind row {row}.", _line(result)])


@app.command()
def count(
    name: LotName,
    roll: RollNumber,
    labels: Annotated[int, typer.Argument(metavar="N", min=0, help="What the counter says.")],
) -> None:
    """Enter the count at the rewinder."""
    result = rolls.count(call.record(), name, roll, labels)
    answer(
        result,
        [
            f"Counted {result['counted']:,}, expected {result['expected']:,}: "
            f"labels {result['standing']:,}, gone of them {result['gone']:,}, blank ones "
            f"{result['blanks']:,}."
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
    """Release a roll once every bad label on it is decided and gone; writes its ticket."""
    record = call.record(second=second)
    ticket = papers.release(record, name, roll, reason=reason, second=second, out=out)
    answer(ticket, [f"Roll {roll} is released{alone(record, second)}.", *tickets.lines(ticket)])


@app.command()
def draw(
    name: LotName,
    out: Annotated[Path, typer.Option(metavar="FILE", help="FILE.svg or FILE.png.")],
    roll: OnRoll = 0,
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    pitch: Pitch = 0,
    paper: Annotated[str, typer.Option(help="A4 or A3, laid across.")] = "A4",
    sheets: Annotated[
        int, typer.Option(min=0, help="Sheets at most; 0 for as many as it takes.")
    ] = MOST_SHEETS,
) -> None:
    """Draw the web to scale."""
    result = drawings.draw(
        call.record(),
        name,
        out=out,
        job=job,
        rows=rows,
        lane=lane,
        roll=roll,
        pitch=pitch,
        paper=paper,
        sheets=sheets,
    )
    answer(result, _drawn(result))


def _drawn(result: dict[str, Any]) -> list[str]:
    first, last = result["rows"]
    signs = ", ".join(
        f"{letter} {SIGNS[letter].title}: {n:,}" for letter, n in result["signs"].items()
    )
    lines = [
        f"Print job {result['job']}, rows {first:,} to {last:,}: "
        f"{many(result['labels'], 'label')}, {result['doubtful']:,} doubtful, "
        f"{result['not_inspected']:,} not inspected yet.",
        *([f"  {signs}"] if signs else []),
    ]
    left = result["doubtful"] - result["in_strips"]
    if left:
        lines.append(
            f"  Shown large: {result['in_strips']:,}; only on the web and in the pull list: "
            f"{left:,} (--sheets 0 draws all)."
        )
    lines += [f"  {file}" for file in result["files"]]
    return [*lines, CAUTION]


@app.command()
def pulls(
    name: LotName,
    roll: OnRoll = 0,
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    pitch: Pitch = 0,
    from_end: FromEnd = False,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="FILE.csv, or FILE.txt for paper.")
    ] = None,
    scan: Annotated[
        bool, typer.Option("--scan", help="Go from label to label, waiting for a neighbour's scan.")
    ] = False,
) -> None:
    """List what has to come off the web, in winding order."""
    web: dict[str, Any] = {
        "roll": roll,
        "job": job,
        "rows": rows,
        "lane": lane,
        "from_end": from_end,
    }
    record = call.record()
    result = lists.pulls(record, name, pitch=pitch, out=out, **web)
    head = [
        f"Print job {result['job']}, row {result['first_off']:,} comes off first: "
        f"{tally(result['to_do'])}.",
    ]
    if result["not_inspected"]:
        head.append(f"  Not inspected yet, and not here: {many(result['not_inspected'], 'label')}.")
    if not scan:
        lines = [line for pull in result["pulls"] for line in as_lines(pull)]
        answer(result, [*head, *([f"  {out}"] if out else lines), CAUTION])
        return
    for line in head:
        typer.echo(line, err=call.as_json)
    proven = [_wait(record, name, pull, web) for pull in result["pulls"]]
    done = [cut for cut in proven if cut]
    missing = len(proven) - len(done)
    answer(
        {**result, "proven": done},
        [f"Places proven: {len(done):,}, not: {missing:,}. Nothing was written into the record."],
    )
    if missing:
        raise typer.Exit(FINDINGS)


def _wait(
    record: Record, name: str, pull: dict[str, Any], web: dict[str, Any]
) -> dict[str, Any] | None:
    """Wait for the scan of a label's neighbour; None if it was passed over."""
    for line in as_lines(pull):
        typer.echo(line, err=call.as_json)
    while True:
        typer.echo("  Scan a neighbour (an empty line passes on): ", err=call.as_json, nl=False)
        text = sys.stdin.readline()
        if not text.strip():
            typer.echo("passed over, its place is not proven", err=call.as_json)
            return None
        try:
            cut = lists.neighbour(record, name, pull["position"], scan=text.strip(), **web)
        except Refused as error:
            typer.echo(f"\n{error}", err=True)
            continue
        typer.echo(_cut_here(cut), err=call.as_json)
        return cut


@app.command()
def neighbour(
    name: LotName,
    position: Annotated[int, typer.Argument(help="The label to be taken off.")],
    scan: Annotated[
        str, typer.Option(metavar="TEXT", help="A neighbour's code or number, as scanned.")
    ],
    roll: OnRoll = 0,
    job: JobNumber = 0,
    rows: Rows = "",
    lane: Lane = 0,
    from_end: FromEnd = False,
) -> None:
    """Prove a place before a cut."""
    web: dict[str, Any] = {
        "roll": roll,
        "job": job,
        "rows": rows,
        "lane": lane,
        "from_end": from_end,
    }
    result = lists.neighbour(call.record(), name, position, scan=scan, **web)
    lines = [_cut_here(result)]
    if not result["doubtful"]:
        lines.append("  The record holds nothing against this label.")
    answer(result, lines)


def _cut_here(cut: dict[str, Any]) -> str:
    which = "next label" if cut["away"] == 1 else f"label {cut['away']}"
    return (
        f"Position {cut['position']} is the {which} {cut['side']} the scanned one, lane "
        f"{cut['lane']} (row {cut['row']})."
    )


def _line(row: dict[str, Any]) -> str:
    lane = f"lane {row['lane']}" if row["lane"] else "all lanes"
    return (
        f"Roll {row['roll']}: job {row['job']}, rows {row['rows'][0]} to {row['rows'][1]}, {lane}, "
        f"{row['wound']}, {row['state']}; {many(row['expected'], 'label')} expected on it "
        f"({tally(row['states'])}){_still_open(row)}"
    )


def _still_open(row: dict[str, Any]) -> str:
    points = row["missing"]
    if row["state"] != OPEN or not points or isinstance(points, list):  # which lists them all
        return ""
    return f"; {many(points, 'open point')}: roll show"


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
        place = f"position {one['position']}: " if one["position"] else ""
        yield f"  still to do: {place}{one['missing']}"
    if result["ticket"]:
        yield f"  released {result['ticket']['at']} by {result['ticket']['by']}"
    yield CAUTION
