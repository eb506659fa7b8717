"""`review`: what a second pair of eyes has to see before a lot closes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.label import finding_lines, life_lines
from serialkeeper.cli.label import positions as typed
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import WrongUsage
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.review import short
from serialkeeper.steps import reviewing

app = typer.Typer(help="What a second pair of eyes has to see before a lot closes.")


@app.command("list")
def list_(
    name: LotName,
    kind: Annotated[
        str, typer.Option(metavar="KIND", help="found, alarm, accepted, voided, ...")
    ] = "",
    reason: Annotated[str, typer.Option(metavar="TEXT", help="With this in its reason.")] = "",
    person: Annotated[str, typer.Option(metavar="NAME", help="What this person did.")] = "",
    day: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Of this day (UTC).")
    ] = None,
    lane: Annotated[int | None, typer.Option(min=1, help="With a label of this lane.")] = None,
    every: Annotated[bool, typer.Option("--all", help="What was reviewed, too.")] = False,
) -> None:
    """List what is to be reviewed, critical things first."""
    result = reviewing.list_groups(
        call.record(),
        name,
        kind=kind,
        reason=reason,
        person=person,
        day=day.date() if day else None,
        lane=lane,
    )
    answer(result, _list_lines(result, every=every))
    if result["open_groups"]:
        raise typer.Exit(FINDINGS)


def _list_lines(result: dict[str, Any], *, every: bool) -> Iterator[str]:
    for one in result["groups"]:
        yield group_line(one)
    if every:
        for one in result["reviewed"]:
            note = f": {one['note']}" if one["note"] else ""
            yield (
                f"reviewed   {one['kind']}, {one['reason']}: {one['count']:,}; "
                f"{one['reviewer']}, {one['at']}{note}"
            )
    if not result["open_groups"]:
        yield "Nothing is to be reviewed."
        return
    hidden = result["open_groups"] - len(result["groups"])
    if hidden:
        yield f"To be reviewed, too, and left out by the filters: {many(hidden, 'group')}."
    yield f"  Look at a group: serialkeeper review show {result['lot']} GROUP"
    yield f"  Sign: serialkeeper review sign {result['lot']} GROUP... --opened POSITIONS"


def group_line(one: dict[str, Any]) -> str:
    """A group in one line."""
    mark = "CRITICAL " if one["critical"] else ""
    second = f" and {one['second']}" if one["second"] else ""
    where = f", position {short(one['positions'])}" if one["positions"] else ""
    opened = f"; open {', '.join(map(str, one['open']))}" if one["open"] else ""
    if not one["positions"] and one["told"]:
        where = f" ({one['told']})"
    return (
        f"{one['group']} {mark}{one['kind']}, {one['reason']}: {one['count']:,}{where}; "
        f"{one['person']}{second}{opened}"
    )


Group = Annotated[str, typer.Argument(metavar="GROUP", help="Its reference: review list.")]


@app.command()
def show(name: LotName, group: Group) -> None:
    """Show a group, and the whole life of the labels to be opened."""
    result = reviewing.show(call.record(), name, group)
    lines = [group_line(result)]
    for one in result["items"]:
        told = f": {one['told']}" if one["told"] else ""
        where = f", positions {short(one['positions'])}" if one["positions"] else ""
        lines.append(f"  entry {one['entry']}, {one['at']}{told}{where}")
    for label in result["labels"]:
        lines.append(f"position {label['position']}, number {label['serial']}")
        lines += [f"  {line}" for line in finding_lines(label["findings"])]
        lines += [f"  {line}" for line in life_lines(label["life"])]
    opened = f" --opened {','.join(map(str, result['open']))}" if result["open"] else ""
    lines.append(f"  Next: serialkeeper review sign {result['lot']} {result['group']}{opened}")
    answer(result, lines)


@app.command()
def sign(
    name: LotName,
    groups: Annotated[
        list[str], typer.Argument(metavar="GROUP...", help="References: review list.")
    ],
    opened: Annotated[
        str,
        typer.Option(metavar="POSITIONS", help="The labels that were opened: 17,203, or @FILE."),
    ] = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="What there is to say.")] = "",
) -> None:
    """Sign groups as reviewed, as they were shown; not what you did or confirmed yourself."""
    positions = _positions(typed(opened)) if opened else []
    result = reviewing.sign(call.record(), name, groups, opened=positions, note=note)
    lines = [
        f"Signed as reviewed: {one['kind']}, {one['reason']}: {one['count']:,} "
        f"(entry {one['entry']})"
        for one in result["signed"]
    ]
    left = result["left"]
    lines.append(
        f"  {left:,} more to be reviewed: serialkeeper review list {result['lot']}"
        if left
        else f"  The review list of lot {result['lot']} is empty."
    )
    answer(result, [*lines, CAUTION])


def _positions(text: str) -> list[int]:
    """Positions such as `17,203`. Refuses `usage`."""
    try:
        return [int(one) for one in text.split(",")]
    except ValueError:
        raise WrongUsage(
            "usage",
            "The positions are not understood.",
            where="--opened",
            expected="positions such as 17,203",
            came=text,
            remedy="Correct them.",
        ) from None
