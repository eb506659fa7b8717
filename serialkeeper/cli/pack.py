"""`pack`: bundles, cases and pallets, and what is in them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, answer, call
from serialkeeper.cli.label import positions as typed
from serialkeeper.cli.lot import LotName
from serialkeeper.errors import Refused, WrongUsage
from serialkeeper.outside.files import read_text
from serialkeeper.rules import pack_tree
from serialkeeper.rules.counts import many
from serialkeeper.rules.levels import NAMES
from serialkeeper.rules.logistic import BARS, X_RANGES
from serialkeeper.rules.moves import DECOMMISSION_REASONS
from serialkeeper.rules.pack_entries import STATES
from serialkeeper.steps import (
    contents,
    pack_checks,
    pack_files,
    pack_labels,
    packing,
    repacking,
    shipping,
)
from serialkeeper.store.record import Record

app = typer.Typer(help="Bundles, cases and pallets: filled, changed, labelled, shipped, shown.")
LARGEST_LIST = 10_000_000
"""Characters of a list of scans."""

LevelName = Annotated[str, typer.Argument(metavar="LEVEL", help=f"{', '.join(NAMES)}.")]
PackKey = Annotated[
    str, typer.Argument(metavar="PACK", help="SSCC, GTIN/NUMBER, or a scan of the pack's label.")
]
Children = Annotated[
    list[str] | None,
    typer.Argument(metavar="CHILD", help="Codes as scanned, numbers, packs; or @FILE, one a line."),
]
ChildWords = Annotated[
    list[str],
    typer.Argument(metavar="CHILD", help="Codes as scanned, numbers, packs; or @FILE, one a line."),
]
Why = Annotated[str, typer.Option(help="Why, in words.")]
Where = Annotated[str, typer.Option(help="Labels of the lot: 17,20,30-40, or @FILE.")]


@app.command()
def build(
    name: LotName,
    level: LevelName,
    children: Children = None,
    positions: Where = "",
    into: Annotated[str, typer.Option(metavar="PACK", help="An empty pack that has a key.")] = "",
    file: Annotated[
        Path | None, typer.Option(help="CSV: pack,level,child. Fills packs of all levels in it.")
    ] = None,
    in_order: Annotated[
        bool, typer.Option("--in-order", help="Fill packs with what is loose, in plan order.")
    ] = False,
    packs: Annotated[
        int | None, typer.Option(min=1, help="With --in-order: so many packs at most.")
    ] = None,
    scan: Annotated[
        bool, typer.Option("--scan", help="Pack after pack from a hand scanner; see guide packs.")
    ] = False,
    reason: Annotated[str, typer.Option(help="Why a pack is not full.")] = "",
) -> None:
    """Fill a pack, or many."""
    ways = [bool(children or positions), file is not None, in_order, scan]
    if sum(ways) != 1 or (into and not ways[0]) or (packs and not in_order):
        raise WrongUsage(
            "usage",
            "It has to be clear what goes into the pack.",
            where="pack build",
            expected="children or --positions (--into PACK); or --file, --in-order, or --scan",
            came="none or several of these",
            remedy="See: serialkeeper pack build --help",
        )
    record = call.record()
    if scan:
        _session(record, name, level, reason)
        return
    if file:
        result = pack_files.build_from_file(record, name, file, reason=reason)
    elif in_order:
        result = packing.build_in_order(record, name, level, count=packs, reason=reason)
    else:
        given = _all_words(children or [])
        where = typed(positions) if positions else ""
        result = packing.build(
            record, name, level, given, positions=where, into=into, reason=reason
        )
    answer(result, _built(result))


def _session(record: Record, name: str, level: str, reason: str) -> None:
    """Pack from scans until the input ends: children, then the label of an empty pack."""
    scans: list[str] = []
    made: list[dict[str, Any]] = []
    for line in sys.stdin:
        text = line.strip("\r\n ")
        if text.lower() in ("undo", ""):
            gone = scans.pop() if scans and text else ""
            _beep("good" if gone else "bad", f"taken back: {gone}" if gone else "nothing to undo")
            continue
        try:
            ends = text.lower() == "close" or pack_checks.ends(record, name, level, text)
            if ends:
                into = "" if text.lower() == "close" else text
                result = packing.build(record, name, level, scans, into=into, reason=reason)
                made += result["packs"]
                scans = []
                _beep("good", f"{level} {result['packs'][0]['key']} is packed")
                continue
            told = pack_checks.look(record, name, level, [*scans, text])
            scans.append(text)
            full = ": full, scan the pack's label" if told["held"] == told["holds"] else ""
            _beep("good", f"{told['held']} of {told['holds']}{full}")
        except Refused as refusal:
            _beep("bad", str(refusal))
    answer(
        {"packs": made, "left": scans},
        [f"Filled: {many(len(made), 'pack')}; scans left: {len(scans):,}."],
    )
    if scans:
        raise typer.Exit(FINDINGS)


def _beep(word: str, text: str) -> None:
    """What the scanner's own computer turns into a sound: `good` or `bad`, then why."""
    typer.echo(f"{word}: {text}", err=call.as_json)


def _all_words(children: list[str]) -> list[str]:
    return [word for child in children for word in _words(child)]


def _words(child: str) -> list[str]:
    if not child.startswith("@"):
        return [child]
    text = read_text(Path(child[1:]), LARGEST_LIST).replace("\r\n", "\n")
    return [line for line in text.split("\n") if line.strip()]


def _built(result: dict[str, Any]) -> Iterator[str]:
    made = result["packs"]
    for one in made[:20]:
        yield f"{one['level']} {one['key']}: {one['held']:,} in it" + ", part" * one["part"]
    if len(made) > 20:
        yield f"and {len(made) - 20:,} more, the last {made[-1]['level']} {made[-1]['key']}"
    yield (
        f"Filled: {many(result['count'], 'pack')}, part packs among them: {result['part']:,}. "
        f"Units of lot {result['lot']}: packed {result['units_packed']:,}, loose "
        f"{result['units_loose']:,}."
    )
    if result.get("passed_over"):
        yield (
            f"Passed over because they are held: {result['passed_over']:,}; "
            f"serialkeeper hold list {result['lot']}"
        )


@app.command()
def number(
    name: LotName,
    level: LevelName,
    count: Annotated[int, typer.Argument(metavar="N", min=1, help="How many.")],
) -> None:
    """Give packs their keys before they are filled."""
    result = packing.number(call.record(), name, level, count)
    answer(result, result["keys"])


@app.command()
def check(
    pack: PackKey,
    children: ChildWords,
    units: Annotated[bool, typer.Option("--units", help="The units in it, however deep.")] = False,
) -> None:
    """Compare scanned contents with the record."""
    result = pack_checks.check(call.record(), pack, _all_words(children), units=units)
    lines = [
        f"{result['level']} {result['key']}: {result['scanned']:,} scanned, "
        f"{result['expected']:,} expected: {', '.join(result['dispositions'])}",
        *(f"  missing {key}" for key in result["missing"]),
        *(
            f"  extra {one['scan']}" + (f", recorded in {one['in']}" if one["in"] else "")
            for one in result["extra"]
        ),
        *(f"  scanned twice {key}" for key in result["twice"]),
    ]
    answer(result, lines)
    if not result["complete"]:
        raise typer.Exit(FINDINGS)


@app.command()
def label(
    pack: PackKey,
    out: Annotated[Path | None, typer.Option(help="Write it: FILE.svg or FILE.pdf.")] = None,
    scan: Annotated[str, typer.Option(help="Check it: what the label on the pack says.")] = "",
    carrier: Annotated[str, typer.Option(help=f"{' or '.join(X_RANGES)}.")] = BARS,
    x: Annotated[float, typer.Option(metavar="MM", help="X-dimension.")] = 0,
    reason: Annotated[str, typer.Option(help="Why it is made again.")] = "",
) -> None:
    """Make a pack's label, or check it by a scan."""
    if bool(out) == bool(scan):
        raise WrongUsage(
            "usage",
            "A label is made, or checked.",
            where="pack label",
            expected="--out FILE, or --scan TEXT",
            came="both or none",
            remedy="See: serialkeeper pack label --help",
        )
    if out is None:
        result = pack_labels.check(call.record(), pack, scan)
        answer(result, [f"Label {result['copy']} of {result['key']} was read and is right."])
        return
    result = pack_labels.make(call.record(), pack, out=out, carrier=carrier, x=x, reason=reason)
    wide, high = result["needs"]
    answer(
        result,
        [
            f"Label {result['copy']} of {result['level']} {result['key']}, {result['torn']} torn: "
            f"{result['bracketed']}",
            f"  {result['carrier']}, X {result['x']:.3f} mm, {wide:.2f} x {high:.2f} mm, {out}",
        ],
    )


@app.command()
def ship(
    packs: Annotated[list[str], typer.Argument(metavar="PACK", help="Loose packs that left.")],
    to: Annotated[str, typer.Option(metavar="GLN", help="Where to, a location of the record.")],
    transaction: Annotated[
        str, typer.Option(metavar="TYPE:URI", help="Such as desadv:URI, po:URI.")
    ] = "",
) -> None:
    """Say that packs left for a place."""
    result = shipping.ship(call.record(), packs, to=to, transaction=transaction)
    answer(
        result,
        [
            f"{many(len(result['packs']), 'pack')} with {many(result['units'], 'unit')} left for "
            f"{to}."
        ],
    )


@app.command()
def unship(
    packs: Annotated[list[str], typer.Argument(metavar="PACK", help="Packs said to have left.")],
    reason: Why,
) -> None:
    """Say that packs had not left: they are here.

    Downstream an event says so (void_shipping).
    """
    result = shipping.unship(call.record(), packs, reason=reason)
    answer(result, [f"Still here: {', '.join(result['packs'])}: {result['reason']}"])


@app.command()
def add(
    pack: PackKey,
    children: ChildWords,
    reason: Annotated[str, typer.Option(help="Why a pack that was empty is not full.")] = "",
) -> None:
    """Put more into a pack that has room."""
    result = repacking.add(call.record(), pack, _all_words(children), reason=reason)
    answer(result, [_now(result)])


@app.command()
def remove(pack: PackKey, children: ChildWords, reason: Why) -> None:
    """Take units or packs out of a pack; they are loose then."""
    result = repacking.remove(call.record(), pack, _all_words(children), reason=reason)
    answer(result, [_now(result)])


@app.command()
def replace(
    pack: PackKey,
    bad: Annotated[str, typer.Argument(help="What comes out.")],
    good: Annotated[str, typer.Argument(help="What goes in.")],
    reason: Why,
) -> None:
    """Take one out and put one in, at once, so that a full pack stays full."""
    result = repacking.replace(call.record(), pack, bad, good, reason=reason)
    answer(result, [_now(result)])


@app.command()
def empty(pack: PackKey, reason: Why) -> None:
    """Take everything out of a pack; what was directly in it is loose then."""
    result = repacking.empty(call.record(), pack, reason=reason)
    answer(result, [f"{len(result['taken_out']):,} taken out.", _now(result)])


@app.command()
def move(
    children: ChildWords,
    into: Annotated[str, typer.Option(metavar="PACK", help="The pack that they go into.")],
    reason: Why,
) -> None:
    """Move units or packs from pack to pack."""
    result = repacking.move(call.record(), _all_words(children), into, reason=reason)
    answer(result, [_now(result)])


@app.command()
def decommission(
    pack: PackKey,
    reason: Annotated[str, typer.Option(help=f"One of: {', '.join(DECOMMISSION_REASONS)}.")],
    note: Annotated[
        str, typer.Option(help="Destruction record for 'destroyed'; text for 'other'.")
    ] = "",
    whole: Annotated[
        bool, typer.Option("--whole", help="With everything in it, out of what is around it.")
    ] = False,
) -> None:
    """End a pack that is empty and loose, or with --whole everything in it, too."""
    result = repacking.decommission(call.record(), pack, reason=reason, note=note, whole=whole)
    answer(
        result,
        [
            f"Ended: {many(len(result['packs']), 'pack')} and {many(result['units'], 'unit')}, "
            f"{reason}."
        ],
    )


def _now(result: dict[str, Any]) -> str:
    return (
        f"{result['level']} {result['key']}: {result['state']}, {result['held']:,} of "
        f"{result['holds']:,}"
    )


@app.command()
def show(
    pack: PackKey,
    out: Annotated[Path | None, typer.Option(help="Draw the tree into FILE.svg, too.")] = None,
    all_units: Annotated[bool, typer.Option("--all", help="Name every unit.")] = False,
) -> None:
    """Show a pack, what is in it and around it."""
    record = call.record()
    result = contents.show(record, pack, out=out)
    answer(result, pack_tree.lines(result, all_units=all_units))


@app.command("list")
def list_(
    name: LotName,
    level: Annotated[str, typer.Option(help="Only this level.")] = "",
    state: Annotated[str, typer.Option(help=f"part, empty, held, {', '.join(STATES)}.")] = "",
) -> None:
    """List a lot's packs, and the SSCCs left."""
    result = contents.all_packs(call.record(), name, level=level, state=state)
    answer(result, _listed(result))


def _listed(result: dict[str, Any]) -> Iterator[str]:
    for one in result["levels"]:
        left = one["ssccs_left"]
        if left is None:
            key = f"GTIN {one['gtin']} and number"
        else:
            key = f"SSCC, {left:,} more can be formed"
        yield f"{one['level']}: holds {one['holds']:,}, {key}"
    for row in result["packs"]:
        bad = f", {row['doubtful']} not good" if row["doubtful"] else ""
        bad += f", held by {', '.join(row['held_by'])}" if row["held_by"] else ""
        yield (
            f"{row['key']:32}  {row['level']:7} {row['state']:14} {row['held']:>6,} of "
            f"{row['holds']:,}, {many(row['units'], 'unit')}" + bad + ", loose" * row["loose"]
        )
