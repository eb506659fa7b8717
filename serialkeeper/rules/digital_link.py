"""GS1 Digital Link: a code as a web address, both ways.

    https://id.gs1.org/01/09521234567882/10/LOT24A/21/A7?17=271130
                       key               qualifiers      the rest

The key and its qualifiers stand in the path, in a fixed order; everything else, dates among
it, in the query. Paths escape all but letters, digits and `- . _ ~`.

Source: GS1 Digital Link standard, URI syntax (from memory); keys, qualifiers and what may stand
in the query as in the GS1 Barcode Syntax Dictionary, which the tests hold these tables against.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from urllib.parse import quote, unquote

from serialkeeper.errors import Refused
from serialkeeper.rules import identifiers
from serialkeeper.rules.identifiers import Elements

CANONICAL_HOST = "https://id.gs1.org"

_UNIT = ("22", "10", "21")

KEYS: dict[str, tuple[tuple[str, ...], ...]] = {
    "00": (),
    "01": (_UNIT, ("235",)),
    "253": (),
    "255": (),
    "401": (),
    "402": (),
    "414": (("254",), ("7040",)),
    "415": (("8020",),),
    "417": (("7040",),),
    "8003": (),
    "8004": (("7040",),),
    "8006": (_UNIT,),
    "8010": (("8011",),),
    "8013": (),
    "8017": (("8019",),),
    "8018": (("8019",),),
}
"""Identifiers that may lead a path, with the sequences of qualifiers that may follow."""

NEVER_IN_QUERY = frozenset(
    [
        "03",
        "21",
        "22",
        "235",
        "254",
        "7040",
        "7041",
        "8011",
        "8014",
        "8019",
        "8020",
        "8040",
        "8041",
        "8042",
        "8043",
        "8200",
    ]
)
"""Identifiers that are no attributes of a key."""

_ADDRESS = re.compile(
    r"(?:https?|HTTPS?)://(?P<host>[A-Za-z0-9.:\[\]-]+)(?P<path>/[^?#]*)"
    r"(?:\?(?P<query>[^#]*))?(?:#.*)?"
)
_SIGNS = re.compile(r"(?:[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=]|%[0-9A-Fa-f]{2})*")
"""Characters of any web address (RFC 3986, section 2)."""


def escape(value: str) -> str:
    """A value as it stands in a link, in path and query alike.

    >>> escape("A/7")
    'A%2F7'
    """
    return quote(value, safe="-._~")


def unit_stem(gtin: str) -> str:
    """All of a serialised unit's canonical link but the number."""
    return f"{CANONICAL_HOST}/01/{gtin}/21/"


def unit_link(gtin: str, serial: str) -> str:
    """GTIN and number as a canonical link.

    >>> unit_link("09521234543213", "A/7")
    'https://id.gs1.org/01/09521234543213/21/A%2F7'
    """
    return unit_stem(gtin) + escape(serial)


def write(elements: Sequence[tuple[str, str]], *, stem: str = CANONICAL_HOST) -> str:
    """Elements as a link; the first that may lead a path is the key.

    Args:
        elements: (identifier, value), in any order; the query keeps it.
        stem: scheme, host and path before the key.

    Refuses `bad_value`: no key among them, or an element that may stand neither in the key's
    path nor in a query.

    >>> write([("01", "09521234567882"), ("21", "A7"), ("17", "271130"), ("10", "LOT24A")])
    'https://id.gs1.org/01/09521234567882/10/LOT24A/21/A7?17=271130'
    """
    there: dict[str, str] = {}
    for ai, value in elements:
        identifiers.check_form(ai, value)
        if there.setdefault(ai, value) != value:
            raise _refuse(f"({ai}) stands there twice", f"({ai})", "each identifier once", value)
    key = next((ai for ai in there if ai in KEYS), None)
    if key is None:
        raise _refuse(
            "none of the elements can lead a link",
            "",
            "a key such as (01), (00) or (414)",
            " ".join(f"({ai})" for ai in there) or "nothing",
        )
    path = [key, *_qualifiers(key, there)]
    query = [ai for ai in there if ai not in path]
    stray = next((ai for ai in query if ai in NEVER_IN_QUERY), None)
    if stray:
        raise _refuse(
            f"({stray}) has no place beside ({key})", f"({stray})", f"no ({stray})", there[stray]
        )
    link = stem.rstrip("/") + "".join(f"/{ai}/{escape(there[ai])}" for ai in path)
    rest = "&".join(f"{ai}={escape(there[ai])}" for ai in query)
    return f"{link}?{rest}" if rest else link


def _qualifiers(key: str, there: dict[str, str]) -> tuple[str, ...]:
    """The qualifiers for the path: the first sequence that leaves nothing without a place."""
    choices = [tuple(ai for ai in sequence if ai in there) for sequence in KEYS[key]] or [()]
    for chosen in choices:
        if not any(ai in NEVER_IN_QUERY and ai not in (key, *chosen) for ai in there):
            return chosen
    return choices[0]


def is_link(text: str) -> bool:
    """Whether the text is meant to be a web address."""
    return text[:8].lower().startswith(("http://", "https://"))


def read(link: str) -> Elements:
    """The elements of a link: key, qualifiers, then those of the query; forms are checked.

    Names in the query that are no identifiers belong to the web address, and are left out.

    Refuses `bad_value`: no web address, no key in the path, qualifiers out of order, elements
    in the wrong part, unknown identifiers, compressed links.

    >>> read("https://id.gs1.org/01/09521234543213/21/A%2F7?17=280630")
    (('01', '09521234543213'), ('21', 'A/7'), ('17', '280630'))
    """
    address = _ADDRESS.fullmatch(link)
    if not _SIGNS.fullmatch(link):
        good = _SIGNS.match(link)
        raise _refuse(
            "it holds a sign that no web address may hold",
            f"character {(good.end() if good else 0) + 1}",
            "signs of RFC 3986, everything else escaped as % and two hexadecimal digits",
            link,
        )
    if address is None:
        raise _refuse("it is no web address", "", "http:// or https://, a host, and a path", link)
    path = _read_path(address["path"], link)
    chosen = tuple(ai for ai, _ in path)
    query = list(_read_query(address["query"] or "", chosen, link))
    there: set[str] = set()
    for ai, value in (*path, *query):
        if ai in there:
            raise _refuse(f"({ai}) stands there twice", f"({ai})", "each identifier once", link)
        there.add(ai)
        identifiers.check_form(ai, value)
    return (*path, *query)


def _read_path(path: str, link: str) -> Elements:
    pieces = path.split("/")[1:]
    found: list[tuple[str, str]] = []
    for place in range(len(pieces) - 2, -1, -2):
        ai, value = pieces[place], pieces[place + 1]
        if not value:
            break
        found.insert(0, (ai, unquote(value, encoding="latin-1")))
        if ai in KEYS:
            _check_order(ai, tuple(ai for ai, _ in found[1:]), link)
            _check_stem(pieces[:place], link)
            return tuple(found)
    if len(pieces[-1]) >= 10 and re.fullmatch(r"[A-Za-z0-9_-]+", pieces[-1]):
        raise _refuse(
            "no key such as /01/ stands in its path; it may be a compressed link, which is not "
            "read here",
            "path",
            "/01/ and 14 digits, or another key",
            link,
            "Let the resolver at its host expand it, and give the long form.",
        )
    raise _refuse("no key such as /01/ stands in its path", "path", "/01/ and 14 digits", link)


def _check_stem(pieces: Sequence[str], link: str) -> None:
    """Refuses a link in which something that could be a part of the code stands before the key."""
    stray = next((piece for piece in pieces if piece in KEYS or piece in _UNIT), "")
    if stray:
        raise _refuse(
            f"({stray}) stands before its key", "path", "one key, and nothing before it", link
        )


def _check_order(key: str, qualifiers: tuple[str, ...], link: str) -> None:
    for sequence in KEYS[key] or ((),):
        if qualifiers == tuple(ai for ai in sequence if ai in qualifiers):
            return
    raise _refuse(
        f"what follows ({key}) in the path is out of order or does not belong there",
        "path",
        " or ".join("/".join((key, *sequence)) for sequence in KEYS[key]) or f"({key}) alone",
        link,
    )


def _read_query(query: str, path: tuple[str, ...], link: str) -> Iterator[tuple[str, str]]:
    for piece in query.split("&"):
        name, equals, value = piece.partition("=")
        if unquote(name) != name and unquote(name).isdigit():
            raise _refuse("an identifier is escaped", "query", f"{unquote(name)}=...", link)
        if not (equals and name.isascii() and name.isdigit()):
            continue
        if identifiers.known(name) is None:
            raise _refuse(f"({name}) is no identifier", f"query, {name}", "such as 17=YYMMDD", link)
        belongs = any(
            name in sequence and set(path[1:]) <= set(sequence) for sequence in KEYS[path[0]]
        )
        if belongs or name in NEVER_IN_QUERY:
            raise _refuse(
                f"({name}) may not stand in the query",
                f"query, {name}",
                f"/{name}/{value} in the path" if belongs else f"no ({name})",
                link,
            )
        yield name, unquote(value.replace("+", " "), encoding="latin-1")


def _refuse(
    why: str, where: str, expected: str, came: str, remedy: str = "Correct the link."
) -> Refused:
    return Refused(
        "bad_value",
        f"This is no GS1 Digital Link that can be used: {why}.",
        where=where,
        expected=expected,
        came=came,
        remedy=remedy,
    )
