"""What steps and rules say in English, told on a page.

An option is called by the name of its field, a command by the name of what does it there, and a
sentence is told in the page's language where that has it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, lru_cache
from string import Formatter

from serialkeeper.web.wording import Words, catalogue, grouped

OPTIONS: Mapping[str, str] = {
    "as": "sign_in.name",
    "by": "decision.by",
    "calibrated": "decide.calibrated",
    "capture": "hand_off.capture",
    "case": "lots.case",
    "cause": "now.cause",
    "checked": "option.checked",
    "client-certificate": "hand_off.certificate",
    "client-key": "hand_off.private",
    "error-behaviour": "hand_off.behaviour",
    "explanation": "sum.explanation",
    "fault": "now.faults",
    "folder": "hand_off.folder",
    "for": "staff.purpose",
    "form": "hand_off.form",
    "grade": "decide.grade",
    "held": "option.held",
    "instrument": "decide.instrument",
    "investigation": "lots.case",
    "job": "rolls.job",
    "kind": "prove.kinds",
    "label": "find.position",
    "labels": "rolls.blanks",
    "lanes": "lots.lanes",
    "may": "staff.may",
    "most-bytes": "hand_off.most_bytes",
    "most-events": "hand_off.most_events",
    "note": "decide.note",
    "of": "now.clock_of",
    "on": "decision.on",
    "opened": "option.opened",
    "order": "lots.order",
    "pack": "packs.pack",
    "paper": "report.paper",
    "pitch": "now.pitch",
    "profile": "now.profile",
    "reason": "decide.why",
    "receiver": "hand_off.receiver",
    "restart-check": "now.restart_check",
    "roll": "rolls.roll",
    "rows": "rolls.rows",
    "scan": "decide.scan",
    "second": "sign.second",
    "sender": "hand_off.sender",
    "take-out": "decide.take_out",
    "token-secret": "hand_off.token",
    "until": "staff.until",
    "when": "now.when",
    "whole": "pack.whole",
    "witness": "sign.second",
    "wound": "rolls.wound",
}
"""What a page calls an option: the key of its word."""

COMMANDS: Mapping[str, str] = {
    "alarm acknowledge": "now.acknowledge",
    "alarm list": "place.now",
    "challenge list": "prove.to",
    "challenge make": "prove.make",
    "challenge plant": "prove.plant",
    "challenge run": "prove.run",
    "events check": "hand_off.check",
    "events destination": "hand_off.add",
    "events send": "hand_off.send_lot",
    "events settle": "hand_off.settle",
    "events status": "place.hand_off",
    "events write": "hand_off.write",
    "hold lift": "holds.lift",
    "hold list": "holds.short",
    "hold place": "holds.place",
    "inspect rehearse": "now.rehearse",
    "inspect take": "now.take",
    "label accept": "decide.accept",
    "label correct": "decide.correct",
    "label decommission": "decide.decommission",
    "label list": "tables.labels",
    "label replace": "decide.replace",
    "label settle": "decide.settle",
    "label show": "place.find",
    "label void": "decide.void",
    "location add": "staff.add_location",
    "location list": "staff.locations",
    "location show": "staff.locations",
    "lot approve": "lots.approve",
    "lot close": "sum.close",
    "lot count": "sum.count",
    "lot decide": "decision.record",
    "lot discard": "lots.discard",
    "lot list": "place.lots",
    "lot open": "lots.open",
    "lot reconcile": "sum.reconcile",
    "lot reopen": "decision.reopen",
    "lot report": "report.short",
    "lot show": "command.lot_show",
    "pack add": "pack.add",
    "pack build": "packs.by_scans",
    "pack check": "pack.check",
    "pack decommission": "pack.end",
    "pack empty": "pack.empty",
    "pack label": "pack.label",
    "pack list": "products.packs",
    "pack number": "packs.number",
    "pack remove": "pack.remove",
    "pack replace": "pack.replace",
    "pack ship": "pack.ship",
    "pack show": "place.find",
    "pack unship": "pack.unship",
    "person add": "staff.add",
    "person alarms": "staff.alarms",
    "person badge": "staff.badge",
    "person enter": "sign_in.title",
    "person leave": "page.sign_out",
    "person list": "staff.people",
    "person password": "password.title",
    "person pin": "pin.title",
    "person retire": "staff.retire",
    "person revoke": "staff.revoke",
    "person role": "staff.role",
    "person rules": "staff.rules",
    "person token": "staff.give_token",
    "person tokens": "staff.tokens",
    "person unlock": "staff.unlock",
    "print again": "lots.jobs",
    "print write": "lots.print",
    "product add": "products.add",
    "product layout": "products.set_layout",
    "product list": "place.products",
    "product packs": "products.set_packs",
    "product show": "place.products",
    "record entries": "journal.short",
    "record verify": "check.title",
    "review list": "place.review",
    "review show": "place.review",
    "review sign": "place.review",
    "roll add": "rolls.add",
    "roll count": "rolls.count",
    "roll draw": "rolls.drawing",
    "roll list": "rolls.title",
    "roll mark": "rolls.mark",
    "roll pulls": "rolls.pulls",
    "roll release": "rolls.release",
    "roll removed": "rolls.removed",
    "roll show": "rolls.title",
    "roll slit": "rolls.slit",
    "roll turn": "rolls.turn",
    "run challenge": "now.challenge",
    "run clearance": "now.clear_before",
    "run clock": "now.clock",
    "run end": "now.end",
    "run list": "lots.runs",
    "run show": "lots.runs",
    "run start": "now.start",
    "run stop": "now.stop",
    "serials allocate": "lots.allocate",
    "serials import": "lots.import",
    "station add": "staff.add_station",
    "station list": "staff.stations",
    **dict.fromkeys(
        (
            *("init", "inspect follow", "inspect images", "inspect profile"),
            *("record backup", "record checkpoint", "record copy", "record custodian"),
            *("record export", "record key", "record migrate", "record prove", "record recover"),
            *("record restore", "serials abandon", "serials return", "serve"),
        ),
        "",
    ),
}
"""What does it on a page: the key of its word; empty where only the command line does it."""

_VALUE = r"(?:\"[^\"]*\"|'[^']*'|\.{3}|[A-Z0-9](?:[^\s;)]*[^\s;).,:'])?)"
"""A placeholder, a number or a name."""

_ARGUMENT = (
    rf"(?:--[a-z][a-z-]*(?:[ =](?!-|(?:and|or|as)\b)[^\s;)]*[^\s;).,:'])?|{_VALUE}"
    "|before|after|released|refused)"
)

_NAMES = "|".join(sorted(map(re.escape, COMMANDS), key=len, reverse=True))

_COMMAND = re.compile(rf"(?:serialkeeper )?(?P<name>{_NAMES})(?![\w-])(?: {_ARGUMENT})*")

_ONE = _COMMAND.pattern.replace("?P<name>", "?:")

_TYPED = re.compile(
    rf"(?P<lead>: |\(|'|(?=serialkeeper ))(?P<run>{_ONE}(?:(?:, or |, | or ){_ONE})*)(?P<close>'?)"
    rf"|(?<![\w-])--(?P<option>[a-z][a-z-]*)(?:[ =]{_VALUE})?"
)
"""A command where it stands as one (behind a colon, in brackets or in quotes), with those that
follow it; or an option."""

_AROUND = re.compile(
    r"(?:;|, or|, and) (?:(?!; ).)*?SERIALKEEPER_(?:(?!; |\. ).)*?(?=[;.](?: |$)|$)"
)
"""What is said of the surroundings of a command line."""


def in_page_terms(text: str, words: Words) -> str:
    """A sentence with its options and commands called as the page calls them. An option that no
    page asks for stays as it is typed.

    >>> in_page_terms("Give --reason TEXT, or look at it: lot show A7.", catalogue()["en"])
    'Give “Reason”, or look at it: “The lot\'s page”.'
    """

    def of_command(found: re.Match[str]) -> str:
        key = COMMANDS[found["name"]]
        typed = found[0].removeprefix("serialkeeper ")
        named = words("refusal.named", name=words(key) if key else typed)
        return named if key else words("refusal.typed", command=named)

    def of_either(found: re.Match[str]) -> str:
        if option := found["option"]:
            key = OPTIONS.get(option)
            return words("refusal.named", name=words(key)) if key else found[0]
        told = _COMMAND.sub(of_command, found["run"])
        told = _TWICE.sub(r"\1", told)
        quoted = found["lead"] == found["close"] == "'"
        return told if quoted else found["lead"] + told + found["close"]

    if len(text) > LONGEST_TOLD:
        return text
    return _TYPED.sub(of_either, _AROUND.sub("", text))


_TWICE = re.compile(r"([“„][^“”]*[“”])(?:(?:, or |, | or )\1)+")
"""A name that stands for several commands."""


LONGEST_TOLD, LONGEST_FOUND = 1_000, 500
"""Characters up to which a sentence is told in the page's terms, and looked for in its language. No
step says longer ones; what is longer came from outside."""


def plainly(text: str, words: Words) -> str:
    """A sentence as a page says it: in its own language, or else in English and in its terms."""
    return translated(text, words.language) or in_page_terms(text, words)


def in_words(text: str, words: Words) -> str:
    """What may be a sentence of a step's, in the page's language; else as it stands."""
    return translated(text, words.language) or text


def retold(text: str, words: Words) -> str:
    """A reason: in the page's language if it is one that only steps give (`own_reason`), and as it
    stands where a person gave it."""
    return _one(text, words, _OWN) or text


_ALL, _OWN = ("sentence", "own_reason"), ("own_reason",)


@lru_cache(maxsize=4096)
def translated(text: str, language: str) -> str:
    """A sentence in the page's language, empty where there is none of it.

    Which ones there are stands under `sentence` and `own_reason`: the English one, with places, and
    the other one. A place that is called as a section of words holds a word of that section and is
    filled with what stands there; `sentence` is filled with a sentence.
    """
    words = catalogue()[language]
    if whole := _one(text, words, _ALL):
        return whole
    parts = [_one(part, words, _ALL) for part in text.split("; ")]
    return "; ".join(parts) if len(parts) > 1 and all(parts) else ""


def _one(text: str, words: Words, sections: tuple[str, ...]) -> str:
    if len(text) > LONGEST_FOUND:
        return ""
    for pieces, told in _sentences(words.language, sections):
        if (found := _matched(pieces, text)) is not None:
            places = {name: _filled(name, value, words) for name, value in found.items()}
            if all(places.values()):
                return told.format_map(places)
    return ""


def _matched(pieces: _Pieces, text: str) -> dict[str, str] | None:
    """What stands in the places of a sentence, None if the text is another one. Each place ends
    where what follows it first stands; nothing is tried twice, so that no text takes long."""
    places: dict[str, str] = {}
    at, open_ = 0, ""
    for number, (literal, name) in enumerate(pieces):
        last = number == len(pieces) - 1 and not name
        if open_:
            stop = len(text) - len(literal) if last else text.find(literal, at + 1)
            if stop <= at or not text.startswith(literal, stop):
                return None
            places[open_], at = text[at:stop], stop
        elif not text.startswith(literal, at):
            return None
        at, open_ = at + len(literal), name
    if open_:
        places[open_], at = text[at:], len(text)
    return places if at == len(text) and all(places.values()) else None


_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3})+")
"""A whole number as steps write it in a sentence; elsewhere its comma is a decimal sign."""


def _filled(place: str, value: str, words: Words) -> str:
    if place == "sentence":
        return translated(value, words.language) or value
    if place == "outer":  # packs around a pack
        around = (one.partition(" ") for one in value.split(", in "))
        return ", in ".join(f"{words.of('level', level)} {key}" for level, _, key in around)
    if _THOUSANDS.fullmatch(value):
        return grouped(int(value.replace(",", "")))
    there = words.texts.get(f"{place}.{value}", "")
    return there or ("" if place in _sections(words.language) else value)


@cache
def _sections(language: str) -> frozenset[str]:
    return frozenset(key.partition(".")[0] for key in catalogue()[language].texts)


_Pieces = tuple[tuple[str, str], ...]
"""What stands before each place and the place's name; the last one may be empty."""


@cache
def _sentences(language: str, sections: tuple[str, ...]) -> tuple[tuple[_Pieces, str], ...]:
    """The English sentences in pieces, and what they are in a language. Those that say most by
    themselves come first, so that none stands for the whole of a longer one."""
    found = [
        (tuple((text, name or "") for text, name, _, _ in Formatter().parse(sentence)), told)
        for key, told in catalogue()[language].texts.items()
        for section, _, sentence in (key.partition("."),)
        if section in sections
    ]
    return tuple(sorted(found, key=lambda pair: -sum(len(text) for text, _ in pair[0])))
