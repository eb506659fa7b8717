"""`inspect`: what the camera saw."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.alarm import alarm_text
from serialkeeper.cli.answer import FINDINGS, answer, call, tally
from serialkeeper.cli.lot import LotName
from serialkeeper.cli.watch import Lines, Screen
from serialkeeper.errors import WrongUsage
from serialkeeper.outside.command import Command
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.frames import FLIPS
from serialkeeper.rules.rehearsal import KINDS
from serialkeeper.rules.rehearsed_rows import TELLS
from serialkeeper.steps import inspection, practice, profiling, second_pass
from serialkeeper.steps.images import read_images

app = typer.Typer(help="What the camera saw: taken in, followed, read from images, rehearsed.")
FAULT_NAMES = ", ".join(KINDS)


@app.command()
def take(
    name: LotName,
    path: Annotated[Path, typer.Argument(metavar="FILE", help="The results file.")],
    profile: Annotated[
        str, typer.Option(metavar="NAME", help="The camera profile; none for our own file.")
    ] = "",
    again: Annotated[
        str, typer.Option("--pass", metavar="PASS", help="first, or again for a roll read again.")
    ] = "first",
    roll: Annotated[int, typer.Option(min=0, help="The roll that was read again.")] = 0,
) -> None:
    """Take in a results file."""
    if again not in ("first", "again") or (again == "again") != bool(roll):
        raise WrongUsage(
            "usage",
            "The pass is not understood.",
            where="--pass",
            expected="--pass again with --roll N, or neither",
            came=f"--pass {again} --roll {roll}",
            remedy="Correct it.",
        )
    if roll:
        result = second_pass.take(call.record(), name, path, roll=roll, profile=profile)
    else:
        result = inspection.take(call.record(), name, path, profile=profile)
    answer(result, take_lines(result))
    if result.get("again", {}).get("not_proven"):
        raise typer.Exit(FINDINGS)
    news = (result["alarms"] or result["hold"]) and not result["already_taken"]
    if result["open_findings"] or news:
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
        f"{many(result['readings'], 'reading')} taken into lot {result['lot']} (take "
        f"{result['take']}).",
        f"  labels now: {tally(result['states'])}",
        f"  findings: {tally(result['findings'])}",
    ]
    if "again" in result:
        lines.append(f"  roll {result['roll']} read again: {tally(result['again'])}")
    lines += [f"  note: {note_text(note)}" for note in result["notes"]]
    if "missed_plant" in result["findings"]:
        lines += [
            "  STOP, and tell the quality unit: THE READER CALLED A LABEL GOOD THAT WAS MADE BAD "
            "ON PURPOSE.",
            f"  Labels in doubt: serialkeeper challenge list {result['lot']}",
        ]
    if result["hold"]:
        lines.append(
            f"  HOLD {result['hold']} keeps back what this file moved: the reader failed a "
            f"challenge, and may have been failing already: serialkeeper hold list {result['lot']}"
        )
    lines += [f"  ALARM {alarm_text(alarm)}" for alarm in result["alarms"]]
    if result["alarms"]:
        lines.append("  This tool stops no machine: stop it yourself where your rules say so.")
    if result["alarms_open"]:
        lines.append(f"  Next: serialkeeper alarm list {result['lot']}")
    if result["findings"]:
        lines.append(f"  Next: serialkeeper label list {result['lot']} --state doubtful")
    return [*lines, CAUTION]


def note_text(note: dict[str, Any]) -> str:
    """What a person should know of a file as a whole."""
    first, last = note.get("first"), note.get("last")
    span = f"position {first}" if first == last else f"positions {first} to {last}"
    lanes = ", ".join(str(lane) for lane in note.get("lanes", []))
    texts = {
        "reversed": "the roll ran backwards",
        "mirrored": "the lanes were read from right to left",
        "lanes_swapped": f"the lanes were read in the order {lanes}",
        "lane_elsewhere": f"the camera's lane {note.get('camera')} is lane {lanes} of the plan",
        "slipped": f"the camera's positions slipped by {note.get('labels')} at {span}",
        "block_out_of_place": f"the stretch of {span} stands behind position {note.get('after')}",
        "read_again": f"read again behind position {note.get('after')}: {span}",
        "wound_other_way": f"roll {note.get('roll')} came off from the other end than the record "
        "says (roll turn)",
        "part_of_roll": f"places of the roll that were looked at: only {note.get('labels')}",
        "surplus": f"readings that belong to no label of the roll: {note.get('labels')}; blanks, "
        "double triggers, or labels that were spliced in",
        "strange_code": f"a strange code was read near {span}; its place is not known",
    }
    return texts[note["kind"]]


@app.command()
def follow(
    name: LotName,
    path: Annotated[Path, typer.Argument(metavar="FILE", help="The results file that grows.")],
    profile: Annotated[
        str, typer.Option(metavar="NAME", help="The camera profile; none for our own file.")
    ] = "",
    idle: Annotated[
        float | None,
        typer.Option(metavar="SECONDS", min=1, help="Finished when nothing comes for so long."),
    ] = None,
    on_alarm: Annotated[
        str,
        typer.Option(
            metavar="COMMAND",
            help="Run for each alarm, without a shell, the alarm as JSON on its standard input.",
        ),
    ] = "",
    finish: Annotated[
        bool,
        typer.Option("--finish", help="Tell the process that follows FILE that it is finished."),
    ] = False,
) -> None:
    """Follow a results file while the camera writes it.

    Counts are what was seen so far; nothing is commissioned before the file is finished. It is
    finished when nothing came for --idle seconds, at --finish from another process, at Ctrl-C
    twice, or when its name stands for a new file, which is then followed in turn. Then it is
    taken in as by inspect take. Ctrl-C once leaves it; the same command goes on. This tool stops
    no machine, and an in-line grade is not a verifier grade.
    """
    if finish:
        asked = inspection.finish(call.record(), name, path)
        answer(
            asked,
            [
                f"{path}: the process that follows it takes it in now; if there is none,"
                f" type: serialkeeper inspect follow {name} {path}"
            ],
        )
        return
    record = call.record()
    as_lines = call.as_json or not sys.stdout.isatty()
    watcher = Lines() if as_lines else Screen()
    with ExitStack() as stack:
        if on_alarm:
            watcher.command = stack.enter_context(Command(on_alarm, watcher.command_failed))
        stack.enter_context(watcher.listening())
        result = inspection.follow(record, name, path, profile=profile, idle=idle, onlooker=watcher)
    if isinstance(watcher, Lines):
        watcher.ended(result)
    else:
        answer(result, _followed_lines(result))
    found = any(one["open_findings"] or one["alarms"] for one in result["takes"])
    if found or result["alarms_open"]:
        raise typer.Exit(FINDINGS)


def _followed_lines(result: dict[str, Any]) -> list[str]:
    """What came of following, for people."""
    lines = [line for one in result["takes"] for line in take_lines(one)]
    if not result["finished"]:
        lines.append(
            f"{many(result['readings'], 'reading')} seen so far; nothing is commissioned. "
            "Type the same command again: it goes on from there."
        )
        if result["alarms_open"]:
            lines.append(f"  Next: serialkeeper alarm list {result['lot']}")
    return lines


@app.command()
def images(
    folder: Annotated[Path, typer.Argument(help="PNG, JPEG, TIFF or PGM images of labels.")],
    out: Annotated[Path, typer.Option(help="The results file to make.")],
    lanes: Annotated[int | None, typer.Option(help="Lanes on the images.")] = None,
    flip: Annotated[
        str, typer.Option(help=f"What runs against the image: {', '.join(FLIPS)}.")
    ] = "none",
    overlap: Annotated[
        float, typer.Option(help="Part of an image's height that the next one shows again.")
    ] = 0.0,
) -> None:
    """Read the symbols on images into a results file. Touches no record."""
    result = read_images(folder, out=out, lanes=lanes, flip=flip, overlap=overlap)
    answer(result, images_lines(result))


def images_lines(result: dict[str, Any]) -> list[str]:
    """Images that were read, for people."""
    web = f"{many(result['lanes'] or 0, 'lane')}, {many(result['rows'], 'row')}"
    lines = [
        f"{many(result['images'], 'image')}, {many(result['readings'], 'label')} "
        f"({web if result['lanes'] else 'one each'}): "
        f"{result['read']:,} read, {result['not_read']:,} not read.",
        f"  how the readers agree: {tally(result['agreement'])}",
        f"  in a second: images {result['images_per_second']:,}, symbols "
        f"{result['symbols_per_second']:,}",
        f"  file {result['file']}  SHA-256 {result['sha256']}",
        f"  manifest {result['manifest']}: keep it with the images",
    ]
    if result["overlaps"]:
        lines.append(
            f"  overlaps proven: {result['overlaps']:,}; labels seen on two images: "
            f"{result['seen_twice']:,}"
        )
    if not result["readers"]["libdmtx"]:
        lines.append("  libdmtx is not installed: every symbol was read by zxing-cpp only.")
    if result["left_out"]:
        lines.append(f"  not looked at: {', '.join(result['left_out'][:10])}")
    lines += [f"  note: {note}" for note in result["notes"]]
    return [*lines, f"  Next: serialkeeper inspect take LOT {result['file']}", CAUTION]


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
        f"{many(result['readings'], 'reading')}: {understood['read']:,} read, "
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
    roll: Annotated[
        int, typer.Option(min=0, help="A roll that is read again; without it a first pass.")
    ] = 0,
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
        roll=roll,
    )
    answer(
        result,
        [
            f"Rehearsed lot {result['lot']}: {many(result['labels'], 'label')}, "
            f"{many(result['readings'], 'reading')}.",
            f"  faults: {tally(result['faults'])}",
            *(f"  results {file['file']}" for file in result["files"]),
            f"  truth   {result['truth']}",
        ],
    )
