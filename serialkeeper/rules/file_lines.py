"""Which lines of a results file are about one label: what came, as it came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

LONGEST = 500
"""Characters of a line that are shown."""

NUMBER, TEXT, PLACE, TIME = "number", "text", "position", "time"
"""By what a line is known: the label's number, the text of a finding, its position at the line's
beginning, or the time of its reading. The first two are sure; the others may be another's."""


@dataclass(frozen=True, slots=True)
class Found:
    """A line: its number in the file, what stands in it, and by what it is known."""

    line: int
    text: str
    by: tuple[str, ...]


def needles(
    serial: str, seen: Iterable[str], position: int, times: Iterable[str]
) -> dict[bytes, str]:
    """What is looked for, each with what a line that has it is known by.

    Args:
        serial: the label's number.
        seen: texts of its findings, separators as `{GS}`.
        position: its position, for files of our own form; 0 for others.
        times: when it was read, RFC 3339, for the same.
    """
    made = {serial.encode(): NUMBER}
    for text in filter(None, seen):
        made[text.encode()] = TEXT
        made[text.replace("{GS}", "\x1d").encode()] = TEXT
    if position:
        made[f"\n{position},".encode()] = PLACE
        made |= {f",{time[:23]}".encode(): TIME for time in times}
    return made


def find_lines(pieces: Iterable[bytes], wanted: Mapping[bytes, str]) -> Iterator[Found]:
    """The lines of a file that have any of these in them, in order.

    Args:
        pieces: the file's bytes.
        wanted: from `needles`.
    """
    number, rest = 1, b"\n"
    for piece in (*pieces, b"\n"):
        whole, end, tail = (rest + piece).rpartition(b"\n")
        whole += end
        if any(needle in whole for needle in wanted):
            for offset, line in enumerate(whole.split(b"\n")[1:-1]):
                by = {known for needle, known in wanted.items() if needle in b"\n" + line}
                if by:
                    text = line.decode("utf-8", "replace")[:LONGEST].rstrip("\r")
                    yield Found(number + offset, text, tuple(sorted(by)))
        number += whole.count(b"\n") - 1
        rest = b"\n" + tail
