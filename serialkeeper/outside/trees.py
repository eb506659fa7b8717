"""XML of a device: one element a reading, read as it streams by.

No document type, no entity, no network, no deep or huge element: a results file needs none.
Names are compared without their namespaces.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from lxml import etree

from serialkeeper.errors import Refused
from serialkeeper.outside.camera import empty
from serialkeeper.rules.fields import REHEARSAL
from serialkeeper.rules.profiles import Profile

CAREFUL: dict[str, Any] = {
    "resolve_entities": False,
    "load_dtd": False,
    "dtd_validation": False,
    "no_network": True,
    "huge_tree": False,
    "remove_comments": True,
    "remove_pis": True,
}
"""How every XML parser of ours is made."""

_PIECE = 1 << 16
_MOST_BETWEEN = 1 << 20
"""Bytes without the end of a reading before something is wrong."""

_FORBIDDEN = (b"<!DOCTYPE", b"<!ENTITY", b"<!ELEMENT", b"<!ATTLIST")
_DEEPEST = 16
_AT_ONCE = 20_000

Columns = dict[str, list[list[str]]]


def read_records(
    path: Path, texts: Iterator[bytes], profile: Profile
) -> Iterator[tuple[int, Columns, bool]]:
    """The mapped values of the readings, some thousand at a time, as text by field and place.

    Args:
        path: the file, for refusals.
        texts: its UTF-8 text in pieces; an empty one says that nothing more is there for now, and
            is answered with the readings that wait.
        profile: which element is a reading, and where each field stands.

    Yields:
        The number of the first reading, a list of values per field and place, and whether
        a reading says it is rehearsed.

    Refuses `results_row`, `results_truncated`, `results_empty`.
    """
    reader = _Reader(path, profile)
    for piece in _pieces(path, texts):
        if piece:
            reader.feed(piece)
        if reader.waiting >= _AT_ONCE or not piece:
            yield reader.take()
    reader.finish()
    if reader.waiting:
        yield reader.take()


def _pieces(path: Path, texts: Iterator[bytes]) -> Iterator[bytes]:
    """The text in small pieces. Refuses document types wherever they may stand."""
    tail = b""
    for text in texts:
        joined = tail + text
        check_plain(path, joined)
        tail = joined[-16:]
        for start in range(0, len(text) or 1, _PIECE):
            yield text[start : start + _PIECE]


def check_plain(path: Path, text: bytes) -> None:
    """Refuses `results_row` if a document type stands in the text."""
    for word in _FORBIDDEN:
        if word in text:
            raise Refused(
                "results_row",
                "The file brings a document type of its own.",
                where=str(path),
                expected="XML without DOCTYPE and entities",
                came=word.decode(),
                remedy="Let the device write plain XML.",
            )


class _Reader:
    """Collects readings while the file passes through the parser."""

    def __init__(self, path: Path, profile: Profile) -> None:
        self.path, self.profile = path, profile
        self.steps = profile.record.split("/")
        self.waiting = 0
        self._done = 0
        self._between = 0
        self._depth = 0
        self._rehearsed = False
        self._columns = self._empty()
        self._parser = etree.XMLPullParser(events=("start", "end"), encoding="utf-8", **CAREFUL)

    def _empty(self) -> Columns:
        return {field: [[] for _ in at] for field, at in self.profile.fields.items()}

    def feed(self, piece: bytes) -> None:
        """Take in the next bytes."""
        try:
            self._parser.feed(piece)
            self._collect(len(piece))
        except etree.XMLSyntaxError as error:
            raise self._refuse(f"The file is no well-formed XML: {error.msg}.", piece) from None

    def finish(self) -> None:
        """The file has ended. Refuses `results_truncated` if the root element is still open."""
        try:
            self._parser.close()
        except etree.XMLSyntaxError as error:
            if not self._depth and not self._done + self.waiting:
                raise empty(self.path) from None
            if self._depth and error.msg and error.msg.startswith("no element found"):
                # The parser stops without a word at an entity that nothing declares.
                raise self._refuse("An entity stands where XML has none.", b"") from None
            raise Refused(
                "results_truncated",
                f"The file ends in the middle: {error.msg}.",
                where=f"{self.path}, record {self._done + self.waiting + 1}",
                expected=f"</{self.steps[0]}> at the end",
                came="the end of the file",
                remedy="Wait until the device has written the file, or fetch it again.",
            ) from None

    def take(self) -> tuple[int, Columns, bool]:
        """The readings collected so far."""
        made = self._done + 1, self._columns, self._rehearsed
        self._done += self.waiting
        self.waiting, self._columns = 0, self._empty()
        return made

    def _collect(self, size: int) -> None:
        self._between += size
        deep = len(self.steps)
        for event, element in self._parser.read_events():
            if event == "start":
                self._depth += 1
                self._enter(element)
                continue
            if self._depth == deep and self._is_reading(element):
                self._add(element)
                self._between = 0
            if self._depth <= deep:
                _forget(element)
            self._depth -= 1
        if self._between > _MOST_BETWEEN:
            raise self._refuse(f"{_MOST_BETWEEN:,} bytes without the end of a reading.", b"")

    def _enter(self, element: Any) -> None:
        if self._depth > _DEEPEST:
            raise self._refuse(f"Elements lie deeper than {_DEEPEST}.", b"")
        name = local(element)
        if (self._depth == 1 and name != self.steps[0]) or (
            self._depth < len(self.steps) and name == self.steps[-1]
        ):
            raise self._refuse("An element stands where none of that name should.", name.encode())

    def _is_reading(self, element: Any) -> bool:
        if local(element) != self.steps[-1]:
            return False  # devices tell other things too
        above = [local(parent) for parent in element.iterancestors()]
        if above != self.steps[-2::-1]:
            raise self._refuse("A reading stands elsewhere.", "/".join(above[::-1]).encode())
        return True

    def _add(self, element: Any) -> None:
        found = values(element)
        for field, places in self.profile.fields.items():
            for place, column in zip(places, self._columns[field], strict=True):
                text = found.get(str(place), "")
                if text is None:
                    raise self._refuse(f"'{place}' is no single text.", _shown(element))
                if str(place) not in found and field not in self.profile.optional:
                    raise self._refuse(f"The reading has no '{place}'.", _shown(element), field)
                column.append(text)
        self._rehearsed |= REHEARSAL in found
        self.waiting += 1

    def _refuse(self, message: str, came: bytes, field: str = "") -> Refused:
        remedy = "Fetch the file again if it was cut or changed; otherwise correct the profile "
        remedy += "under a new name"
        if field:
            remedy += f"; name '{field}' under 'optional' if the device leaves it out at times"
        return Refused(
            "results_row",
            message,
            where=f"{self.path}, record {self._done + self.waiting + 1}",
            expected=f"readings at {self.profile.record}, as the profile says",
            came=came[:120].decode(errors="replace") or "other",
            remedy=remedy + ".",
        )


def _forget(element: Any) -> None:
    """Let go of what was read; the tree never grows."""
    element.clear()
    parent = element.getparent()
    while parent is not None and element.getprevious() is not None:
        del parent[0]


def values(element: Any) -> dict[str, str | None]:
    """Texts of the leaves and attributes of a reading by their path.

    None stands for what is no single text: an element with elements in it, or one that is
    there twice. White space around an element's text is layout, not text.
    """
    found: dict[str, str | None] = {}
    waiting = [("", element)]
    while waiting:
        path, some = waiting.pop()
        for name, value in some.attrib.items():
            place = f"{path}/@{_bare(name)}".removeprefix("/")
            found[place] = None if place in found else str(value)
        for child in some:
            place = f"{path}/{local(child)}".removeprefix("/")
            single = place not in found and not len(child)
            found[place] = (child.text or "").strip(" \t\r\n") if single else None
            waiting.append((place, child))
    return found


def local(element: Any) -> str:
    """An element's name without its namespace."""
    tag = element.tag
    return _bare(tag) if isinstance(tag, str) else "&"


def _bare(name: Any) -> str:
    return str(name).rpartition("}")[2]


def _shown(element: Any) -> bytes:
    return bytes(etree.tostring(element, with_tail=False))[:120]
