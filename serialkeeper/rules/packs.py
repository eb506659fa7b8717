"""Packs: what a scanned child names, and what may go into a pack or come out of it.

A *child* is what goes into a pack: a unit, or a pack of the level below. Every refusal says where,
what was expected, what came and what to do; all children of one call are told together.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from serialkeeper.errors import Refused
from serialkeeper.rules import holds, scans
from serialkeeper.rules.gs1 import from_file, to_file
from serialkeeper.rules.holds import Hold
from serialkeeper.rules.keys import parse_sscc
from serialkeeper.rules.levels import Level
from serialkeeper.rules.moves import State
from serialkeeper.rules.pack_entries import COMMISSIONED, SHIPPED

UNIT = "unit"

_KEY = re.compile(r"([0-9]{14})/(.+)")
_CODE = re.compile(r"(.*01[0-9]{14}21)([0-9A-Z]{1,20})(\x1d.*)?")


@dataclass(frozen=True, slots=True)
class Named:
    """What a text names, as far as the text itself tells.

    Attributes:
        text: as it was given.
        gtin: of a code that holds one; empty for a number or an SSCC alone.
        serial: a number; empty for an SSCC.
        sscc: an SSCC, or 18 digits that may be one.
        facts: lot (10) and expiry (17), where the code tells them.
        wrong: what is wrong with the text.
    """

    text: str
    gtin: str = ""
    serial: str = ""
    sscc: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    wrong: Refused | None = None

    @property
    def pack_key(self) -> str:
        """The key of the pack that it may name."""
        return self.sscc or (f"{self.gtin}/{self.serial}" if self.gtin else "")


def read_names(texts: Iterable[str], *, this_year: int) -> list[Named]:
    """What each of these texts names.

    Args:
        texts: codes as scanned, however they spell separators, bracketed, links, URNs; SSCCs;
            numbers; packs as GTIN/NUMBER.
        this_year: for the century of dates in codes.
    """
    read: dict[tuple[str, str | None], Named] = {}
    found = []
    for text in texts:
        # Codes of one lot differ in their number only; one of them is read in full.
        code = _CODE.fullmatch(text)
        before = read.get((code[1], code[3])) if code else None
        if code and before:
            found.append(Named(text, before.gtin, code[2], facts=before.facts))
            continue
        named = _read(text, this_year)
        if code and not named.wrong and named.serial == code[2]:
            read[code[1], code[3]] = named
        found.append(named)
    return found


def _read(text: str, this_year: int) -> Named:
    reading = scans.read(from_file(text.strip()), this_year=this_year)
    if key := _KEY.fullmatch(reading.text):
        return Named(text, gtin=key[1], serial=key[2])
    for wrong in (*reading.faults, *reading.doubts):
        return Named(text, wrong=wrong)
    if not reading.is_code:
        digits = reading.text if re.fullmatch("[0-9]{18}", reading.text) else ""
        return Named(text, serial=reading.text, sscc=digits)
    there = dict(reading.elements)
    facts = tuple((ai, there[ai]) for ai in ("10", "17") if ai in there)
    if "00" in there:
        return Named(text, sscc=there["00"])
    if "01" in there and "21" in there:
        return Named(text, there["01"], there["21"], facts=facts)
    return Named(
        text,
        wrong=Refused(
            "not_packable",
            "The code names no single unit and no pack.",
            expected="(01) with (21), or (00)",
            came=to_file(reading.text),
            remedy="Scan the code of the unit or pack itself.",
        ),
    )


@dataclass(frozen=True, slots=True)
class Child:
    """A unit or a pack that goes into a pack.

    Attributes:
        name: as it was given.
        what: `unit`, or the pack's level.
        key: the unit's number, the pack's key.
        lot_id: its lot; a pack's is the one that it was made in.
        place: the unit's position, the pack's id.
        state: the unit's letter, the pack's state.
        around: the key of the pack that it is in; empty for none.
        lots: numbers of the lots of all units in it, with their ids.
        full: whether it and everything in it is full.
        doubtful: whether it holds something that is no good unit any more.
        homes: ids of the lots that it and all packs in it were made in; empty for a unit.
        holds: open holds on it, or on anything in it.
    """

    name: str
    what: str
    key: str
    lot_id: int
    place: int
    state: str
    around: str
    lots: tuple[tuple[int, str], ...]
    full: bool = True
    doubtful: bool = False
    homes: frozenset[int] = frozenset()
    holds: tuple[Hold, ...] = ()

    @property
    def concerned(self) -> set[int]:
        """The lots whose journals tell of it, or of anything in it."""
        return {self.lot_id, *self.homes, *(id_ for id_, _ in self.lots)}


@dataclass(frozen=True, slots=True)
class Target:
    """A pack that something goes into.

    Attributes:
        key: its key; empty for a new one.
        level: what it holds.
        below: the name of the level that it holds, or `unit`.
        lot_id, lot: the lot that it was made in.
        around: the packs around it, from the inside out: level, key and state.
        held: what it holds now.
        state: empty for a new one.
        holds: open holds on it as a pack, on one in it, or on one around it: nothing goes in or
            comes out.
    """

    key: str
    level: Level
    below: str
    lot_id: int
    lot: str
    around: tuple[tuple[Level, str, str], ...] = ()
    held: int = 0
    state: str = ""
    holds: tuple[Hold, ...] = ()

    @property
    def name(self) -> str:
        """How refusals call it."""
        return f"{self.level.name} {self.key}" if self.key else f"a new {self.level.name}"


def check_children(target: Target, children: Sequence[Child | Refused]) -> list[Child]:
    """The children, if all of them may go into the pack. Refuses with all that is wrong."""
    wrong = faults_of(target, children, set())
    refuse_all([fault for fault in wrong if fault])
    return [one for one in children if isinstance(one, Child)]


def faults_of(
    target: Target, children: Sequence[Child | Refused], seen: set[tuple[str, int, int]]
) -> list[Refused | None]:
    """What keeps each child out of the pack, None for nothing.

    Args:
        seen: units and packs that went into others by the same step; these are noted there.
    """
    found: list[Refused | None] = []
    for child in children:
        if isinstance(child, Refused):
            found.append(child)
            continue
        place = (child.what, child.lot_id, child.place)
        found.append(next(_against(target, child, twice=place in seen), None))
        seen.add(place)
    return found


def refuse_all(wrong: Sequence[Refused]) -> None:
    """Raises the first of these refusals, the others with it."""
    if wrong:
        first = wrong[0]
        raise Refused(
            first.word,
            first.message,
            where=first.where,
            expected=first.expected,
            came=first.came,
            remedy=first.remedy,
            more=tuple(f"{one.message} ({one.came}) [{one.word}]" for one in wrong[1:]),
        )


def _against(target: Target, child: Child, *, twice: bool) -> Iterator[Refused]:
    """The first thing that keeps a child out of a pack."""
    if child.key == target.key and child.what != UNIT:
        yield _no("The pack's own label was scanned as a child.", target, child, "what is in it")
    elif child.what != target.below:
        expected = f"a {target.below}"
        yield _no("It is of another level.", target, child, expected, f"a {child.what}")
    elif twice:
        yield given_twice(child.name, target.name)
    elif child.around:
        yield Refused(
            "packed_already",
            "It is packed already.",
            where=target.name,
            expected=f"a loose {child.what}",
            came=f"{child.name}, in pack {child.around}",
            remedy=f"Look at it (pack show {child.around}); take it out first: pack remove.",
        )
    elif child.state not in (State.COMMISSIONED, COMMISSIONED):
        state = State(child.state).word if child.what == UNIT else child.state
        expected = f"a commissioned {child.what}"
        yield _no("It is not commissioned.", target, child, expected, state)
    elif child.holds:
        yield holds.refusal(child.name, child.holds, where=target.name)
    else:
        yield from _mixed(target, child)


def _mixed(target: Target, child: Child) -> Iterator[Refused]:
    outer = [(target.level, target.name), *((level, key) for level, key, _ in target.around)]
    for level, name in outer:
        strange = [number for id_, number in child.lots if id_ != target.lot_id]
        if not level.mixed_lots and strange:
            expected = f"lot {target.lot} only, as in {name}"
            yield _no("It is of another lot.", target, child, expected, f"lot {strange[0]}")
            return
        if not level.part and not child.full:
            yield _no("It is not full.", target, child, f"full packs, as in {name}")
            return
    if child.doubtful:
        yield _no("It holds units that are not good.", target, child, "commissioned units only")


def _no(message: str, target: Target, child: Child, expected: str, came: str = "") -> Refused:
    return Refused(
        "not_packable",
        message,
        where=target.name,
        expected=expected,
        came=f"{child.name}: {came}" if came else child.name,
        remedy="Put it aside; nothing was packed. Look at it: label show, pack show.",
    )


def check_open(target: Target) -> None:
    """Refuses `pack_state` as `check_here` does, and `held` for a pack that is held, or is around
    a held pack or in one."""
    check_here(target)
    if target.holds:
        raise holds.refusal(target.name, target.holds, where=target.name)


def check_here(target: Target) -> None:
    """Refuses `pack_state` for a pack that left, or is in one that left, or is no more."""
    for name, state in ((target.name, target.state), *((k, s) for _, k, s in target.around)):
        if state in ("shipped", "decommissioned"):
            raise Refused(
                "pack_state",
                "The pack is not here any more, so nothing in it changes.",
                where=target.name,
                expected="a pack that was not shipped and not decommissioned",
                came=f"{name}: {state}",
                remedy="Check which pack this is: pack show.",
            )


def check_room(target: Target, adding: int, *, reason: str, new: bool) -> None:
    """Refuses `nothing_to_pack`, `pack_full`, `pack_part`, and `reason_needed` for a part pack
    without one.

    Args:
        adding: how many children come.
        new: whether the pack is filled in one go, so that it has to be full or a part pack.
    """
    most, after = target.level.holds, target.held + adding
    if not after:
        raise Refused(
            "nothing_to_pack",
            "An empty pack is not filled.",
            where=target.name,
            expected=f"1 to {most}",
            came="nothing",
            remedy="Scan what goes in. Packs get their keys ahead by: pack number.",
        )
    if after > most:
        raise Refused(
            "pack_full",
            "The pack does not hold that many.",
            where=target.name,
            expected=f"{most} at most" + (f", {target.held} are in it" if target.held else ""),
            came=f"{adding} more" if target.held else str(adding),
            remedy="Leave some out; the level's number stands in 'lot show'.",
        )
    if after == most:
        return
    check_part(target, after)
    if new and not reason.strip():
        raise Refused(
            "reason_needed",
            "A part pack needs a reason.",
            where=target.name,
            expected=f"{most}, or --reason",
            came=str(after),
            remedy="Fill it, or say why it is not full: --reason.",
        )


def check_part(target: Target, after: int) -> None:
    """Refuses `pack_part` for a pack that has to be full and would not be."""
    strict = [(target.level, target.name), *((level, key) for level, key, _ in target.around)]
    for level, name in strict:
        if not level.part:
            raise Refused(
                "pack_part",
                "The pack, or one around it, has to be full.",
                where=name,
                expected=f"{target.level.holds} in {target.name}",
                came=str(after),
                remedy="Put as many in, replace one by another (pack replace), or empty the whole "
                "pack (pack empty)."
                + (" GTIN and number name full packs only." * bool(level.gtin)),
            )


def check_taken(target: Target, taking: int) -> None:
    """Refuses to take so many out of a pack: `pack_part` where it or one around it has to be
    full, `pack_state` where an empty pack would be left in another."""
    after = target.held - taking
    if after:
        check_part(target, after)
        return
    if target.around:
        outer = target.around[0][1]
        raise Refused(
            "pack_state",
            "An empty pack cannot stay in another.",
            where=target.name,
            expected="a loose pack",
            came=f"a pack in {outer}",
            remedy=f"Take the pack out first: pack remove {outer} {target.key}",
        )


def given_twice(child: str, where: str) -> Refused:
    """The refusal of something that one step was given twice."""
    return Refused(
        "given_twice",
        "It was given twice.",
        where=where,
        expected="each child once",
        came=child,
        remedy="It counts once: leave it where it lies, and give each child once.",
    )


def not_in(child: str, pack: str, came: str) -> Refused:
    """The refusal of something that is not in the pack that it should come out of."""
    return Refused(
        "not_in_pack",
        "It is not in that pack.",
        where=f"pack {pack}",
        expected="something directly in it",
        came=f"{child}, {came}",
        remedy="Look where it is: pack show, label show.",
    )


def check_key(text: str) -> str:
    """18 digits, as an SSCC. Refuses `bad_key`."""
    return parse_sscc(text)


def unknown_pack(text: str) -> Refused:
    """The refusal of a key that the record does not have."""
    return Refused(
        "pack_unknown",
        "The record knows no such pack.",
        expected="the SSCC, GTIN/NUMBER or label of a pack of this record",
        came=to_file(text),
        remedy="Scan the pack's label again; an SSCC of another company names no pack of ours. "
        "Look packs up: pack list.",
    )


LIVE = (COMMISSIONED, SHIPPED)
"""States of packs that may hold something."""
