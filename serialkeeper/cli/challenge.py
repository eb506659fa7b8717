"""`challenge`: labels that are bad on purpose, to prove the reader."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.challenges import EACH, KINDS, OCCASIONS
from serialkeeper.rules.counts import many
from serialkeeper.steps import challenges, plants

app = typer.Typer(help="Labels that are bad on purpose, to prove the reader.")
Number = Annotated[int, typer.Argument(metavar="ID", min=1, help="The set's number.")]

BOUND = (
    "A bound holds for labels like those shown, each as it was shown; it is an aid to the people "
    "who decide."
)


@app.command()
def make(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The file of print data to make.")],
    kinds: Annotated[
        str, typer.Option(help=f"Some of {', '.join(KINDS)} with commas between; all without.")
    ] = "",
    each: Annotated[int, typer.Option(help="Trials of each kind; a repeat is a pair.")] = EACH,
) -> None:
    """Write the print data of a set of bad labels."""
    result = challenges.make(
        call.record(), name, out=out, kinds=[k for k in kinds.split(",") if k], each=each
    )
    answer(
        result,
        [
            f"Challenge set {result['challenge']} of lot {result['lot']}: "
            f"{many(result['labels'], 'label')}, {result['each']} each of "
            f"{', '.join(result['kinds'])}.",
            f"  file {result['file']}  SHA-256 {result['sha256']}",
            "  Make each label as its row says, mark it so that nobody takes it for a good one, "
            "and keep the order.",
            f"  Next: serialkeeper challenge run {result['lot']} {result['challenge']} FILE "
            "--when start",
        ],
    )


@app.command()
def run(
    name: LotName,
    number: Number,
    path: Annotated[Path, typer.Argument(metavar="FILE", help="What the reader made of the set.")],
    when: Annotated[str, typer.Option(help=f"One of: {', '.join(OCCASIONS)}.")],
    profile: Annotated[
        str, typer.Option(metavar="NAME", help="The camera profile; none for our own file.")
    ] = "",
) -> None:
    """Say what the reader caught of a set."""
    result = challenges.run(call.record(), name, number, path, when=when, profile=profile)
    answer(result, _run_lines(result))
    if not result["passed"]:
        raise typer.Exit(FINDINGS)


def _run_lines(result: dict[str, Any]) -> Iterator[str]:
    if result["already_run"]:
        yield f"This file was given before (run {result['run']}); nothing changed."
    yield (
        f"Run {result['run']} of challenge set {result['challenge']}, lot {result['lot']}, "
        f"{OCCASIONS[result['when']]}: {_counts(result)}."
    )
    yield from _result_lines(result)
    if result["passed"]:
        yield "PASSED: every label was caught as what it is."
    elif result["missed"]:
        yield "STOP, and tell the quality unit: THE READER MISSED A BAD LABEL."
        yield from _doubt_lines(result["in_doubt"])
        if result["hold"]:
            yield (f"  Hold {result['hold']} keeps it back: serialkeeper hold list {result['lot']}")
        yield "  This tool stops no machine: stop it yourself where your rules say so."
    else:
        yield "NOT PASSED: unproven labels show nothing of their kind. Make them anew, run again."
    for row in result["reader"]:
        yield f"  {row['sentence']}"
    yield BOUND
    yield CAUTION


def _counts(row: dict[str, Any]) -> str:
    return ", ".join(f"{word} {row[word]}" for word in ("caught", "missed", "unproven"))


def _result_lines(result: dict[str, Any]) -> Iterator[str]:
    for row in result["results"]:
        outcome = row["outcome"] or "(first of a pair)"
        mark = "  <-- MISSED" if outcome == "missed" else ""
        yield f"  {row['number']:>4}  {row['kind']:10} {outcome:18} {row['finding']}{mark}"


def _doubt_lines(takes: list[dict[str, Any]]) -> Iterator[str]:
    yield "  In doubt is every label read since the last passed run, also of files still to come:"
    for take in takes:
        yield f"    take {take['take']}, positions {take['first']} to {take['last']}"
    if not takes:
        yield "    no file was taken in since"


@app.command()
def plant(
    name: LotName,
    kind: Annotated[
        str, typer.Option(help=f"One of: {', '.join(k for k, one in KINDS.items() if one.fault)}.")
    ],
    position: Annotated[
        list[int] | None, typer.Option(min=1, help="A label's position, repeatable.")
    ] = None,
    count: Annotated[int, typer.Option(help="Or how many, picked by chance.")] = 0,
    out: Annotated[
        Path | None, typer.Option(help="Write there where they stand and what is stuck over them.")
    ] = None,
) -> None:
    """Make printed labels bad on purpose, unknown to the operator, to measure the reader."""
    result = plants.plant(
        call.record(), name, kind=kind, positions=position or (), count=count, out=out
    )
    lines = [f"Bad on purpose in lot {result['lot']}, {kind}: {len(result['plants'])}."]
    lines += [
        f"  position {row['position']}, job {row['job']}, row {row['row']}, lane {row['lane']}: "
        f"{row['make']} {row['bracketed']}".rstrip()
        for row in result["plants"]
    ]
    if result["file"]:
        lines.append(f"  file {result['file']}")
    lines.append("  None of them is ever called good. Make them bad now, and tell nobody.")
    if result["practice"]:
        lines.append(
            "  Practice: everybody may do this, and sees such labels before the reader does."
        )
    answer(result, lines)


@app.command("list")
def list_(name: LotName) -> None:
    """Show a lot's sets, runs and planted labels, and how the reader did."""
    result = challenges.list_challenges(call.record(), name)
    answer(result, _list_lines(result))


def _list_lines(result: dict[str, Any]) -> Iterator[str]:
    for row in result["sets"]:
        yield (
            f"set {row['challenge']}: {many(row['size'], 'label')}, {row['each']} each of "
            f"{', '.join(row['kinds'])}, {row['file']}"
        )
    for row in result["runs"]:
        verdict = "passed" if row["passed"] else "NOT PASSED"
        yield (
            f"run {row['run']}: set {row['challenge']}, {OCCASIONS[row['when']]}, {verdict}: "
            f"{_counts(row)}; {row['file']} at {row['station']}, {row['at']}"
        )
    for row in result["plants"]:
        told = f"{row['outcome']} ({row['finding']}, take {row['take']})"
        yield (
            f"planted: position {row['position']}, {row['kind']}, "
            f"{told if row['outcome'] else 'no reader has met it'}"
        )
    if result["plants_hidden"]:
        yield "Planted labels are shown here once a reader has met them."
    elif result["practice"]:
        yield "Practice: planted labels are shown to everybody before a reader meets them."
    for doubt in result["doubts"]:
        name = f"run {doubt['run']}" if doubt["run"] else f"take {doubt['take']}"
        yield f"MISSED in {name}: {', '.join(doubt['kinds'])}"
        yield from _doubt_lines(doubt["takes"])
    for occasion in result["occasions"].values():
        yield occasion["sentence"]
    for row in result["reader"]:
        yield row["sentence"]
    yield BOUND


@app.command()
def show(name: LotName, number: Number) -> None:
    """Show a set label by label, and what came out in each run of it."""
    result = challenges.show(call.record(), name, number)
    answer(result, _set_lines(result))


def _set_lines(result: dict[str, Any]) -> Iterator[str]:
    yield f"Challenge set {result['challenge']} of lot {result['lot']}, {result['file']}"
    for row in result["labels"]:
        yield f"  {row['number']:>4}  {row['kind']:10} {row['bracketed']}  {row['make']}"
    for run in result["runs"]:
        verdict = "passed" if run["passed"] else "NOT PASSED"
        yield f"run {run['run']}, {OCCASIONS[run['when']]}: {verdict}, {_counts(run)}"
        yield from _result_lines(run)
        if run["missed"]:
            yield from _doubt_lines(run["in_doubt"])
    yield BOUND
