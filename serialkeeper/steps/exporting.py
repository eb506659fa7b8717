"""A complete copy of the record as a folder that a person and a program can read, and its check."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from serialkeeper.errors import Damaged, SerialKeeperError
from serialkeeper.outside.folders import NewFile, NewFolder, digest_of, files_in, unreadable
from serialkeeper.rules import exports
from serialkeeper.rules.chain import HOUSE, Entry, LotKey, Part, PartRef, parse
from serialkeeper.rules.exports import (
    FOLDERS,
    FORM,
    JOURNAL,
    LABELS,
    MANIFEST,
    PARTS,
    README,
    SUMS,
    ChainFiles,
)
from serialkeeper.rules.progress import CHECKED
from serialkeeper.rules.replay import KEEPING
from serialkeeper.store.record import SCHEMA, Record
from serialkeeper.store.verify import sound_part, verify
from serialkeeper.store.view import View

_LONGEST_LINE = 1 << 28
"""Bytes in a line of an export before something is wrong."""


def write(record: Record, out: Path) -> dict[str, Any]:
    """Write a complete copy: the journal, parts, labels and originals of one look at the record.

    The record is checked first, as `record verify` does, in the same look. The same record gives
    the same bytes. Nothing of passwords is in it, and nothing is written to the record.

    Args:
        out: a folder that is not there yet.

    Refuses `file_exists`, `file_unwritable`; raises Damaged for a record that is not sound.

    Returns:
        folder, record, generation, schema, chains, entries, parts, labels, originals, files,
        bytes, and heads as `record verify` tells them.
    """
    with NewFolder(out) as folder:
        with record.read() as view:
            verify(view, partial(record.seen, CHECKED))
            names = {lot.id: lot.full_name for lot in view.lots()}
            there, chains, before = view.chains(), list[dict[str, Any]](), 0
            of = sum(chain.count for chain in there)
            for chain in there:
                key = LotKey(chain.product_id, chain.lot_id)

                def written(seq: int, before: int = before) -> None:
                    record.seen("entries written", before + seq, of)

                name = names.get(key.lot_id, "house")
                chains.append(_write_chain(view, folder, key, name, written))
                before += chain.count
            generation = int(view.setting("generation") or 1)
        kind = "practice" if record.practice else "live"
        told = exports.manifest(
            practice=record.practice, generation=generation, schema=SCHEMA, chains=chains
        )
        for name, text in ((MANIFEST, told), (README, exports.readme(kind))):
            with folder.file(name) as file:
                file.write(text)
        sums = "".join(f"{folder.sums[name]}  {name}\n" for name in sorted(folder.sums))
        with folder.file(SUMS) as file:
            file.write(sums.encode())
        folder.deliver()
    return _answer(out, orjson.loads(told), files=len(folder.sums), size=folder.bytes)


def _write_chain(
    view: View, folder: NewFolder, key: LotKey, full_name: str, written: Callable[[int], None]
) -> dict[str, Any]:
    """One chain's files; gives what the manifest says of it. `written` is told of each entry."""
    name = exports.chain_name(key.lot_id, full_name)
    made = ChainFiles(key)
    with ExitStack() as opened:
        files = {
            one: opened.enter_context(folder.file(exports.file_name(one, name))) for one in FOLDERS
        }
        for _, body, _ in view.stored_entries(key):
            entry = parse(body)
            data = {ref: sound_part(view, key, entry, ref) for ref in entry.parts}
            for where, piece in made.add(entry, body, data):
                files[where].write(piece)
            if entry.verb in KEEPING:
                with folder.file(exports.original_name(name, entry)) as original:
                    _write_original(view, key, entry, original)
            written(entry.seq)
        for piece in made.labels():
            files[LABELS].write(piece)
    return {
        "name": name,
        "lot": full_name,
        **key.row(),
        "head": made.head.hex(),
        **made.told,
    }


def _write_original(view: View, key: LotKey, entry: Entry, file: NewFile) -> None:
    for piece in view.original(key, entry.data["sha256"]):
        file.write(piece)


def _answer(folder: Path, told: Mapping[str, Any], *, files: int, size: int) -> dict[str, Any]:
    chains = told["chains"]
    return {
        "folder": str(folder),
        **{name: told[name] for name in ("record", "generation", "schema")},
        "chains": len(chains),
        **{
            name: sum(chain[name] for chain in chains)
            for name in ("entries", "parts", "labels", "originals")
        },
        "files": files,
        "bytes": size,
        "heads": {
            chain["lot"]: {"entries": chain["entries"], "head": chain["head"]} for chain in chains
        },
    }


# -- checking ------------------------------------------------------------------------------------


def check(folder: Path) -> dict[str, Any]:
    """Check an export by itself: every file's hash, every chain, part and original, and that what
    is told in words follows from them. No record is needed.

    Refuses `file_missing`; raises Damaged (`export_differs`) at the first fault.

    Returns:
        The same as `write`.
    """
    there, others = files_in(folder)
    if others:
        raise _differs(others[0], "plain files and folders", "a link, or something else")
    _check_sums(there)
    told = _manifest(there[MANIFEST])
    expected = {MANIFEST, README, SUMS}
    try:
        for chain in told["chains"]:
            expected |= _check_chain(there, chain)
    except OSError as error:
        raise unreadable(folder, error) from None
    if told["chains"][0]["lot_id"] != HOUSE.lot_id or expected != there.keys():
        odd = sorted(expected ^ there.keys())
        raise _differs(odd[0] if odd else MANIFEST, "what the manifest names", "something else")
    size = sum(path.stat().st_size for path in there.values())
    return _answer(folder, told, files=len(there), size=size)


def _check_sums(there: Mapping[str, Path]) -> None:
    """Every file is named in SHA256SUMS, and has that digest."""
    for name in (MANIFEST, README, SUMS):
        if name not in there:
            raise _differs(name, "a file", "none")
    sums = {name: digest_of(path) for name, path in there.items() if name != SUMS}
    with there[SUMS].open("rb") as file:
        for number, (name, wanted) in enumerate(sorted(sums.items()), 1):
            line = file.readline(_LONGEST_LINE)
            if line != f"{wanted}  {name}\n".encode():
                came = line.decode(errors="replace")[:200].rstrip("\n")
                raise _differs(f"{SUMS}, line {number}", f"{wanted}  {name}", came or "nothing")
        if file.read(1):
            raise _differs(SUMS, f"{len(sums)} lines", "more")


def _manifest(path: Path) -> Any:
    """What the manifest says, as far as a check rests on it."""
    try:
        told = orjson.loads(path.read_bytes())
        again = exports.manifest(
            practice=told["record"] == "practice",
            generation=told["generation"],
            schema=told["schema"],
            chains=told["chains"],
        )
        if told["form"] == FORM and told["chains"] and again == path.read_bytes():
            return told
    except (OSError, ValueError, TypeError, LookupError):
        pass
    raise _differs(MANIFEST, f"a manifest of the form {FORM!r}", "something else")


def _check_chain(there: Mapping[str, Path], chain: Mapping[str, Any]) -> set[str]:
    """Make a chain's files again from journal and parts, and compare; gives the files' names."""
    try:
        name = exports.chain_name(chain["lot_id"], chain["lot"])
        if name != chain["name"]:
            raise _differs(MANIFEST, name, str(chain["name"])[:200])
        return _compare_chain(there, chain, name)
    except SerialKeeperError as error:
        if error.word in ("export_differs", "file_missing"):
            raise
        raise _differs(
            f"chain {error.where or chain['lot']}", "a sound journal", str(error)
        ) from None
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        came = f"{type(error).__name__}: {error}"[:200]
        raise _differs(MANIFEST, "a sound journal of each chain", came) from None


def _compare_chain(there: Mapping[str, Path], chain: Mapping[str, Any], name: str) -> set[str]:
    made = ChainFiles(LotKey(chain["product_id"], chain["lot_id"]))
    names = {folder: exports.file_name(folder, name) for folder in FOLDERS}
    originals = set()
    with ExitStack() as opened:
        files = {one: opened.enter_context(there[names[one]].open("rb")) for one in FOLDERS}
        entries = opened.enter_context(there[names[JOURNAL]].open("rb"))
        parts = opened.enter_context(there[names[PARTS]].open("rb"))

        def compare(where: str, piece: bytes) -> None:
            if files[where].read(len(piece)) != piece:
                what = f"what entry {made.told['entries']} says"
                raise _differs(names[where], what, "something else")

        for body in _lines(entries, names[JOURNAL]):
            entry = parse(body)
            if (entry.chain, entry.seq) != (chain["lot_id"], made.told["entries"] + 1):
                came = f"entry {entry.seq} of chain {entry.chain}"
                raise _differs(names[JOURNAL], f"entry {made.told['entries'] + 1}", came)
            data = {ref: _part(parts, names[PARTS], entry, ref) for ref in entry.parts}
            for where, piece in made.add(entry, body, data):
                compare(where, piece)
            if entry.verb in KEEPING:
                original = exports.original_name(name, entry)
                originals.add(original)
                if original not in there or digest_of(there[original]) != entry.data["sha256"]:
                    raise _differs(
                        original, f"SHA-256 {entry.data['sha256']}", "another file, or none"
                    )
        for piece in made.labels():
            compare(LABELS, piece)
        for where, file in files.items():
            if file.read(1):
                raise _differs(names[where], "nothing after the last entry", "more")
    for what, wanted in {"head": made.head.hex(), **made.told}.items():
        if chain[what] != wanted:
            raise _differs(MANIFEST, f"{name}: {what} {wanted}", str(chain[what])[:100])
    return {*names.values(), *originals}


def _lines(file: BinaryIO, name: str) -> Iterator[bytes]:
    """The lines of a file without their line feeds."""
    while line := file.readline(_LONGEST_LINE):
        if not line.endswith(b"\n"):
            raise _differs(name, "lines that end with a line feed", "a line without end")
        yield line[:-1]


def _part(file: BinaryIO, name: str, entry: Entry, ref: PartRef) -> bytes:
    """The next part of a file, which has to be the one that an entry names."""
    line = next(_lines(file, name), b"{}")
    try:
        data = base64.b64decode(orjson.loads(line)["base64"], validate=True)
    except (ValueError, TypeError, LookupError):
        data = b""
    if Part(ref.kind, ref.first, ref.count, data).ref() != ref:
        what = f"{ref.kind} from position {ref.first} of entry {entry.seq}, SHA-256 {ref.sha256}"
        raise _differs(name, what, "another part, or none")
    return data


def _differs(where: str, expected: str, came: str) -> Damaged:
    return Damaged(
        "export_differs",
        "The export is not as it was made.",
        where=where,
        expected=expected,
        came=came,
        remedy="Do not rely on this folder; keep it as evidence, and export the record again.",
    )
