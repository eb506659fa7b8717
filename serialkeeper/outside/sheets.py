"""Files to import, read with care: what an editor or a spreadsheet did to them is named.

UTF-8 without byte order mark; lines end in LF or CRLF, the last one too.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from serialkeeper.errors import Refused
from serialkeeper.rules.bad_rows import BadRow
from serialkeeper.rules.gs1 import FILE_GS, GS

LARGEST_SHEET = 10_000_000
"""Bytes of a file that is read at once."""

PIECE = 1 << 22
"""Bytes of a long file that are read at a time."""

_MARKS = {
    b"\xef\xbb\xbf": "UTF-8 with a byte order mark",
    b"\xff\xfe": "UTF-16",
    b"\xfe\xff": "UTF-16",
}


@dataclass(frozen=True)
class Sheet:
    """A small CSV file.

    Attributes:
        sha256: of its bytes, hex.
        rows: line number and fields by column, all columns there.
        bad: rows with too many or too few fields.
    """

    sha256: str
    rows: list[tuple[int, dict[str, str]]]
    bad: list[BadRow]


def read_sheet(path: Path, needed: Sequence[str], free: Sequence[str]) -> Sheet:
    """A small CSV file with a header (RFC 4180).

    Args:
        needed: columns that have to be there.
        free: columns that may be left out; empty then.

    Refuses `file_missing`, `import_encoding`, `import_header`, `import_rows`.
    """
    data = _open(path, LARGEST_SHEET)
    _check_bytes(path, data, 1)
    if not data.endswith(b"\n"):
        raise _cut(path, data)
    text = data.decode().replace("\r\n", "\n")
    lines = text.split("\n")[:-1]
    header = [name.strip() for name in _fields(path, 1, lines[0])]
    _check_header(path, header, needed, free, lines[0])
    rows: list[tuple[int, dict[str, str]]] = []
    bad: list[BadRow] = []
    for number, line in enumerate(lines[1:], 2):
        fields = _fields(path, number, line)
        if len(fields) == len(header):
            named = dict(zip(header, fields, strict=True))
            rows.append((number, {name: named.get(name, "") for name in (*needed, *free)}))
        else:
            expected = f"{len(header)} fields with commas between them"
            remedy = 'put a field that holds a comma between quotes: "..."'
            bad.append(BadRow(number, "the whole row", expected, line or "an empty line", remedy))
    if not rows and not bad:
        raise _empty(path)
    return Sheet(hashlib.sha256(data).hexdigest(), rows, bad)


def _fields(path: Path, number: int, line: str) -> list[str]:
    try:
        return next(csv.reader([line], strict=True), [])
    except csv.Error as error:
        raise Refused(
            "import_header" if number == 1 else "import_rows",
            f"A quoted field is not closed or not clean: {error}.",
            where=f"{path}, line {number}",
            expected='"..." with inner quotes doubled (RFC 4180), on one line',
            came=line[:120],
            remedy="Export the file again.",
        ) from None


def _check_header(
    path: Path, header: list[str], needed: Sequence[str], free: Sequence[str], line: str
) -> None:
    missing = [name for name in needed if name not in header]
    strange = [name for name in header if name not in (*needed, *free)]
    if not missing and not strange and len(set(header)) == len(header):
        return
    remedy = "Name each column once, and no other, in any order."
    for sign, name in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if sign in line:
            remedy = f"Separate the columns by commas, not {name}."
    if missing and not remedy.startswith("Separate"):
        remedy += f" Missing: {', '.join(missing)}."
    raise Refused(
        "import_header",
        "The first line does not name the expected columns.",
        where=f"{path}, line 1",
        expected=",".join(needed) + (f" and, if wanted, {','.join(free)}" if free else ""),
        came=line[:120] or "an empty line",
        remedy=remedy,
    )


def _open(path: Path, most: int) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(most + 1)
    except OSError as error:
        raise _missing(path, error) from None
    if len(data) > most:
        raise Refused(
            "import_rows",
            "The file is too large for one import.",
            where=str(path),
            expected=f"at most {most:,} bytes",
            came="more",
            remedy="Check that it is the right file, or cut it into several.",
        )
    if not data:
        raise _empty(path)
    return data


def _missing(path: Path, error: OSError) -> Refused:
    return Refused(
        "file_missing",
        f"The file cannot be read: {error.strerror}.",
        where=str(path),
        expected="a file",
        came="a folder" if path.is_dir() else "nothing",
        remedy="Check the file's name and the right to read it.",
    )


def _empty(path: Path) -> Refused:
    return Refused(
        "import_empty",
        "The file holds no rows.",
        where=str(path),
        expected="at least one row",
        came="none",
        remedy="Check that it is the right file.",
    )


def _cut(path: Path, data: bytes) -> Refused:
    return Refused(
        "import_rows",
        "The file ends in the middle of a row.",
        where=f"{path}, the last line",
        expected="a line end after the last row",
        came=data.rpartition(b"\n")[2][:80].decode(errors="replace"),
        remedy="Fetch the file again; if it is whole, end its last line.",
    )


def _check_bytes(path: Path, data: bytes, line: int) -> None:
    """Refuses `import_encoding` with the line for what is no plain UTF-8 text."""
    found, at, came = "", 0, ""
    for mark, name in _MARKS.items():
        if line == 1 and data.startswith(mark):
            found, came = f"The file is {name}.", name
    if not found and b"\x00" in data:
        found, at, came = "The file holds a NUL byte.", data.index(b"\x00"), "a NUL byte"
    if not found:
        try:
            data.decode()
        except UnicodeDecodeError as error:
            found, at = "The file is not UTF-8.", error.start
            came = repr(data[at : at + 4])
    if found:
        raise Refused(
            "import_encoding",
            found,
            where=f"{path}, line {line + data[:at].count(bytes([10]))}",
            expected="UTF-8 without a byte order mark",
            came=came,
            remedy="Save the file as plain UTF-8 (without a byte order mark) and import that.",
        )


class Numbers:
    """The lines of a file of numbers, a piece at a time, hashed on the way.

    Attributes:
        size, sha256: bytes and their hash, whole once all lines were given.
        so_far: the hash of all bytes that were read for the lines given last.
        header: what the first line said: `serial`, `code`, or nothing.
    """

    def __init__(self, path: Path) -> None:
        self.path, self.size, self.sha256, self.header = path, 0, "", ""
        self.so_far = ""

    def lines(self) -> Iterator[tuple[int, pl.Series]]:
        """The number of a first line, and texts from there, separators as ASCII 29.

        Refuses `file_missing`, `import_encoding`, `import_header`, `import_empty`, `import_rows`.
        """
        digest, line, rest = hashlib.sha256(), 1, b""
        try:
            with self.path.open("rb") as file:
                while data := file.read(PIECE):
                    digest.update(data)
                    self.size += len(data)
                    block, end, rest = (rest + data).rpartition(b"\n")
                    if not end and len(rest) > PIECE:
                        raise _cut(self.path, rest[:80])
                    if not end:
                        continue
                    _check_bytes(self.path, block, line)
                    texts = self._texts(block, line)
                    if line == 1:
                        texts = self._without_header(texts)
                    first = line + (1 if line == 1 and self.header else 0)
                    line = first + len(texts)
                    self.so_far = digest.hexdigest()
                    if len(texts):
                        yield first, texts
        except OSError as error:
            raise _missing(self.path, error) from None
        if rest:
            raise _cut(self.path, rest)
        if line == 1 or (line == 2 and self.header):
            raise _empty(self.path)
        self.sha256 = digest.hexdigest()

    @property
    def _is_csv(self) -> bool:
        return self.path.suffix.lower() == ".csv"

    def _texts(self, block: bytes, line: int) -> pl.Series:
        texts = block.decode().replace(FILE_GS, GS).split("\n")
        if b"\r" in block:
            texts = [text.removesuffix("\r") for text in texts]
        if self._is_csv and b'"' in block:
            texts = [
                text if '"' not in text else self._unquoted(text, line + number)
                for number, text in enumerate(texts)
            ]
        elif self._is_csv and b"," in block:
            for number, text in enumerate(texts):
                if "," in text:
                    self._unquoted(text, line + number)
        return pl.Series(texts, dtype=pl.String)

    def _unquoted(self, text: str, number: int) -> str:
        fields = _fields(self.path, number, text)
        if number > 1 and len(fields) != 1:
            raise Refused(
                "import_rows",
                f"A row has {len(fields)} fields.",
                where=f"{self.path}, line {number}",
                expected="one field; a code that holds a comma or a quote stands between quotes",
                came=text[:120],
                remedy="Leave one column, serial or code, and export the file again.",
            )
        return ",".join(fields)

    def _without_header(self, texts: pl.Series) -> pl.Series:
        first = texts[0]
        if first in ("serial", "code"):
            self.header = first
            return texts.slice(1)
        if self._is_csv:
            _check_header(self.path, first.split(","), ["serial or code"], (), first)
        return texts
