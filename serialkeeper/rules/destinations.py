"""Destinations of events: where they go, in which form, and under which gate.

The record keeps names of secrets, never secrets. Sources: RFC 3986 for the parts of a URL;
RFC 9110 section 4.2.2 wants https for what is not for everybody's eyes.
"""

from __future__ import annotations

import json
import posixpath
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any
from urllib.parse import urlsplit

from serialkeeper.errors import Refused
from serialkeeper.rules import texts
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, Row, Update
from serialkeeper.rules.event_forms import FORMS

FOLDER, CAPTURE = "folder", "capture"
"""Kinds of destinations: a folder that the receiver reads; an EPCIS 2.0 capture interface."""

BEHAVIOURS = ("rollback", "proceed")
"""What a receiver does with a document of which it cannot store every event (EPCIS 2.0)."""

MOST_EVENTS, MOST_BYTES = 500, 16 * 1024 * 1024
"""What one document holds at most unless told otherwise."""

_SECRET = re.compile(r"[A-Z0-9][A-Z0-9_]{0,39}")
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_LONGEST_PLACE = 1_000


@dataclass(frozen=True, slots=True)
class Reach:
    """How a capture interface is reached.

    Attributes:
        behaviour: one of BEHAVIOURS.
        knows_ids: the receiver passes over events that it has already.
        token: name of the secret that is its token; empty for none.
        certificate, key: files of our own certificate and its key; empty for none.
        authority: file of the certificates to trust; empty for the system's.
    """

    behaviour: str = BEHAVIOURS[0]
    knows_ids: bool = False
    token: str = ""
    certificate: str = ""
    key: str = ""
    authority: str = ""

    def check(self) -> Reach:
        """Refuses `bad_value`."""
        wrong = ""
        if self.behaviour not in BEHAVIOURS:
            wrong = f"--error-behaviour: {self.behaviour}"
        elif self.token and not _SECRET.fullmatch(self.token):
            wrong = f"--token-secret: {self.token}"
        elif self.key and not self.certificate:
            wrong = "--client-key without --client-certificate"
        elif any(len(one) > _LONGEST_PLACE for one in (self.certificate, self.key, self.authority)):
            wrong = "a file's name that is too long"
        if wrong:
            raise Refused(
                "bad_value",
                "It is not understood how the destination is reached.",
                where="the destination",
                expected=f"{' or '.join(BEHAVIOURS)}; the name of a secret in capital letters, "
                "digits and underscores; a key with its certificate",
                came=wrong,
                remedy="Correct it. A secret itself belongs into the environment, not here.",
            )
        return self


@dataclass(frozen=True, slots=True)
class Destination:
    """Where events go.

    Attributes:
        id, name: its number and name; both stay for ever.
        what: FOLDER or CAPTURE.
        place: the folder, or the URL of the capture interface.
        form: one of `rules.event_forms.FORMS`.
        links: 1 if units and places are named by GS1 Digital Links, not by EPC URNs.
        sender, receiver: locations that a document's header names; both empty for no header.
        products: GTINs of the products whose events go there, blanks between; empty for all.
        as_it_happens: 1 if events go before the lot is closed and reviewed.
        most_events, most_bytes: what one document holds at most.
        options: how a kind of destination is reached, as canonical JSON; empty for a folder.
        at: when it was added, or changed for the last time.
        retired: when it was retired; empty while it is in use.
    """

    id: int
    name: str
    what: str
    place: str
    form: str
    links: int
    sender: str
    receiver: str
    products: str
    as_it_happens: int
    most_events: int
    most_bytes: int
    options: str
    at: str
    retired: str

    @property
    def reach(self) -> Reach:
        """How a capture interface is reached."""
        return Reach(**json.loads(self.options)) if self.options else Reach()

    def wants(self, gtin: str) -> bool:
        """Whether events of that product go there."""
        return not self.products or gtin in self.products.split()

    def describe(self) -> dict[str, Any]:
        """The destination for people and programs."""
        return {
            "destination": self.name,
            "kind": self.what,
            "place": self.place,
            "form": self.form,
            "links": bool(self.links),
            "sender": self.sender or None,
            "receiver": self.receiver or None,
            "products": self.products.split(),
            "as_it_happens": bool(self.as_it_happens),
            "most_events": self.most_events,
            "most_bytes": self.most_bytes,
            "retired": self.retired or None,
            "reach": asdict(self.reach) if self.options else None,
        }


def check_name(name: str) -> str:
    """A destination's name. Refuses `bad_value`."""
    if _NAME.fullmatch(name):
        return name
    raise Refused(
        "bad_value",
        "That is no name for a destination.",
        where="NAME",
        expected="1 to 40 letters, digits, dots, underscores and hyphens, no sign first",
        came=name,
        remedy="Choose a short name, such as repository-east.",
    )


def check_form(form: str, *, links: bool) -> str:
    """A form of event files. Refuses `bad_value`."""
    if form in FORMS:
        FORMS[form].write((), created="", links=links)
        return form
    raise Refused(
        "bad_value",
        "There is no such form of an event file.",
        where="--form",
        expected=" or ".join(FORMS),
        came=form,
        remedy="Give --form json, --form xml or --form xml-1.2.",
    )


def check_limits(most_events: int, most_bytes: int) -> None:
    """Refuses `bad_value` for limits of documents that no receiver needs."""
    for where, limit, low, high in (
        ("--most-events", most_events, 1, 100_000),
        ("--most-bytes", most_bytes, 10_000, 256 * 1024 * 1024),
    ):
        if not low <= limit <= high:
            raise Refused(
                "bad_value",
                "That is no limit for a document.",
                where=where,
                expected=f"{low:,} to {high:,}",
                came=f"{limit:,}",
                remedy="Ask the receiver, or leave it out.",
            )


def check_folder(place: str) -> str:
    """An absolute folder. Refuses `bad_value`."""
    if len(place) <= _LONGEST_PLACE and not texts.unseen(place):
        return place
    raise Refused(
        "bad_value",
        "That is no place for a destination.",
        where="--folder",
        expected=f"up to {_LONGEST_PLACE:,} printable characters",
        came=place,
        remedy="Name another folder.",
    )


def check_url(url: str, form: str) -> str:
    """The URL of a capture interface. Refuses `bad_value`; a URL with a password is not repeated.

    >>> check_url("https://epcis.example:8443/capture", "json")
    'https://epcis.example:8443/capture'
    """
    try:
        parts = urlsplit(url)
        host, secret = parts.hostname or "", "@" in parts.netloc or bool(parts.query)
        plain = parts.scheme == "http" and host in _LOOPBACK
        well = bool(host) and parts.port != 0 and not parts.fragment
    except ValueError:
        host, secret, plain, well = "", "@" in url, False, False
    well = well and url.isascii() and not set(url) & set(' \\"<>{}|^`') and url.isprintable()
    if secret or not well or not (plain or parts.scheme == "https") or len(url) > _LONGEST_PLACE:
        raise Refused(
            "bad_value",
            "That is no URL of a capture interface.",
            where="--capture",
            expected="https://HOST/.../capture, without name, password and query; http:// only to "
            "this computer itself",
            came="a URL with a password or a query" if secret else url,
            remedy="Write it like that; a token is named by --token-secret. If a real password was "
            "typed, change it.",
        )
    if form != "json":
        raise Refused(
            "bad_value",
            "A capture interface takes JSON-LD.",
            where="--form",
            expected="json",
            came=form,
            remedy="Leave --form out.",
        )
    return url


def is_same(place: str, other: str) -> bool:
    """Whether two places are one: a URL in another spelling (RFC 3986 section 6.2), a loopback
    address by another name, the same folder.

    >>> is_same("http://localhost:8080/capture", "http://127.0.0.1:8080/capture/")
    True
    """
    return _plain(place) == _plain(other)


def _plain(place: str) -> tuple[str | int | None, ...]:
    parts = urlsplit(place)
    if parts.scheme not in ("http", "https"):
        return (posixpath.normpath(place),)
    host = "localhost" if parts.hostname in _LOOPBACK else (parts.hostname or "").rstrip(".")
    port = parts.port or {"http": 80, "https": 443}[parts.scheme]
    return parts.scheme, host, port, parts.path.rstrip("/")


def _set(entry: Entry, _key: Row) -> list[Change]:
    row = {**entry.data, "at": entry.at}
    if row.pop("first"):
        return [Insert("destination", {**row, "retired": ""})]
    return [Update("destination", {"id": row.pop("id")}, row)]


def _learnt(entry: Entry, _key: Row) -> list[Change]:
    values = {name: entry.data[name] for name in ("most_events", "most_bytes")}
    return [Update("destination", {"id": entry.data["id"]}, values)]


def _retired(entry: Entry, _key: Row) -> list[Change]:
    return [Update("destination", {"id": entry.data["id"]}, {"retired": entry.at})]


HOUSE_HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "destination set": _set,
    "destination retired": _retired,
    "limits learnt": _learnt,
}
"""What entries of the house's chain do."""
