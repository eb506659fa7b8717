"""What entries on packs do to the tables, and how they tell which packs were made.

Who is in what is told in the child's own chain, so every entry changes rows of its own lot only;
a pack with contents of several lots is one entry in each of them, written together. An entry
tells new packs by ranges (`Made`), so that 25,000 cases are a few lines of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import (
    Change,
    FillPacks,
    Insert,
    MovePacks,
    PutUnits,
    Row,
    TakeUnits,
    Update,
)
from serialkeeper.rules.keys import check_digit

NUMBERED, COMMISSIONED = "numbered", "commissioned"
SHIPPED, DECOMMISSIONED = "shipped", "decommissioned"
STATES = (NUMBERED, COMMISSIONED, SHIPPED, DECOMMISSIONED)
"""A pack has its key and maybe a label; it was filled; it left; it is no more. Only a pack that
was commissioned can hold anything, and a key is never used for a second pack."""


MADE, CHECKED, TORN = "made", "checked", "torn"
"""A label of a pack was written; it was scanned on the pack; it is no more."""


@dataclass(frozen=True, slots=True)
class Made:
    """Successive new packs of one level.

    Attributes:
        level: one of `rules.levels.NAMES`.
        first: the first pack's id in its lot.
        count: packs.
        company, extension, reference: what their SSCCs are made of; the first one's serial
            reference. An empty company for GTIN and number.
        gtin: of packs that are named by GTIN and number.
        serials: their numbers.
    """

    level: str
    first: int
    count: int
    company: str = ""
    extension: int = 0
    reference: int = 0
    gtin: str = ""
    serials: tuple[str, ...] = ()

    def named(self) -> Iterator[tuple[int, str]]:
        """Id and key of each: 18 digits, or GTIN/NUMBER."""
        if self.gtin:
            for place, serial in enumerate(self.serials):
                yield self.first + place, f"{self.gtin}/{serial}"
            return
        digits = 16 - len(self.company)
        for place in range(self.count):
            body = f"{self.extension}{self.company}{self.reference + place:0{digits}d}"
            yield self.first + place, body + check_digit(body)

    def data(self) -> dict[str, Any]:
        """As it stands in an entry."""
        told = {name: value for name, value in asdict(self).items() if value or name == "extension"}
        return {**told, "serials": list(self.serials)} if self.gtin else told


def made_in(entry: Entry) -> Iterator[Made]:
    """The packs that an entry makes."""
    for one in entry.data.get("made", ()):
        yield Made(**{**one, "serials": tuple(one.get("serials", ()))})


def capacity(company: str) -> int:
    """How many SSCCs a company prefix and an extension digit have.

    >>> capacity("9521234")
    1000000000
    """
    return int(10 ** (16 - len(company)))


def _ssccs_reserved(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("sscc_range", dict(entry.data))]


def _ssccs_given(entry: Entry, key: Row) -> list[Change]:
    return [Insert("sscc_stock", {**key, **entry.data, "used": 0})]


def _ssccs_given_up(entry: Entry, key: Row) -> list[Change]:
    return [
        Update("sscc_stock", {**key, "id": id_}, {"used": count})
        for id_, count in entry.data["ranges"]
    ]


def _numbered(entry: Entry, key: Row) -> list[Change]:
    return [*_new(entry, key, NUMBERED), *_used(entry, key)]


def _new(entry: Entry, key: Row, state: str) -> Iterator[Change]:
    for made in made_in(entry):
        for id_, name in made.named():
            row = {"id": id_, "level": made.level, "key": name, "state": state}
            yield Insert("pack", {**key, **row, "parent_lot": 0, "parent": 0})


def _used(entry: Entry, key: Row) -> Iterator[Change]:
    for id_, used in entry.data.get("used", ()):
        yield Update("sscc_stock", {**key, "id": id_}, {"used": used})


def _packed(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    made: list[Change] = [*_new(entry, key, COMMISSIONED), *_used(entry, key)]
    for id_ in data.get("begun", ()):
        made.append(Update("pack", {**key, "id": id_}, {"state": COMMISSIONED}))
    made += [FillPacks(part) for part in entry.parts]
    made += [PutUnits(*place[:4]) for place in data.get("units", ())]
    for first, last, lot, pack, *_ in data.get("packs", ()):
        made.append(MovePacks(first, last, 0, 0, lot, pack))
    return made


def _unpacked(entry: Entry, _key: Row) -> list[Change]:
    data = entry.data
    made: list[Change] = [TakeUnits(*place[:4]) for place in data["units"]]
    for first, last, lot, pack, *_ in data["packs"]:
        made.append(MovePacks(first, last, lot, pack, 0, 0))
    return made


def _pack_decommissioned(entry: Entry, key: Row) -> list[Change]:
    return [
        Update("pack", {**key, "id": id_}, {"state": DECOMMISSIONED}) for id_ in entry.data["packs"]
    ]


def _label_made(entry: Entry, key: Row) -> list[Change]:
    row = {**key, **entry.data, "state": MADE, "reason": "", "by": entry.person, "at": entry.at}
    return [Insert("pack_label", row)]


def _label_checked(entry: Entry, key: Row) -> list[Change]:
    place = {name: entry.data[name] for name in ("pack", "copy_number")}
    return [Update("pack_label", {**key, **place}, {"state": CHECKED})]


def _label_torn(entry: Entry, key: Row) -> list[Change]:
    return [Update("pack_label", {**key, **entry.data}, {"state": TORN, "reason": entry.reason})]


def _pack_shipped(entry: Entry, key: Row) -> list[Change]:
    return [Update("pack", {**key, "id": id_}, {"state": SHIPPED}) for id_ in entry.data["packs"]]


def _shipping_voided(entry: Entry, key: Row) -> list[Change]:
    return [
        Update("pack", {**key, "id": id_}, {"state": COMMISSIONED}) for id_ in entry.data["packs"]
    ]


def _nothing(_entry: Entry, _key: Row) -> list[Change]:
    return []


HOUSE_HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "ssccs reserved": _ssccs_reserved,
}
"""What entries of the house's chain do."""

HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "ssccs given": _ssccs_given,
    "ssccs given up": _ssccs_given_up,
    "packs numbered": _numbered,
    "packed": _packed,
    "unpacked": _unpacked,
    "packs decommissioned": _pack_decommissioned,
    "pack checked": _nothing,
    "pack label made": _label_made,
    "pack label checked": _label_checked,
    "pack label torn": _label_torn,
    "packs shipped": _pack_shipped,
    "shipping voided": _shipping_voided,
}
"""What entries of a lot's chain do."""


def keys_of(entries: Iterable[Entry]) -> dict[int, str]:
    """The keys of all packs that these entries make, by id."""
    return {id_: key for entry in entries for made in made_in(entry) for id_, key in made.named()}
