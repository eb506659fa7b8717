"""`inspect`: what the camera saw."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import CAUTION, FINDINGS, answer, call, tally
from serialkeeper.cli.lot import LotName
from serialkeeper.rules.rehearsal import KINDS
from serialkeeper.rules.rehearsed_rows import TELLS
from serialkeeper.steps import inspection, practice, profiling

app = typer.Typer(help="What the camera saw.")
FAULT_NAMES = ", ".join(KINDS)


@app.command()
def take(
    name: LotName,
    path: Annotated[Path, typer.Argument(metavar="FILE", help="The results file.")],
    profile: Annotated[
        str, typer.Option(metavar="NAME", help="The camera profile; none for our own file.")
    ] = "",
) -> None:
    """Take in a results file. Exit code 5 if findings need a person."""
    result = inspection.take(call.record(), name, path, profile=profile)
    answer(result, take_lines(result))
    if result["open_findings"] or (result["alarms"] and not result["already_taken"]):
        raise typer.Exit(FINDINGS)


def take_lines(result: dict[str, Any]) -> list[str]:
    """A take for people."""
    if result["already_taken"]:
        return [
            f"This file was taken already (take {result['take']}); nothing changed.",
            f"  labels now: {tally(result['states'])}",
            f"  findings then: {tally(result['findings'])}; still open: {result['open_findings']}",
        ]
    lines = [
        f"{result['readings']:,} readings taken into lot {result['lot']} (take {result['take']}).",
        f"  labels now: {tally(result['states'])}",
        f"  findings: {tally(result['findings'])}",
    ]
    lines += [f"  note: {note_text(note)}" for note in result["notes"]]
    if "missed_plant" in result["findings"]:
        lines += [
            "  STOP, and tell the quality unit: THE READER CALLED A LABEL GOOD THAT WAS MADE BAD "
            "ON PURPOSE.",
            f"  Labels in doubt: serialkeeper challenge list {result['lot']}",
        ]
    lines += [f"  ALARM {alarm_text(alarm)}" for alarm in result["alarms"]]
    if result["alarms"]:
        lines.append("  This tool stops no machine: stop it yourself where your rules say so.")
    if result["findings"]:
        lines.append(f"  Next: serialkeeper label list {result['lot']} --state doubtful")
    return [*lines, CAUTION]


def note_text(note: dict[str, Any]) -> str:
    """What a person should know of a file as a whole."""
    first, last = note.get("first"), note.get("last")
    span = f"positions {first} to {last}"
    lanes = ", ".join(str(lane) for lane in note.get("lanes", []))
    texts = {
        "reversed": "the roll ran backwards",
        "mirrored": "the lanes were read from right to left",
        "lanes_swapped": f"the lanes were read in the order {lanes}",
        "lane_elsewhere": f"the camera's lane {note.get('camera')} is lane {lanes} of the plan",
        "slipped": f"the camera's positions slipped by {note.get('labels')} for {span}",
        "block_out_of_place": f"the stretch of {span} stands behind position {note.get('after')}",
        "read_again": f"{span} were read again behind position {note.get('after')}",
        "strange_code": f"a strange code was read among {span}; its place is not known",
    }
    return texts[note["kind"]]


def alarm_text(alarm: dict[str, Any]) -> str:
    """An alarm for people."""
    words = {
        "in_a_row": "bad labels in a row",
        "share": "too many bad labels in a short stretch",
        "missed_plant": "a label made bad on purpose was called good",
    }
    what = words.get(alarm["kind"], alarm["kind"])
    lane = f" in lane {alarm['lane']}" if alarm["lane"] else ""
    count = alarm["labels"]
    return f"{what}{lane}: {count:,} label{'' if count == 1 else 's'}, " + (
        f"position {alarm['first']}"
        if alarm["first"] == alarm["last"]
        else f"positions {alarm['first']} to {alarm['last']}"
    )


@app.command()
def profile(
    sample: Annotated[
        Path | None, typer.Argument(metavar="SAMPLE", help="A results file of the device.")
    ] = None,
    profile: Annotated[
        str,
        typer.Option(metavar="NAME-or-FILE.toml", help="Try this one; without, one is proposed."),
    ] = "",
    keep: Annotated[str, typer.Option(metavar="NAME", help="Keep the profile in the record.")] = "",
    out: Annotated[Path | None, typer.Option(help="Write the profile there, as TOML.")] = None,
) -> None:
    """Propose, try and keep a camera profile; without SAMPLE, list them."""
    result = profiling.profile(call.record(), sample, profile=profile, keep=keep, out=out)
    answer(result, profile_lines(result))


def profile_lines(result: dict[str, Any]) -> list[str]:
    """Profiles for people: all of them, or one and what it understood."""
    if "profiles" in result:
        return [
            f"{row['name']:<24} {row['format']:<10} "
            + (f"kept {row['kept']}" if row["kept"] else "comes with this version")
            for row in result["profiles"]
        ]
    understood = result["understood"]
    lines = [] if result["profile"] else [result["toml"]]
    lines += [
        f"{result['readings']:,} readings: {understood['read']:,} read, "
        f"{understood['not_read']:,} not read",
        f"  verdicts: {tally(understood['verdicts'])}",
        f"  grades: {tally(understood['grades'])}",
    ]
    if result["not_given"]:
        lines.append(f"  not given by this device: {', '.join(result['not_given'])}")
    lines += ["", *table(result["rows"])]
    if result["unsure"]:
        lines += ["", "Please check; this could not be told for certain:"]
        lines += [f"  - {sentence}" for sentence in result["unsure"]]
    if result["kept"]:
        lines.append(
            f"Kept as '{result['kept']}': inspect take LOT FILE --profile {result['kept']}"
        )
    if result["file"]:
        lines.append(f"Written to {result['file']}; correct it and try it with --profile.")
    return lines


def table(rows: list[dict[str, Any]]) -> list[str]:
    """Rows of texts in columns."""
    names = list(rows[0])
    shown = [names, *([printable(str(row[name])) for name in names] for row in rows)]
    widths = [max(len(line[index]) for line in shown) for index in range(len(names))]
    return [
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in shown
    ]


def printable(text: str) -> str:
    """A text without signs that would move a terminal's cursor."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in text) or "-"


@app.command()
def rehearse(
    name: LotName,
    out: Annotated[Path, typer.Option(help="The results file to make.")],
    truth: Annotated[Path, typer.Option(help="The truth file to make.")],
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same faults.")] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            help=f"FAULT=SHARE, FAULT@POSITION or mixed=SHARE, repeatable. Faults: {FAULT_NAMES}."
        ),
    ] = None,
    tells: Annotated[
        str,
        typer.Option(
            help="What the camera tells besides the code: some of positions, lanes, times with "
            "commas between; or nothing."
        ),
    ] = ",".join(TELLS),
    rolls: Annotated[int, typer.Option(min=1, help="Cut the web into that many rolls.")] = 1,
    back: Annotated[
        list[int] | None, typer.Option(help="The number of a roll that runs backwards, repeatable.")
    ] = None,
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="The camera counts lanes from right to left.")
    ] = False,
    lane_files: Annotated[
        bool, typer.Option("--lane-files", help="A camera and a file for each lane.")
    ] = False,
) -> None:
    """Write what a camera might have written, with known faults. Practice records only."""
    result = practice.rehearse(
        call.record(),
        name,
        out=out,
        truth=truth,
        seed=seed,
        faults=fault or (),
        tells=[] if tells == "nothing" else tells.split(","),
        rolls=rolls,
        back=back or (),
        mirrored=mirrored,
        lane_files=lane_files,
    )
    answer(
        result,
        [
            f"Rehearsed {result['labels']:,} labels of lot {result['lot']}: "
            f"{result['readings']:,} readings.",
            f"  faults: {tally(result['faults'])}",
            *(f"  results {file['file']}" for file in result["files"]),
            f"  truth   {result['truth']}",
        ],
    )
