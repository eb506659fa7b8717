"""Results files of a camera: read whole and strictly, or refused with the place.

A file is read in blocks of whole lines. Lines with a quoted field go through Python's csv
reader, all others through polars. Nothing is guessed: a short row, a stray sign or a cut
last line refuses the file.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
import polars as pl

from serialkeeper.errors import Refused, Unavailable
from serialkeeper.rules.fields import COLUMNS, REHEARSAL

_BLOCK = 4 << 20
_PIECE = 1 << 20
LONGEST_LINE = 4_096
_MARKS = {
    b"\xef\xbb\xbf": "UTF-8 with a byte order mark",
    b"\xff\xfe": "UTF-16",
    b"\xfe\xff": "UTF-16",
}


@dataclass(frozen=True)
class Source:
    """A results file: by its name, or one that is open already and may have lost its name.

    Attributes:
        path: as it was typed, for people.
        file: the open file, or None to open it by its path.
    """

    path: Path
    file: IO[bytes] | None = None

    @contextmanager
    def open(self) -> Iterator[IO[bytes]]:
        """The file from its start. Refuses `file_missing`."""
        if self.file is not None:
            self.file.seek(0)
            yield self.file
            return
        with opened(self.path) as file:
            yield file


def opened(path: Path) -> IO[bytes]:
    """A file to read. Refuses `file_missing`."""
    try:
        return path.open("rb")
    except FileNotFoundError:
        raise Refused(
            "file_missing",
            "The results file is not there.",
            where=str(path),
            expected="a file",
            came="nothing",
            remedy="Check the file's name and folder.",
        ) from None
    except OSError as error:
        raise Unavailable(
            "file_missing",
            f"The results file cannot be read: {error.strerror}.",
            where=str(path),
            remedy="Check the file and the right to read it.",
        ) from None


def digest(source: Source, at: Iterable[int] = ()) -> tuple[str, int, dict[int, str]]:
    """SHA-256 (hex) and size of a file, and SHA-256 of its first bytes up to some sizes.

    Refuses `file_missing`.

    Args:
        source: the file.
        at: sizes; those beyond the file's own are left out.
    """
    found, size, starts = hashlib.sha256(), 0, dict[int, str]()
    with source.open() as file:
        try:
            for stop in sorted(set(at)):
                while size < stop and (data := file.read(min(_PIECE, stop - size))):
                    found.update(data)
                    size += len(data)
                if size == stop:
                    starts[stop] = found.hexdigest()
            while data := file.read(_PIECE):
                found.update(data)
                size += len(data)
        except OSError as error:
            raise Unavailable(
                "file_missing",
                f"The results file cannot be read: {error.strerror}.",
                where=str(source.path),
                remedy="Check the file and the right to read it.",
            ) from None
    return found.hexdigest(), size, starts


def blocks(file: IO[bytes], originals: Originals) -> Iterator[bytes]:
    """The bytes of a file in order; `originals` gets every one of them."""
    while data := file.read(_BLOCK):
        for start in range(0, len(data), _PIECE):
            originals.add(data[start : start + _PIECE])
        yield data


@dataclass(frozen=True)
class Batch:
    """Some rows of a results file.

    Attributes:
        first_line: line number of the first row; the header is line 1.
        rows: one text column per column of the file.
        rehearsed: whether the file says of itself that it comes from a rehearsal.
    """

    first_line: int
    rows: pl.DataFrame
    rehearsed: bool


NOTHING = Batch(0, pl.DataFrame(), rehearsed=False)
"""No rows: a file that grows has no more of them for now."""


class Originals:
    """A copy of a file as it passes by: gzip pieces on disk, packed on a second core."""

    def __init__(self) -> None:
        self._spool: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 - closed by close()
        self._lengths: list[int] = []
        self._pool = ThreadPoolExecutor(1)
        self._waiting: list[Future[bytes]] = []
        self._digest = hashlib.sha256()
        self._packed = hashlib.sha256()

    def add(self, data: bytes) -> None:
        """Take in the next bytes of the file."""
        self._waiting.append(self._pool.submit(self._pack, data))
        while len(self._waiting) > 4:
            self._put(self._waiting.pop(0))

    def _pack(self, data: bytes) -> bytes:
        self._digest.update(data)
        return gzip.compress(data, 1, mtime=0)

    def _put(self, piece: Future[bytes]) -> None:
        packed = piece.result()
        self._lengths.append(self._spool.write(packed))
        self._packed.update(packed)

    def finish(self) -> str:
        """Pack the rest; gives the SHA-256 of all that passed."""
        while self._waiting:
            self._put(self._waiting.pop(0))
        return self._digest.hexdigest()

    @property
    def count(self) -> int:
        """How many pieces there are."""
        return len(self._lengths)

    @property
    def packed(self) -> str:
        """SHA-256 of all pieces as they are kept."""
        return self._packed.hexdigest()

    def pieces(self) -> Iterator[bytes]:
        """The gzip pieces in order."""
        self._spool.seek(0)
        for length in self._lengths:
            yield self._spool.read(length)

    def close(self) -> None:
        """Let go of the copy."""
        self._pool.shutdown(cancel_futures=True)
        self._spool.close()

    def __enter__(self) -> Originals:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def read(path: Path, blocks: Iterable[bytes]) -> Iterator[Batch]:
    """The rows of a results file, in order, all checked for their form.

    Args:
        path: the file, for refusals.
        blocks: its bytes, cut anywhere; an empty block says that nothing more is there for now,
            and is answered with an empty batch.

    Refuses `results_empty`, `results_header`, `results_encoding`, `results_row`,
    `results_truncated`.
    """
    rest, line, columns = b"", 1, 0
    rows = 0
    for data in blocks:
        whole = rest + data
        end = whole.rfind(b"\n") + 1
        block, rest = whole[:end], whole[end:]
        if line == 1 and (block or len(rest) > LONGEST_LINE):
            columns, block = _header(path, block or rest[: 2 * LONGEST_LINE], bool(block))
            line = 2
        check_length(path, line, block, rest)
        if block:
            batch = _rows(path, line, block, columns)
            line += batch.rows.height
            rows += batch.rows.height
            yield batch
        elif not data:
            yield NOTHING
    if rest and line == 1:
        _header(path, rest, False)
    if rest:
        raise truncated(f"{path}, line {line}", rest)
    if not rows:
        raise empty(path)


def truncated(where: str, rest: bytes) -> Refused:
    """The refusal of a file whose last row is cut."""
    return Refused(
        "results_truncated",
        "The file ends in the middle of a row.",
        where=where,
        expected="a line end after the last row",
        came=rest[:80].decode(errors="replace"),
        remedy="Wait until the camera has written the file, or fetch it again.",
    )


def empty(path: Path) -> Refused:
    """The refusal of a file without readings."""
    return Refused(
        "results_empty",
        "The file holds no readings.",
        where=str(path),
        expected="at least one reading",
        came="none",
        remedy="Check that it is the right file.",
    )


def _header(path: Path, block: bytes, complete: bool) -> tuple[int, bytes]:
    """The number of columns and what follows the header."""
    for mark, name in _MARKS.items():
        if block.startswith(mark):
            raise Refused(
                "results_encoding",
                f"The file is {name}.",
                where=f"{path}, line 1",
                expected="UTF-8 without a byte order mark",
                came=name,
                remedy="Save the file as plain UTF-8.",
            )
    text, _, after = block.partition(b"\n")
    wanted = ",".join(COLUMNS)
    found = text[:300].decode(errors="replace")
    if not complete or found not in (wanted, f"{wanted},{REHEARSAL}"):
        hint = "Give the file the expected columns, in that order, or name a profile (--profile)."
        if ";" in found:
            hint = "Separate the columns by commas, not semicolons."
        if found.endswith("\r"):
            hint = "End lines with a line feed only (LF, not CRLF)."
        raise Refused(
            "results_header",
            "The first line does not name the expected columns.",
            where=f"{path}, line 1",
            expected=wanted,
            came=found[:120] or "an empty line",
            remedy=hint,
        )
    return found.count(",") + 1, after


def check_length(
    path: Path, line: int, block: bytes, rest: bytes, longest: int = LONGEST_LINE
) -> None:
    """Refuses `results_row` for a line that is far too long."""
    ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
    lengths = np.diff(ends, prepend=-1)
    long = np.flatnonzero(lengths > longest)
    if len(long) or len(rest) > longest:
        at = line + (int(long[0]) if len(long) else len(ends))
        raise Refused(
            "results_row",
            "A line is far too long.",
            where=f"{path}, line {at}",
            expected=f"at most {longest:,} bytes",
            came=f"{int(lengths[long[0]]) if len(long) else len(rest):,} bytes or more",
            remedy="Check that it is the right file, with line feeds between rows.",
        )


def _rows(path: Path, line: int, block: bytes, columns: int) -> Batch:
    for sign, name in ((b"\x00", "a NUL byte"), (b"\r", "a carriage return")):
        if sign in block:
            at = line + block[: block.index(sign)].count(b"\n")
            raise Refused(
                "results_encoding",
                f"The file holds {name}.",
                where=f"{path}, line {at}",
                expected="UTF-8 text with line feeds",
                came=name,
                remedy="Let the camera write plain UTF-8 with line feeds only (LF, not CRLF).",
            )
    try:
        if not block.isascii():
            block.decode()
    except UnicodeDecodeError as error:
        at = line + block[: error.start].count(b"\n")
        raise Refused(
            "results_encoding",
            "The file is not UTF-8.",
            where=f"{path}, line {at}",
            expected="UTF-8",
            came=repr(block[error.start : error.start + 4]),
            remedy="Save the file as plain UTF-8.",
        ) from None
    names = [*COLUMNS, REHEARSAL][:columns]
    if b'"' in block:
        rows = quoted(path, line, block.decode(), names)
    else:
        check_columns(path, line, block, columns)
        rows = pl.read_csv(
            block,
            has_header=False,
            schema=dict.fromkeys(names, pl.String),
            quote_char=None,
            empty_string_is_null=False,
        )
    return Batch(line, rows, columns > len(COLUMNS))


def check_columns(path: Path, line: int, block: bytes, columns: int, delimiter: str = ",") -> None:
    """Refuses `results_row` for a line with more or fewer fields; for lines without quotes."""
    signs = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(signs == ord("\n"))
    marks = np.searchsorted(np.flatnonzero(signs == ord(delimiter)), ends)
    found = np.diff(marks, prepend=0) + 1
    wrong = np.flatnonzero(found != columns)
    if len(wrong):
        at = int(wrong[0])
        start = int(ends[at - 1]) + 1 if at else 0
        text = block[start : int(ends[at])].decode(errors="replace")
        raise _wrong_columns(path, line + at, columns, int(found[at]), text, delimiter)


def _wrong_columns(
    path: Path, line: int, columns: int, found: int, text: str, delimiter: str
) -> Refused:
    return Refused(
        "results_row",
        f"A row has {found} fields.",
        where=f"{path}, line {line}",
        expected=f"{columns} fields, {delimiter!r} between them",
        came=text[:120] or "an empty line",
        remedy="Fetch the file again; it was cut or changed.",
    )


def quoted(
    path: Path, line: int, text: str, names: list[str], delimiter: str = ","
) -> pl.DataFrame:
    """Rows of which some are quoted; a quoted field may not hold a line feed."""
    rows: list[list[str]] = []
    for number, raw in enumerate(text.split("\n")[:-1]):
        try:
            fields = next(csv.reader([raw], delimiter=delimiter, strict=True), [])
        except csv.Error as error:
            raise Refused(
                "results_row",
                f"A quoted field is not closed or not clean: {error}.",
                where=f"{path}, line {line + number}",
                expected='"..." with inner quotes doubled (RFC 4180), on one line',
                came=raw[:120],
                remedy="Fetch the file again; it was cut or changed.",
            ) from None
        if len(fields) != len(names):
            raise _wrong_columns(path, line + number, len(names), len(fields), raw, delimiter)
        rows.append(fields)
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")


def rehearsed(rows: pl.DataFrame, *, header: bool) -> bytes:
    """Rows of a rehearsed results file, each marked as such."""
    return table(rows.with_columns(pl.lit("practice").alias(REHEARSAL)), header=header)


def table(rows: pl.DataFrame, *, header: bool = True) -> bytes:
    """Rows as CSV; an empty text is an empty field, not a pair of quotes."""
    empty = pl.col(pl.String)
    bare = rows.with_columns(pl.when(empty == "").then(None).otherwise(empty).name.keep())
    return bare.write_csv(include_header=header, line_terminator="\n").encode()
