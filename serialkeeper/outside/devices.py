"""Results files of any device, read by its camera profile: CSV, JSON Lines, XML.

As strict as the reader of our own file: what is not as the profile says refuses the file,
with the place. Files are read in blocks and never held whole.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from importlib.resources import files
from itertools import chain
from pathlib import Path

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.outside import camera
from serialkeeper.outside.camera import Batch, Originals
from serialkeeper.rules import profiles
from serialkeeper.rules.fields import REHEARSAL, Lines
from serialkeeper.rules.findings import Readings
from serialkeeper.rules.profiles import Profile, Source
from serialkeeper.rules.results import Interpretation, Plan
from serialkeeper.rules.translation import translate

LONGEST_LINE = 65_536
"""Bytes of a line; devices tell more than we need."""

Raw = tuple[int, pl.DataFrame, bool]
"""First line, one text column per mapped field, whether the rows say they are rehearsed."""

_NO_ROWS = pl.DataFrame()


@cache
def shipped() -> dict[str, str]:
    """The example profiles that come with this package, by name."""
    folder = files("serialkeeper.outside") / "profiles"
    return {
        item.name.removesuffix(".toml"): item.read_text(encoding="utf-8")
        for item in sorted(folder.iterdir(), key=lambda item: item.name)
        if item.name.endswith(".toml")
    }


def read(path: Path, blocks: Iterable[bytes], profile: Profile | None) -> Iterator[Batch]:
    """The rows of a results file in the default columns, in order, all checked.

    Args:
        path: the file, for refusals.
        blocks: its bytes, cut anywhere but within the first four; an empty block says that
            nothing more is there for now, and is answered with an empty batch.
        profile: how the device tells its results; None for our own file.

    Refuses `results_empty`, `results_header`, `results_encoding`, `results_row`,
    `results_truncated`, `results_value`.
    """
    if profile is None:
        yield from camera.read(path, blocks)
        return
    readers: dict[str, Callable[[Path, Iterable[bytes], Profile], Iterator[Raw]]] = {
        "csv": _csv,
        "json-lines": _json_lines,
        "xml": _xml,
    }
    rows = 0
    for first, raw, rehearsed in readers[profile.format](path, blocks, profile):
        if raw.height:
            rows += raw.height
            lines = Lines(str(path), first, profile.unit)
            yield Batch(first, translate(profile, raw, lines), rehearsed)
        else:
            yield camera.NOTHING
    if not rows:
        raise camera.empty(path)


def check_rehearsed(batch: Batch, path: Path, *, welcome: bool) -> None:
    """Refuses `results_rehearsed` for a rehearsed file where none is welcome."""
    if batch.rehearsed and not welcome:
        raise Refused(
            "results_rehearsed",
            "The file comes from a rehearsal.",
            where=str(path),
            expected="a camera's own file",
            came="rows marked as rehearsed",
            remedy="Use a practice record for rehearsals.",
        )


def interpret(
    source: camera.Source,
    plan: Plan,
    originals: Originals,
    *,
    sha256: str,
    profile: tuple[str, str],
    rehearsed: bool,
) -> tuple[Interpretation, Readings]:
    """Read a whole file against a plan.

    Args:
        source: the file.
        originals: gets every byte that was read.
        plan: what the labels should say.
        sha256: of the file, as it was when it was looked at first.
        profile: the camera profile's name and text; both empty for our own file.
        rehearsed: whether a rehearsed file is welcome.

    Refuses what `read` and `rules.results` refuse, and `results_rehearsed`.
    """
    path, (name, text) = source.path, profile
    described = profiles.parse(text, f"profile {name}") if name else None
    notes = Interpretation(plan, str(path), unit=described.unit if described else "line")
    with source.open() as file:
        for batch in read(path, camera.blocks(file, originals), described):
            check_rehearsed(batch, path, welcome=rehearsed)
            notes.add(batch.rows, batch.first_line)
    if originals.finish() != sha256:
        raise Refused(
            "results_truncated",
            "The file changed while it was read.",
            where=str(path),
            expected=f"SHA-256 {sha256}",
            came="other bytes",
            remedy="Wait until the camera has written the file, then take it again.",
        )
    return notes, notes.finish()


# -- bytes, texts, lines -------------------------------------------------------------------


def _texts(path: Path, blocks: Iterable[bytes], encoding: str) -> Iterator[bytes]:
    """The file as UTF-8 without byte order mark, block by block; empty ones are passed on."""
    name = {"utf-8-bom": "utf-8-sig"}.get(encoding, encoding)
    decode = codecs.getincrementaldecoder(name)().decode
    line, start = 1, True
    for data, final in chain(((block, False) for block in blocks), [(b"", True)]):
        if start and data:
            _check_mark(path, data, encoding)
            start = False
        try:
            text = decode(data, final=final)
        except UnicodeDecodeError as error:
            line += data[: error.start].count(b"\n")
            raise _bad_bytes(path, line, error, encoding) from None
        if "\x00" in text:
            line += text[: text.index("\x00")].count("\n")
            raise _not_plain(path, line, "a NUL byte", f"{encoding} text")
        line += text.count("\n")
        if text or not (data or final):
            yield text.encode()


def _check_mark(path: Path, data: bytes, encoding: str) -> None:
    """A byte order mark stands where the profile says so, and nowhere else."""
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    narrow = data.startswith(codecs.BOM_UTF8)
    came = "UTF-16" if wide else "UTF-8 with a byte order mark" if narrow else "no byte order mark"
    if (encoding == "utf-16") != wide or (narrow and encoding != "utf-8-bom"):
        raise _not_plain(path, 1, came, f"encoding {encoding}, as the profile says")


def _not_plain(path: Path, line: int, came: str, expected: str) -> Refused:
    return Refused(
        "results_encoding",
        f"The file holds {came}." if came.startswith("a ") else f"The file has {came}.",
        where=f"{path}, line {line}",
        expected=expected,
        came=came,
        remedy="Correct the profile's 'encoding' or 'line_end' under a new name, or the file.",
    )


def _bad_bytes(path: Path, line: int, error: UnicodeDecodeError, encoding: str) -> Refused:
    return Refused(
        "results_encoding",
        f"The file is not {encoding}.",
        where=f"{path}, line {line}",
        expected=f"encoding {encoding}, as the profile says",
        came=repr(error.object[error.start : error.start + 4]),
        remedy="Correct the profile's 'encoding' under a new name, or the file.",
    )


def _lines(path: Path, blocks: Iterable[bytes], profile: Profile) -> Iterator[tuple[int, bytes]]:
    """Blocks of whole lines, each line ending in a line feed, with the first one's number."""
    rest, line = b"", 1
    for data in _texts(path, blocks, profile.encoding):
        whole = rest + data
        end = whole.rfind(b"\n") + 1
        block, rest = whole[:end], whole[end:]
        camera.check_length(path, line, block, rest, LONGEST_LINE)
        if block:
            count = block.count(b"\n")
            yield line, _line_feeds(path, line, block, profile.line_end)
            line += count
        elif not data:
            yield line, b""
    if rest:
        raise camera.truncated(f"{path}, line {line}", rest)


def _line_feeds(path: Path, line: int, block: bytes, line_end: str) -> bytes:
    """The block with line feeds only. Refuses `results_encoding` for other line ends."""
    if line_end == "crlf":
        pairs = block.count(b"\r\n")
        if pairs != block.count(b"\n"):
            bare = next(n for n, row in enumerate(block.split(b"\n")) if not row.endswith(b"\r"))
            raise _not_plain(path, line + bare, "a bare line feed", "line ends CRLF")
        block = block.replace(b"\r\n", b"\n")
    if b"\r" in block:
        at = line + block[: block.index(b"\r")].count(b"\n")
        raise _not_plain(path, at, "a carriage return", f"line ends {line_end.upper()}")
    return block


# -- CSV -----------------------------------------------------------------------------------


def _csv(path: Path, blocks: Iterable[bytes], profile: Profile) -> Iterator[Raw]:
    sheet = profile.sheet
    before = sheet.skip
    names: list[str] | None = None
    width = 0
    for first, data in _lines(path, blocks, profile):
        line, block = first, data
        if not data:
            yield first, _NO_ROWS, False
        while before and block:
            _, _, block = block.partition(b"\n")
            line, before = line + 1, before - 1
        if not block:
            continue
        if names is None:
            names = _split(path, line, block.partition(b"\n")[0].decode(), profile)
            width = len(names)
            _check_header(path, line, names, profile)
            if sheet.header:
                _, _, block = block.partition(b"\n")
                line += 1
        if block:
            table = _table(path, line, block, width, profile)
            yield line, _columns(table, names, profile), sheet.header and REHEARSAL in names


def _split(path: Path, line: int, text: str, profile: Profile) -> list[str]:
    """The fields of one line."""
    sheet = profile.sheet
    if not sheet.quote or '"' not in text:
        return text.split(sheet.delimiter)
    try:
        return next(csv.reader([text], delimiter=sheet.delimiter, strict=True))
    except csv.Error as error:
        raise Refused(
            "results_header",
            f"A quoted name of a column is not clean: {error}.",
            where=f"{path}, line {line}",
            expected='"..." with inner quotes doubled (RFC 4180)',
            came=text[:120],
            remedy="Fetch the file again; it was cut or changed.",
        ) from None


def _check_header(path: Path, line: int, names: list[str], profile: Profile) -> None:
    """Refuses `results_header` unless every mapped column is there, once."""
    for field, places in profile.fields.items():
        for source in places:
            there = names.count(source) if isinstance(source, str) else int(source <= len(names))
            if there == 1:
                continue
            raise Refused(
                "results_header",
                f"The file has {'more than one' if there else 'no'} column {source!r}.",
                where=f"{path}, line {line}",
                expected=f"one column {source!r} for '{field}', as the profile says",
                came=profile.sheet.delimiter.join(names)[:120] or "an empty line",
                remedy="Check that the file is from this device; if the device was changed, keep "
                "a new profile.",
            )


def _table(path: Path, line: int, block: bytes, width: int, profile: Profile) -> pl.DataFrame:
    sheet = profile.sheet
    names = [str(number) for number in range(width)]
    if sheet.quote and b'"' in block:
        return camera.quoted(path, line, block.decode(), names, sheet.delimiter)
    camera.check_columns(path, line, block, width, sheet.delimiter)
    if width == 1:  # polars would leave out empty lines
        return pl.DataFrame({"0": block.decode().split("\n")[:-1]}, schema={"0": pl.String})
    return pl.read_csv(
        block,
        has_header=False,
        separator=sheet.delimiter,
        schema=dict.fromkeys(names, pl.String),
        quote_char=None,
        empty_string_is_null=False,
    )


def _columns(table: pl.DataFrame, names: list[str], profile: Profile) -> pl.DataFrame:
    """The mapped columns under their fields' names; date and time are joined by a space."""

    def column(source: Source) -> pl.Series:
        index = source - 1 if isinstance(source, int) else names.index(source)
        return table.to_series(index)

    return _joined({field: list(map(column, at)) for field, at in profile.fields.items()})


def _joined(columns: dict[str, list[pl.Series]]) -> pl.DataFrame:
    made = []
    for field, pieces in columns.items():
        whole = pieces[0]
        if len(pieces) == 2:
            both = (pieces[0] != "") | (pieces[1] != "")
            whole = (pieces[0] + " " + pieces[1]).set(~both, "")
        made.append(whole.alias(field))
    return pl.DataFrame(made)


# -- JSON Lines ----------------------------------------------------------------------------


def _json_lines(path: Path, blocks: Iterable[bytes], profile: Profile) -> Iterator[Raw]:
    from serialkeeper.outside.objects import read_objects

    for line, block in _lines(path, blocks, profile):
        if not block:
            yield line, _NO_ROWS, False
            continue
        columns, rehearsed = read_objects(path, line, block, profile)
        yield line, _frame(columns), rehearsed


def _xml(path: Path, blocks: Iterable[bytes], profile: Profile) -> Iterator[Raw]:
    from serialkeeper.outside.trees import read_records

    texts = _texts(path, blocks, profile.encoding)
    for first, columns, rehearsed in read_records(path, texts, profile):
        yield first, _frame(columns), rehearsed


def _frame(columns: dict[str, list[list[str]]]) -> pl.DataFrame:
    return _joined(
        {
            field: [pl.Series(values, dtype=pl.String) for values in pieces]
            for field, pieces in columns.items()
        }
    )
