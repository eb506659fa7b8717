"""`scan`: what a code is, whether it is well formed, and what the record knows of it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import DEFAULT_RECORD, FINDINGS, answer, call
from serialkeeper.errors import Refused
from serialkeeper.outside.images import image_named
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.steps import scans
from serialkeeper.store.record import Record


def scan(
    what: Annotated[
        str,
        typer.Argument(
            metavar="TEXT",
            help="A code as scanned or typed; - for a line of standard input; or an image file.",
        ),
    ],
) -> None:
    """Say what a code is, part by part, and what the record knows. Works without a record, too."""
    sent: str | Path
    if what == "-":
        sent = sys.stdin.buffer.readline().decode(errors="backslashreplace")
    else:
        sent = image_named(what) or what
    result = scans.scan(_record(), sent)
    answer(result, map(_printable, _lines(result)))
    if result["outcome"] == scans.MALFORMED:
        raise typer.Exit(1)
    if result["outcome"] == scans.NOT_GOOD:
        raise typer.Exit(FINDINGS)


def _record() -> Record | None:
    """The record, or none where nobody named one and none lies here."""
    try:
        return call.record()
    except Refused as refusal:
        if refusal.word == "record_missing" and call.url == DEFAULT_RECORD:
            return None
        raise


def _printable(line: str) -> str:
    """The line without anything that would move a terminal's cursor or colour it."""
    return "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in line)


def _lines(result: dict[str, Any]) -> Iterator[str]:
    image = result["image"]
    if image:
        yield f"{image['name']} (SHA-256 {image['sha256'][:12]}...): {len(result['codes'])} read"
        for one in image["unread"]:
            yield f"  a symbol at {one['x']}, {one['y']} was not read: {one['detail']}"
    for code in result["codes"]:
        yield from _code(code)
        if result["record"] is None:
            yield "No record was asked."
    yield CAUTION


def _code(code: dict[str, Any]) -> Iterator[str]:
    separator = f", separators as {code['separator']}" if code["separator"] else ""
    carrier = f" from {code['symbology']} ({code['carrier']})" if code["carrier"] else ""
    yield f"{code['scanned']}"
    yield f"  {code['form']}{carrier}{separator}: {code['outcome']}"
    if code["number"]:
        yield f"  number {code['number']}"
    for part in code["parts"]:
        says = f"  {part['says']}" if part["says"] else ""
        yield f"  ({part['ai']}) {part['title']:18} {part['value']:20}{says}  [{part['meaning']}]"
    for note in code["notes"]:
        yield f"  note: {note}"
    for kind in ("faults", "doubts"):
        for fault in code[kind]:
            yield f"  {kind[:-1]}: {fault['message']} [{fault['word']}]"
            for name in ("where", "expected", "came"):
                if fault[name]:
                    yield f"    {name}: {fault[name]}"
            yield f"    what to do: {fault['remedy']}"
    for guess in code["likely"]:
        label = guess["label"]
        known = (
            f": position {label['position']} of lot {label['lot']}, {label['state']}"
            if label
            else ", if so well formed; no record knows it"
        )
        yield f"  likely, not scanned: {guess['bracketed'] or guess['number']}{known}"
        yield f"    if {'; '.join(guess['how'])}"
    if code["known"]:
        yield from _known(code["known"])
    for sentence in code["against"]:
        yield f"  against it: {sentence}"


def _known(known: dict[str, Any]) -> Iterator[str]:
    if known["product"]:
        yield f"  product {known['product']['gtin']}: {known['product']['name']}"
    if known["lot"]:
        lot = known["lot"]
        size = many(lot["labels"], "label")
        yield f"  lot {lot['lot']}: {lot['state']}, expiry {lot['expiry']}, {size}"
    if known["pack"]:
        yield f"  {known['pack']}"
    label = known["label"]
    if not label:
        return
    yield f"  label {label['position']} of lot {label['lot']}: {label['state']}"
    place = label["place"]
    if place:
        rolls = (
            f", roll {', '.join(str(roll) for roll in place['rolls'])}" if place["rolls"] else ""
        )
        yield f"    print job {place['job']}, row {place['row']}, lane {place['lane']}{rolls}"
    for pack in label["packs"]:
        yield f"    in {pack['level']} {pack['key']}"
    for found in label["findings"]:
        yield f"    finding {found['finding']} ({found['state']}): {found['detail']}"
    for link in ("replaced_by", "replaces"):
        if label[link]:
            yield f"    {link.replace('_', ' ')} position {label[link]}"
    for move in label["last_moves"]:
        reason = f", {move['reason']}" if move["reason"] else ""
        yield f"    {move['at']}  -> {move['to']} by {move['person']} at {move['station']}{reason}"
