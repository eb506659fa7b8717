"""What stands in the files of an export: the journal of each chain, byte by byte, and in words.

One class says what the files of a chain hold, entry by entry. Writing puts it into files; checking
makes it again from the journal and the parts of an export and compares. So a check needs nothing
but the folder, and there is one idea of what belongs there.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

import numpy as np
import orjson

from serialkeeper.rules import changes, replay
from serialkeeper.rules.chain import START, Entry, LotKey, PartRef, canonical, link
from serialkeeper.rules.moves import State
from serialkeeper.rules.parts import (
    EVIDENCE,
    NO_GRADE,
    NO_TIME,
    UNCHANGED,
    unpack_findings,
    unpack_packs,
    unpack_proofs,
    unpack_serials,
    unpack_states,
)

FORM = "serialkeeper export 1"
"""Stands in the manifest; another form would be another number."""

JOURNAL, PARTS, DETAIL, LABELS = "journal", "parts", "detail", "labels"
FOLDERS = (JOURNAL, PARTS, DETAIL, LABELS)
"""The folders that hold one file of JSON Lines for each chain."""

ORIGINALS = "originals"
MANIFEST, README, SUMS = "manifest.json", "README.txt", "SHA256SUMS"

_LONGEST = 100
"""Characters that are kept of the end of an original's name."""

Piece = tuple[str, bytes]
"""A folder, and what comes next in the chain's file there."""


def chain_name(lot_id: int, full_name: str) -> str:
    """A chain's name in an export: safe on every file system, and never that of another chain."""
    gtin, _, number = full_name.partition("/")
    return f"lot-{lot_id:06d}-{gtin}-{quote(number, safe='')}" if lot_id else "house"


def file_name(folder: str, chain: str) -> str:
    """Where a chain's file of JSON Lines lies."""
    return f"{folder}/{chain}.jsonl"


def original_name(chain: str, entry: Entry) -> str:
    """Where the file lies that an entry keeps: its number first, then its own name, escaped."""
    return f"{ORIGINALS}/{chain}/{entry.seq:06d}-{quote(entry.data['name'], safe='')[-_LONGEST:]}"


class ChainFiles:
    """What the files of one chain hold, made entry by entry.

    Attributes:
        head: the last entry's hash.
        told: how many entries, parts, labels and originals there are.
    """

    def __init__(self, key: LotKey) -> None:
        self.head = START
        self.told = {"entries": 0, "parts": 0, "labels": 0, "originals": 0}
        self._key = key
        self._letters = bytearray()
        self._serials: list[bytes] = []

    def add(self, entry: Entry, body: bytes, data: Mapping[PartRef, bytes]) -> Iterator[Piece]:
        """What an entry adds to the files.

        Args:
            entry: the next one of the chain.
            body: its exact bytes.
            data: the bytes of its parts.
        """
        self.head = link(self.head, body)
        self.told["entries"] += 1
        self.told["parts"] += len(entry.parts)
        self.told["originals"] += entry.verb in replay.KEEPING
        yield JOURNAL, body + b"\n"
        for ref in entry.parts:
            yield PARTS, part_line(entry.seq, ref, data[ref])
            yield DETAIL, _lines(entry.seq, ref, data[ref])
        for change in replay.changes(entry, self._key):
            self._carry_out(change, data)

    def _carry_out(self, change: changes.Change, data: Mapping[PartRef, bytes]) -> None:
        letters = self._letters
        match change:
            case changes.AddLabels(part):
                letters.extend(State.ALLOCATED.encode() * part.count)
                self._serials.append(data[part])
            case changes.MoveLabels(first, last, _, target):
                letters[first - 1 : last] = target.encode() * (last - first + 1)
            case changes.SetStates(part):
                new = unpack_states(part.first, part.count, data[part]).state
                span = slice(part.first - 1, part.first - 1 + part.count)
                old = np.frombuffer(bytes(letters[span]), np.uint8)
                letters[span] = np.where(new == UNCHANGED, old, new).tobytes()

    def labels(self) -> Iterator[bytes]:
        """Every label as it stands after the last entry, some thousand a piece."""
        position = 0
        for data in self._serials:
            rows = []
            for serial in unpack_serials(data):
                position += 1
                state = State(chr(self._letters[position - 1])).word
                rows.append({"position": position, "serial": serial, "state": state})
            yield _json_lines(rows)
        self.told["labels"] = position


def part_line(seq: int, ref: PartRef, data: bytes) -> bytes:
    """A part byte by byte, as one line; its SHA-256 is the one that its entry names."""
    return orjson.dumps(
        {
            "entry": seq,
            "kind": ref.kind,
            "first": ref.first,
            "count": ref.count,
            "sha256": ref.sha256,
            "base64": base64.b64encode(data).decode(),
        },
        option=orjson.OPT_APPEND_NEWLINE,
    )


def _json_lines(rows: Sequence[dict[str, Any]]) -> bytes:
    return b"".join(orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE) for row in rows)


def _lines(seq: int, ref: PartRef, data: bytes) -> bytes:
    """What a part says, one line a label."""
    rows: list[dict[str, Any]]
    match ref.kind:
        case "serials" | "extras":
            name = "serial" if ref.kind == "serials" else "extra"
            texts = enumerate(unpack_serials(data), ref.first)
            rows = [{"position": position, name: text} for position, text in texts]
        case "states":
            rows = _states(ref, data)
        case "findings":
            rows = [
                {
                    "position": one.position,
                    "finding": one.word,
                    "seen": one.seen,
                    "detail": one.detail,
                    "together": one.together,
                }
                for one in unpack_findings(data)
            ]
        case "proofs":
            rows = [
                {
                    "position": one.position,
                    "proof": one.word,
                    "evidence": one.evidence,
                    "detail": one.detail,
                }
                for one in unpack_proofs(data)
            ]
        case "packs":
            units = enumerate(unpack_packs(data).tolist(), ref.first)
            rows = [{"position": position, "pack": pack} for position, pack in units if pack]
        case _:
            raise ValueError(f"no part of the kind {ref.kind!r}")
    return _json_lines([{"entry": seq, **row} for row in rows])


def _states(ref: PartRef, data: bytes) -> list[dict[str, Any]]:
    """What a take says of each label that it says anything of."""
    states = unpack_states(ref.first, ref.count, data)
    said = states.state != UNCHANGED
    said |= (states.grade != NO_GRADE) | (states.time != NO_TIME)
    said |= states.evidence != ord(".")
    return [
        {
            "position": ref.first + place,
            "state": None if state == UNCHANGED else State(chr(state)).word,
            "evidence": EVIDENCE[chr(evidence)],
            "grade": None if grade == NO_GRADE else f"{grade // 10}.{grade % 10}",
            "at": None if time == NO_TIME else _moment(time),
        }
        for place, state, evidence, grade, time in zip(
            np.flatnonzero(said).tolist(),
            states.state[said].tolist(),
            states.evidence[said].tolist(),
            states.grade[said].tolist(),
            states.time[said].tolist(),
            strict=True,
        )
    ]


def _moment(milliseconds: int) -> str:
    seconds, thousandths = divmod(milliseconds, 1000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{thousandths:03d}Z"


def manifest(*, practice: bool, generation: int, schema: str, chains: Sequence[Any]) -> bytes:
    """What is in an export, as canonical JSON with a line feed.

    Args:
        practice: whether it is of a practice record.
        generation: of the record.
        schema: the version of the record's tables.
        chains: a mapping for each: name, lot, product_id, lot_id, head, and `ChainFiles.told`.
    """
    told = {
        "form": FORM,
        "record": "practice" if practice else "live",
        "generation": generation,
        "schema": schema,
        "chains": list(chains),
    }
    return canonical(told) + b"\n"


CHECK = """import hashlib, json, sys
from pathlib import Path

for chain in json.loads(Path("manifest.json").read_bytes())["chains"]:
    head = bytes(32)
    with open(f"journal/{chain['name']}.jsonl", "rb") as journal:
        for line in journal:
            head = hashlib.sha256(head + line.removesuffix(b"\\n")).digest()
    if head.hex() != chain["head"]:
        sys.exit(f"{chain['name']}: the journal is not the one that the manifest names")
"""
"""The script of README.txt with which anybody checks the chains; a test runs it."""


def readme(record: str) -> bytes:
    """README.txt: what is what, for whoever opens the folder in ten years.

    Args:
        record: `practice` or `live`.
    """
    practice = (
        "This is a practice record: nothing in it is a real lot, and nobody was authenticated.\n\n"
        if record == "practice"
        else ""
    )
    script = "".join(f"    {line}\n" if line else "\n" for line in CHECK.splitlines())
    return f"""A complete copy of a record of label numbers. It can be read without the program.

{practice}All files are UTF-8 text with one JSON value a line (JSON Lines), but for the originals.

{MANIFEST}   which chains there are, how many entries each has, and its head (last hash)
{SUMS}      of every other file; check them with: sha256sum -c {SUMS}
{JOURNAL}/        the journal: what happened, when (UTC; offset is minutes east of it), by whom and
                why. One file for each lot, and one for the house: people, products, settings.
                Each line is an entry, byte for byte as it is kept.
{PARTS}/          packed detail that belongs to entries, byte for byte, as base64; its SHA-256
                stands in the entry
{DETAIL}/         the same in words, one line for each label that an entry says something of: its
                number (serial), what is printed besides (extra), its new state with what told it
                (evidence), grade and reading time, what was found, the pack that it went into
{LABELS}/         every label of a lot as it stands after the last entry
{ORIGINALS}/      the readings as they came from the camera, in files named by the number of the
                entry that keeps them ("take started", "challenge run") and the last {_LONGEST}
                characters of their own name, in which every byte other than A-Z a-z 0-9 . _ - ~
                is written as % and two hex digits; names of lots are written in the same way

Positions are places in a lot's plan, from 1. Numbers are text: open these files with a program
that leaves text as it is; a spreadsheet may turn numbers into other ones.

The hash of an entry is SHA-256 over the hash of the entry before it (32 zero bytes for the first)
and the line without its line feed. This script (Python 3.11 or later, run in this folder) checks
all chains:

{script}
Whoever can write to this folder can write other hashes too. So compare the heads with a signed
checkpoint, or with a lot report on paper, that somebody else kept.

Not in here, because they are secrets: what is kept of passwords and PINs, and the keys of sessions.
The journal names only SHA-256 digests of what is sealed.
""".encode()
