"""`alarm`: reasons to stop and look, and what people said of them."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import WrongUsage
from serialkeeper.rules.alarms import held_words, means
from serialkeeper.steps import alarms

app = typer.Typer(help="Reasons to stop and look. This tool stops no machine.")


def alarm_text(alarm: dict[str, Any]) -> str:
    """An alarm for people."""
    what = means(alarm["kind"])
    lane = f" in lane {alarm['lane']}" if alarm["lane"] else ""
    count, first, last = alarm["labels"], alarm["first"], alarm["last"]
    where = f"position {first}" if first == last else f"positions {first} to {last}"
    if not first:
        where = "place not known yet"
    return f"{what}{lane}: {count:,} label{'' if count == 1 else 's'}, {where}"


@app.command("list")
def list_(name: LotName) -> None:
    """List a lot's alarms."""
    rows = alarms.list_alarms(call.record(), name)
    answer(rows, _lines(rows))
    if any(row["state"] == "open" for row in rows):
        raise typer.Exit(FINDINGS)


def _lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    for row in rows:
        yield f"{row['id']:>5}  {row['state']:12}  {alarm_text(row)}"
        yield f"       raised {row['raised']} at {row['station']} by {row['file']}" + (
            " while it was followed" if row["followed"] else ""
        )
        if row["state"] != "open":
            held = f"; {held}" if (held := held_words(row)) else ""
            yield f"       {row['person']}, {row['acknowledged']}: {row['cause']}{held}"
            yield f"       restart check: {row['restart_check']}"
        if row["reviewed"]:
            yield f"       reviewed: {row['reviewed']['reviewer']}, {row['reviewed']['at']}"
    if not rows:
        yield "No alarm was raised for this lot."


@app.command()
def acknowledge(
    name: LotName,
    ids: Annotated[
        list[str],
        typer.Argument(
            metavar="ID...", help="Alarms (alarm list), or A-B: the open ones of these."
        ),
    ],
    cause: Annotated[str, typer.Option(metavar="TEXT", help="What it was.")],
    restart_check: Annotated[
        str,
        typer.Option(metavar="TEXT", help="How it was seen that the line runs well again."),
    ],
    held: Annotated[
        str,
        typer.Option(metavar="FIRST-LAST", help="Positions put aside, as you say; places no hold."),
    ] = "",
) -> None:
    """Say of alarms what it was and how the restart was checked."""
    rows = alarms.acknowledge(
        call.record(),
        name,
        [_chosen(word) for word in ids],
        cause=cause,
        restart_check=restart_check,
        held=_span(held),
    )
    answer(rows, _lines(rows))


def _chosen(word: str) -> int | range:
    """An alarm's id, or a stretch of ids."""
    first, last = _stretch(word, where="ID", expected="an id such as 3, or A-B such as 3-9")
    return range(first, last + 1) if "-" in word else first


def _span(text: str) -> tuple[int, int] | None:
    """First and last position from FIRST-LAST."""
    return _stretch(text, where="--held", expected="FIRST-LAST such as 101-180") if text else None


def _stretch(text: str, *, where: str, expected: str) -> tuple[int, int]:
    first, _, last = text.partition("-")
    if not all(number.isascii() and number.isdigit() for number in (first, last or first)):
        raise WrongUsage(
            "usage",
            "A number or a stretch of numbers is not understood.",
            where=where,
            expected=expected,
            came=text,
            remedy="Correct it.",
        )
    return int(first), int(last or first)


@app.command()
def rules(
    station: Annotated[str, typer.Option(help="Whose rules to set; without, this station's.")] = "",
    in_a_row: Annotated[
        int | None, typer.Option(metavar="N", help="So many bad in a row in one lane alarm.")
    ] = None,
    share: Annotated[
        str, typer.Option(metavar="P", help="More bad than P per cent in a window alarm.")
    ] = "",
    window: Annotated[int | None, typer.Option(metavar="N", help="Labels in the window.")] = None,
) -> None:
    """Show the alarm rules; with an option, set a station's.

    A repeated, foreign, wrong-product or wrong-lot label alarms at once, whatever the rules.
    """
    rows = alarms.rules(
        call.record(), station=station, in_a_row=in_a_row, share=_tenths(share), window=window
    )
    answer(
        rows,
        [
            f"{row['station'] or 'every other station':24} {row['in_a_row']} in a row in one lane; "
            f"more than {row['share'] / 10:g} % in {row['window']}"
            for row in rows
        ],
    )


def _tenths(text: str) -> int | None:
    """Per cent as whole tenths."""
    if not text:
        return None
    try:
        tenths = Decimal(text) * 10
        if tenths == tenths.to_integral_value():
            return int(tenths)
    except (InvalidOperation, OverflowError):
        pass
    raise WrongUsage(
        "usage",
        "A share is per cent with at most one decimal.",
        where="--share",
        expected="a number such as 2 or 0.5",
        came=text,
        remedy="Correct it.",
    )
