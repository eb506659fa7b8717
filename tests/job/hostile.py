"""Hostile input: what somebody may type, name or send to do harm, and what has to come of it.

The kinds are those of OWASP's lists (injection, path traversal, XML external entities, CSV
injection, unrestricted sizes, exposed secrets) and of Unicode's security reports (UTS 39, UTR 36),
all from memory. `test_attacks.py` tries each; `tests/bench/attacks.py` prints the table.
"""

from __future__ import annotations

import csv
import json
import os
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from asking import Client, served
from conftest import EXPIRY, GTIN, Bench, as_seen
from lxml import etree

import serialkeeper as sk
from schemas import valid
from serialkeeper.cli import answer
from serialkeeper.outside import secrets, sessions, signing
from serialkeeper.rules import layout, levels, profiles
from serialkeeper.rules.chain import LotKey
from serialkeeper.store.view import key_of

HARMLESS = "taken harmlessly"
OTHER = "9521234000006"
"""A GTIN that the record does not know."""

Call = Callable[[Bench], Any]


@dataclass(frozen=True)
class Attack:
    """One hostile input.

    Attributes:
        kind: a row of the table.
        what: what is hostile about it.
        call: does it; asserts that it is harmless, where it is not refused.
        word: of the refusal; empty for what is taken harmlessly, `*` where it depends on the
            database.
        begin: what has to be there first.
    """

    kind: str
    what: str
    call: Call
    word: str = ""
    begin: Call | None = None

    def ends(self, outcome: str) -> bool:
        """Whether it ended as it should."""
        if self.word == "*":
            return outcome in sk.errors.WORDS
        return outcome == (self.word or HARMLESS)


def ready(bench: Bench) -> Bench:
    """Something to attack: printed labels, some of them rejected."""
    rows = as_seen(bench.printed(20))
    rows[3]["seen"] = rows[9]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    for name in ("IMPORTS", "DRAFT"):
        sk.lot.open(bench.record, GTIN, name, expiry=EXPIRY, target=4)
    sk.lot.approve(bench.record, "IMPORTS", second="Second Person")
    return bench


def outcome(bench: Bench, attack: Attack) -> str:
    """What comes of an attack: a refusal's word, `HARMLESS`, or what went wrong."""
    try:
        return _tried(bench, attack)
    except Exception as error:
        return f"{type(error).__name__}: {error}"[:300]


def _tried(bench: Bench, attack: Attack) -> str:
    """A refusal changes nothing."""
    if attack.begin:
        attack.begin(bench)
    before = heads(bench)
    try:
        attack.call(bench)
    except sk.SerialKeeperError as error:
        assert heads(bench) == before, f"{attack.what}: refused, and yet the record changed"
        assert error.exit_code in (1, 2), f"{attack.what}: {error}"
        steered = [sign for sign in answer.printable(str(error)) if not sign.isprintable()]
        assert set(steered) <= {"\n"}, f"{attack.what}: the refusal steers the terminal"
        return error.word
    return HARMLESS


def heads(bench: Bench) -> list[tuple[int, int, int, bytes]]:
    """Where every chain of the record stands."""
    with bench.record.read() as view:
        chains = view.chains()
    return [(one.product_id, one.lot_id, one.count, one.head) for one in chains]


def new(bench: Bench, ending: str, data: bytes | str = b"") -> Path:
    """The place of a file of its own; it is made only with data."""
    bench.files += 1
    path = bench.folder / f"hostile{bench.files}{ending}"
    if data:
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def take(data: bytes, ending: str, profile: str) -> Call:
    """Take in a results file."""
    return lambda b: sk.inspect.take(b.record, b.lot, new(b, ending, data), profile=profile)


# --- names of files and profiles; links in their places


NAMES = (
    "../up", "/etc/passwd", "..", "a/../../b", "a\\..\\b", "C:\\x", "%2e%2e%2fup", "x\x00y", "x\n",
    "~root", "$HOME", "`id`", ";id", "|id", "-rf", "CON ", "a" * 5000, "\u202egnp", "x'; --",
)  # fmt: skip


def names() -> Iterator[Attack]:
    """Names that lead elsewhere, or that a shell or a terminal would act on."""
    kind = "names of files and profiles"
    for name in NAMES:
        shown = f"{name[:20]!r}"
        yield Attack(kind, f"profile kept as {shown}", _kept_as(name), "profile_invalid")
        yield Attack(kind, f"profile {shown}", take(b"x\n", ".csv", name), "profile_unknown")
    for name in ("x\x1b[2J.csv", "x\u202evsc.csv", "x\ny.csv"):
        yield Attack(kind, f"results file {name!r}", _results_named(name), "bad_value", _one_more)
    for name in ("=cmd.csv", "<b>&.csv", "'; --.csv", "$(id).csv"):
        yield Attack(kind, f"results file {name!r}", _results_named(name), "", _one_more)
    yield Attack(kind, "positions from a device without end", _endless, "bad_value")


def _kept_as(name: str) -> Call:
    def call(bench: Bench) -> Any:
        told = XML.encode()
        return sk.inspect.profile(bench.record, new(bench, ".xml", told), profile=FORM, keep=name)

    return call


def _results_named(name: str) -> Call:
    """Taken like any other, if the name can be shown."""

    def call(bench: Bench) -> None:
        path = bench.results(as_seen(bench.folder / f"job{bench.files}.csv"), name=name)
        sk.inspect.take(bench.record, bench.lot, path)
        with bench.record.read() as view:
            assert name in [take.name for take in view.takes(key_of(view.lot(bench.lot)))]

    return call


def _one_more(bench: Bench) -> None:
    bench.printed(1)


def _endless(_: Bench) -> None:
    from serialkeeper.outside.files import read_words

    with patch("serialkeeper.outside.files.LONGEST_WORDS", 1000):
        read_words(Path("/dev/zero"))


def links() -> Iterator[Attack]:
    """A link that stands where a file is to be made, or above it."""
    kind = "links in output places"
    writers: dict[str, tuple[str, Callable[[Bench, Path], Any]]] = {
        "events": (".json", lambda b, out: sk.events.write(b.record, b.lot, form="json", out=out)),
        "print file": (".csv", lambda b, out: sk.print.again(b.record, b.lot, 1, out=out)),
        "drawing": (".svg", lambda b, out: sk.roll.draw(b.record, b.lot, out=out, job=1)),
        "pull list": (".csv", lambda b, out: sk.roll.pulls(b.record, b.lot, out=out, job=1)),
        "lot report": (".pdf", lambda b, out: sk.lot.report(b.record, b.lot, out=out)),
        "proof": (".pdf", lambda b, out: sk.print.proof(b.record, b.lot, out=out)),
        "signing key": (".pem", lambda b, out: sk.record.key(b.record, out)),
    }
    for what, (ending, write) in writers.items():
        for there in (True, False):
            leads = "to a file" if there else "to nothing"
            call = _at_a_link(ending, write, there=there)
            yield Attack(kind, f"{what} at a link {leads}", call, "file_exists")
        if what != "signing key":
            yield Attack(kind, f"{what} in a linked folder", _in_a_linked_folder(ending, write))


def _at_a_link(ending: str, write: Callable[[Bench, Path], Any], *, there: bool) -> Call:
    def call(bench: Bench) -> None:
        target = new(bench, ".target", b"mine" if there else b"")
        out = new(bench, ending)
        out.symlink_to(target)
        try:
            write(bench, out)
        finally:
            assert target.read_bytes() == b"mine" if there else not target.exists()
            assert out.is_symlink()

    return call


def _in_a_linked_folder(ending: str, write: Callable[[Bench, Path], Any]) -> Call:
    """The folder is the caller's to choose; the file in it is new and whole."""

    def call(bench: Bench) -> None:
        real, link = new(bench, ".folder"), new(bench, ".link")
        real.mkdir()
        link.symlink_to(real)
        write(bench, link / f"x{ending}")
        assert [path for path in real.iterdir() if path.is_symlink()] == []
        assert (real / f"x{ending}").stat().st_size

    return call


# --- what is read: XML, images, packed pieces, TOML

FORM = "example-xml"
XML = (
    '<run><readings><reading label="1" row="1" lane="1"><at>2026-06-01T09:00:00.0Z</at>'
    '<symbol grade=""><data></data></symbol></reading></readings></run>'
)


def xml() -> Iterator[Attack]:
    """Entities, foreign documents, and sizes (OWASP: XXE, XML bombs; from memory)."""
    kind = "XML"
    laughs = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    bodies = {
        "billion laughs": f'<!DOCTYPE run [<!ENTITY l0 "ha">{laughs}]>{_with("&l9;")}',
        "quadratic": f'<!DOCTYPE run [<!ENTITY a "{"a" * 50_000}">]>{_with("&a;" * 5_000)}',
        "an external file": f'<!DOCTYPE run [<!ENTITY x SYSTEM "file:///etc/passwd">]>{_with("&x;")}',
        "an external page": f'<!DOCTYPE run [<!ENTITY x SYSTEM "http://192.0.2.1/">]>{_with("&x;")}',
        "a parameter entity": f'<!DOCTYPE run [<!ENTITY % x SYSTEM "file:///etc/passwd">%x;]>{XML}',
        "a foreign document type": f'<!DOCTYPE run SYSTEM "file:///etc/passwd">{XML}',
        "an entity of nobody": _with("&x;"),
        "an include": XML.replace(
            "<data></data>",
            '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="/etc/passwd"/><data/>',
        ),
        "depth": "<run>" + "<a>" * 100_000,
        "one endless text": "<run><readings>" + "a" * 3_000_000,
        "many attributes": "<run " + " ".join(f'a{n}="1"' for n in range(200_000)) + "/>",
        "NUL as a reference": _with("&#0;"),
        "UTF-7": '<?xml version="1.0" encoding="UTF-7"?>+ADw-run/+AD4-',
    }
    taken = {"an include"}
    for what, body in bodies.items():
        if what in taken:
            yield Attack(kind, what, _included(body))
        else:
            yield Attack(kind, what, take(body.encode(), ".xml", FORM), "results_row")


def _with(text: str) -> str:
    return XML.replace("<data></data>", f"<data>{text}</data>")


def _included(body: str) -> Call:
    """An include is an element like others that devices tell and we do not need."""

    def call(bench: Bench) -> None:
        path = new(bench, ".xml", body)
        told = sk.inspect.profile(bench.record, path, profile=FORM)
        assert "root:" not in str(told)

    return call


def packed() -> Iterator[Attack]:
    """Little that unpacks to much, and what ends in the middle."""
    kind = "packed data and images"
    results = gzipped(b"position,row,lane,at,seen,grade,verdict,text\n")
    yield Attack(kind, "gzip as a results file", take(results, ".csv", ""), "results_header")
    for width, height in ((100_000, 100_000), (2**31 - 1, 2**31 - 1), (1, 2**31 - 1)):
        call = _image(_png(width, height))
        yield Attack(kind, f"an image of {width} x {height}", call, "image_too_large")
    text = b"zTXt", b"Comment\x00\x00" + zlib.compress(bytes(100_000_000))
    yield Attack(kind, "100 MB in an image's comment", _image(_png(9, 9, text)), "image_unreadable")
    svg = b'<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>'
    yield Attack(kind, "SVG named PNG", _image(svg), "image_unreadable")
    script = b"%!PS\n(/etc/passwd) (r) file"
    yield Attack(kind, "PostScript named PNG", _image(script), "image_unreadable")


def gzipped(data: bytes) -> bytes:
    packer = zlib.compressobj(9, wbits=31)
    return packer.compress(data) + packer.flush()


def _png(width: int, height: int, *more: tuple[bytes, bytes]) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), *more, (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )


def _image(data: bytes) -> Call:
    return lambda b: sk.scan(b.record, new(b, ".png", data))


def toml() -> Iterator[Attack]:
    """What TOML and JSON allow and no reader of ours expects."""
    kind = "TOML and JSON"
    texts = {
        "a number of 5,000 digits": "a = " + "9" * 5_000,
        "nested 4,000 deep": "a = " + "[" * 4_000 + "]" * 4_000,
        "keys 3,000 deep": ".".join("a" * 3_000) + " = 1",
        "a key twice": "a = 1\na = 2",
        "a table of a Python object": '[a]\n"__class__" = "x"',
        "not a number": "x = nan\n[symbol]\nx = nan\n[case]\nholds = nan",
        "without end": "x = inf\n[symbol]\nx = inf\n[case]\nholds = inf",
        "a date": "lines = 1979-05-27\n[case]\nholds = 1979-05-27",
        "YAML": "!!python/object/apply:os.system [id]",
        "too long": "a = 1\n" * 20_000,
        "a byte order mark": "\ufeffa = 1",
        "control characters": "a = '\x1b'",
    }
    readers: dict[str, tuple[str, Callable[[str], Any]]] = {
        "camera profile": ("profile_invalid", profiles.parse),
        "pack levels": (
            "packs_invalid",
            lambda text: levels.read_levels(text, "x.toml", gtin=GTIN, prefix_length=7),
        ),
        "layout": ("layout_invalid", lambda text: layout.read_layout(text, "x.toml")),
    }
    for reader, (word, read) in readers.items():
        for what, text in texts.items():
            yield Attack(kind, f"{reader}: {what}", lambda _, r=read, t=text: r(t), word)
    for what, body in {
        "nested 1,000 deep": b"[" * 1_000 + b"]" * 1_000,
        "nested 100,000 deep": b"[" * 100_000,
        "a number of 10,000 digits": b"9" * 10_000,
        "not UTF-8": b'"\xff"',
        "half a surrogate": b'{"checkpoint": "\\ud800", "key": "", "signature": ""}',
        "a key twice": b'{"key": "", "key": "", "checkpoint": {}, "signature": ""}',
        "other types": b'{"key": [], "checkpoint": 1e999, "signature": {}}',
    }.items():
        yield Attack(kind, f"checkpoint: {what}", _against(body), "bad_value")
        word = "results_encoding" if what == "not UTF-8" else "results_row"
        reading = body.replace(b"\n", b"") + b"\n"
        yield Attack(kind, f"results: {what}", take(reading, ".jsonl", LINES), word)


LINES = "example-json-lines"


def _against(body: bytes) -> Call:
    def call(bench: Bench) -> Any:
        path = new(bench, ".json", body)
        return sk.record.verify(bench.record, against=path, public_key="00" * 32)

    return call


# --- what is typed: SQL, numbers, unseen signs, look-alikes

SQL = (
    "' OR '1'='1", "'; DROP TABLE label; --", '"; DELETE FROM entry; --', "1) UNION SELECT 1 --",
    "%", "_", "\\", ":name", "%(name)s", "$1", "?", "{0}", "${jndi:ldap://192.0.2.1}", "{{7*7}}",
)  # fmt: skip

NOBODY = "a\x00b", "a\ud800b"
"""Texts that no row can hold."""

Typed = dict[str, tuple[str, Callable[[Bench, str], Any]]]

LOOKED_UP: Typed = {
    "lot": ("lot_unknown", lambda b, text: sk.lot.show(b.record, text)),
    "number": ("label_unknown", lambda b, text: sk.label.show(b.record, b.lot, serial=text)),
    "person": ("person_unknown", lambda b, text: sk.person.role(
        b.record, text, "operator", reason="x")),
    "second person": ("person_unknown", lambda b, text: sk.lot.approve(
        b.record, "DRAFT", second=text)),
    "location": ("location_unknown", lambda b, text: sk.location.show(b.record, text)),
    "profile": ("profile_unknown", lambda b, text: take(b"x\n", ".csv", text)(b)),
}  # fmt: skip

SAID: dict[str, Callable[[Bench, str], Any]] = {
    "reason of a hold": lambda b, text: sk.hold.place(b.record, b.lot, positions="1", reason=text),
    "case of a hold": lambda b, text: sk.hold.place(
        b.record, b.lot, positions="1", reason="x", case=text
    ),
    "reason of a role": lambda b, text: sk.person.role(
        b.record, "Second Person", "compliance", reason=text
    ),
    "market": lambda b, text: sk.lot.open(
        b.record, GTIN, _number(b), expiry=EXPIRY, target=1, market=text
    ),
    "station of an entry": lambda b, text: sk.lot.open(
        replace(b.record, station=text), GTIN, _number(b), expiry=EXPIRY, target=1
    ),
}

NAMED: dict[str, Callable[[Bench, str], Any]] = {
    "person": lambda b, text: sk.person.add(b.record, text, role="operator"),
    "station": lambda b, text: sk.station.add(b.record, text),
    "product": lambda b, text: sk.product.add(b.record, OTHER, prefix_length=7, name=text),
    "location": lambda b, text: sk.location.add(
        b.record, "9521234000020", prefix_length=7, name=text, zone="UTC"
    ),
}


def _number(bench: Bench) -> str:
    bench.files += 1
    return f"N{bench.files}"


def sql() -> Iterator[Attack]:
    """SQL and templates; a text is a value always, never a part of a statement."""
    kind = "SQL and templates in texts"
    for field, (word, call) in LOOKED_UP.items():
        for text in SQL:
            yield Attack(kind, f"{field} {text!r}", lambda b, c=call, t=text: c(b, t), word)
    for field in ("reason of a hold", "market", "station of an entry"):
        for text in SQL:
            yield Attack(kind, f"{field} {text!r}", _comes_back(SAID[field], text))
    for text in SQL:
        call = NAMED["person"]
        yield Attack(kind, f"person {text!r}", lambda b, c=call, t=text: _is_listed(c, b, t))


def _comes_back(call: Callable[[Bench, str], Any], text: str) -> Call:
    """The last entry of some chain says it, letter by letter."""

    def done(bench: Bench) -> None:
        call(bench, text)
        with bench.record.read() as view:
            keys = [(LotKey(one.product_id, one.lot_id), one.count) for one in view.chains()]
            last = [
                body for key, seq in keys for _, body, _ in view.stored_entries(key, after=seq - 1)
            ]
        assert json.dumps(text).encode() in b"".join(last)

    return done


def _is_listed(call: Callable[[Bench, str], Any], bench: Bench, text: str) -> None:
    call(bench, text)
    assert text in [person["name"] for person in sk.person.list(bench.record)]


def numbers() -> Iterator[Attack]:
    """Numbers that no column holds, and texts that no line holds."""
    kind = "numbers and lengths"
    calls: dict[str, tuple[str, Callable[[Bench, int], Any]]] = {
        "labels to allocate": ("bad_value", lambda b, n: sk.serials.allocate(b.record, b.lot, n)),
        "lanes": ("bad_value", lambda b, n: sk.print.write(
            b.record, b.lot, lanes=n, out=new(b, ".csv"))),
        "print job": ("job_unknown", lambda b, n: sk.print.again(
            b.record, b.lot, n, out=new(b, ".csv"))),
        "position": ("label_unknown", lambda b, n: sk.label.show(b.record, b.lot, position=n)),
        "hold": ("hold_unknown", lambda b, n: sk.hold.lift(b.record, b.lot, n, reason="x")),
        "roll": ("roll_unknown", lambda b, n: sk.roll.show(b.record, b.lot, n)),
        "rehearsed rolls": ("bad_value", _rehearse),
        "target": ("bad_value", lambda b, n: sk.lot.open(
            b.record, GTIN, "X", expiry=EXPIRY, target=n)),
        "alarm": ("alarm_unknown", lambda b, n: sk.alarm.acknowledge(
            b.record, b.lot, [n], cause="x", restart_check="x")),
    }  # fmt: skip
    for field, (word, call) in calls.items():
        begin = _one_more if field == "rehearsed rolls" else None
        for number in (-1, 2**31, 2**63, 10**30):
            yield Attack(
                kind, f"{field} {number}", lambda b, c=call, n=number: c(b, n), word, begin
            )
    long = "x" * 1_000_000
    for field, (word, look) in LOOKED_UP.items():
        yield Attack(kind, f"{field} of 1,000,000 signs", lambda b, c=look: c(b, long), word)
    for field, name in NAMED.items():
        yield Attack(kind, f"{field} of 1,000,000 signs", lambda b, c=name: c(b, long), "bad_value")
    for field, say in SAID.items():
        yield Attack(kind, f"{field} of 1,000,000 signs", lambda b, c=say: c(b, long), "bad_value")


def _asked(call: Callable[[Bench, int], Any], number: int, bench: Bench) -> Any:
    return call(bench, number)


def _rehearse(bench: Bench, rolls: int) -> Any:
    out, truth = new(bench, ".csv"), new(bench, ".csv")
    return sk.inspect.rehearse(bench.record, bench.lot, out=out, truth=truth, seed=1, rolls=rolls)


UNSEEN = {
    "a line feed": "Ada\nsigned: Bea", "a carriage return": "Ada\rBea", "a tab": "Ada\tBea",
    "a terminal's escape": "Ada\x1b[2J", "a backspace": "Ada\x08\x08\x08Bea", "C1": "Ada\x9b2J",
    "right to left": "Ada \u202eaeB", "an isolate": "Ada\u2066", "zero width": "A\u200bda",
    "a joiner": "A\u200dda", "a byte order mark": "\ufeffAda", "a soft hyphen": "A\xadda",
    "a Hangul filler": "Ada\u3164", "a variant": "Ada\ufe0f", "empty braille": "Ada\u2800x",
    "a line separator": "Ada\u2028Bea", "a tag": "Ada\U000e0041", "NUL": "Ada\x00",
    "half a surrogate": "Ada\ud800", "a private sign": "Ada\ue000", "a wide space": "Ada\u3000Bea",
}  # fmt: skip


def unseen() -> Iterator[Attack]:
    """Signs that nobody sees, or that steer what shows them."""
    kind = "unseen signs"
    for what, text in UNSEEN.items():
        for field, call in {**NAMED, **SAID}.items():
            yield Attack(
                kind, f"{field} with {what}", lambda b, c=call, t=text: c(b, t), "bad_value"
            )
    for text in NOBODY:
        for field, (_, look) in LOOKED_UP.items():
            yield Attack(kind, f"{field} {text!r}", lambda b, c=look, t=text: c(b, t), "*")


ALIKE = {
    "Cyrillic": "\u0410\u0441\u0430 L\u0435\u0430d", "capitals": "SECOND PERSON",
    "a Cyrillic letter": "S\u0435cond Person", "a Greek letter": "Second Pers\u03bfn",
    "full width": "\uff33econd Person", "decomposed": "Jose\u0301 Person",
    "many marks": "A" + "\u0301\u0302\u0303\u0304\u0316" + "da",
    "two spaces": "Second  Person", "an unbreakable space": "Second\u00a0Person",
    "a zero": "Sec0nd Person", "spaces around": " Second Person ",
}  # fmt: skip


def alike() -> Iterator[Attack]:
    """Names that look like another's."""
    kind = "names that look alike"
    same = ("capitals", "a zero", "full width")
    for what, name in ALIKE.items():
        word = "person_exists" if what in same else "bad_value"
        yield Attack(kind, f"person: {what}", lambda b, n=name: NAMED["person"](b, n), word)
    for name in ("LOT24\u0410", "LOT\u20002", "LOT\uff12", "L\u043eT"):
        yield Attack(
            kind,
            f"lot {name!a}",
            lambda b, n=name: sk.lot.open(b.record, GTIN, n, expiry=EXPIRY, target=1),
            "bad_value",
        )
    for first, second in (("Line l", "Line 1"), ("Modern", "Modem"), ("Line-7", "Line\u20117")):
        call, begin = _station(second), _station(first)
        yield Attack(kind, f"station {second} beside {first}", call, "station_exists", begin)


def _station(name: str) -> Call:
    return lambda b: sk.station.add(replace(b.record, station=name), name)


# --- what is written: spreadsheets, drawings, pages; and who may read what is secret

FORMULAS = ("=1+1", "+1", "-1", "@A1", "=cmd|'/C'!A1", "=HYPERLINK(1)")
"""Beginnings that spreadsheets act on; all but @, a tab and | are signs of GS1's set 82."""


def formulas() -> Iterator[Attack]:
    """Numbers and names that a spreadsheet would run (OWASP: CSV injection, from memory)."""
    kind = "spreadsheet formulas"
    allowed = [text for text in FORMULAS if not set(text) & set("@|")]
    yield Attack(kind, "such numbers in print, return and pull list", _formula_numbers(allowed))
    for text in set(FORMULAS) - set(allowed):
        yield Attack(kind, f"number {text}", _imported([text]), "import_rows")
    for text in FORMULAS:
        call = NAMED["person"]
        yield Attack(kind, f"person {text}", lambda b, c=call, t=text: _is_listed(c, b, f"{t} x"))


def _lot(bench: Bench) -> str:
    name = _number(bench)
    sk.lot.open(bench.record, GTIN, name, expiry=EXPIRY, target=4)
    sk.lot.approve(bench.record, name, second="Second Person")
    return name


def _imported(serials: list[str]) -> Call:
    def call(bench: Bench) -> Any:
        path = new(bench, ".txt", "".join(f"{serial}\n" for serial in ("serial", *serials)))
        return sk.serials.import_(bench.record, "IMPORTS", path, issuer="Authority")

    return call


def _formula_numbers(serials: list[str]) -> Call:
    """Print files keep exact bytes, a pull list is for people: there a mark stands before."""

    def call(bench: Bench) -> None:
        name = _lot(bench)
        listed = "".join(f"{serial}\n" for serial in ("serial", *serials, "LAST"))
        path = new(bench, ".txt", listed)
        sk.serials.import_(bench.record, name, path, issuer="Authority")
        job, pulls, back = (new(bench, ".csv") for _ in range(3))
        sk.print.write(bench.record, name, lanes=1, out=job, last=len(serials))
        assert column(job, "serial") == serials
        rows = as_seen(job)
        for row in rows:
            row["seen"] = ""
        sk.inspect.take(bench.record, name, bench.results(rows))
        sk.roll.pulls(bench.record, name, out=pulls)
        assert column(pulls, "number") == [f"'{serial}" for serial in serials]
        for position in (1, 2):
            sk.label.void(bench.record, name, str(position), reason="waste")
        sk.serials.return_(bench.record, name, out=back)
        assert column(back, "serial")[:2] == serials[:2]

    return call


def column(path: Path, name: str) -> list[str]:
    """A column of a CSV file."""
    with path.open(newline="") as file:
        return [row[name] for row in csv.DictReader(file)]


MARKUP = (
    "<script>alert(1)</script>", '"><svg onload="alert(1)">', "]]><x/>", "&lt;&x;", "<!--", "' x='",
    "(\\) Tj /URI (x)", "</text><text>",
)  # fmt: skip


def markup() -> Iterator[Attack]:
    """Names with markup, drawn: as text, letter by letter."""
    for text in MARKUP:
        yield Attack("markup in names", f"drawn for {text}", lambda b, t=text: _drawn(b, t))


def _drawn(bench: Bench, text: str) -> None:
    NAMED["person"](bench, text)
    theirs = sk.open_record(bench.url, person=text, station=text, now=bench.record.now, seed=7)
    with theirs as record:
        out, proof, paper = new(bench, ".svg"), new(bench, ".svg"), new(bench, ".pdf")
        sk.roll.draw(record, bench.lot, out=out, job=1)
        sk.print.proof(record, bench.lot, out=proof)
        sk.print.proof(record, bench.lot, out=paper)
    shown = ""
    for path in (out, proof):
        root = etree.fromstring(path.read_bytes(), etree.XMLParser(resolve_entities=False))
        names = {etree.QName(one).localname for one in root.iter(etree.Element)}
        assert names <= {"svg", "title", "rect", "g", "text", "line", "path", "circle", "polygon"}
        assert not [name for one in root.iter() for name in one.attrib if name.startswith("on")]
        shown += "\n".join(root.itertext())
    assert text in shown
    assert b"/URI" not in paper.read_bytes()


def exposed() -> Iterator[Attack]:
    """Secrets in files that others can read or change, or that are no files."""
    kind = "secrets in files"
    for mode in (0o644, 0o640, 0o604, 0o620, 0o602):
        yield Attack(kind, f"password, mode {mode:o}", _password(mode), "secret_exposed")
        yield Attack(kind, f"signing key, mode {mode:o}", _key(mode), "bad_value")
        yield Attack(kind, f"session, mode {mode:o}", _session(mode))
    yield Attack(kind, "a password that is a pipe", _password(0o600, os.mkfifo), "secret_exposed")
    yield Attack(kind, "a password that is a folder", _password(0o700, os.mkdir), "file_missing")
    yield Attack(kind, "a link to an open password", _password(0o644, link=True), "secret_exposed")
    yield Attack(kind, "a link to a closed password", _password(0o600, link=True))
    whole = '{"id": 1, "person": "A", "key": "k", "badge": ""'
    for what, data in {
        "SQL for its number": whole.replace("1", '"1 OR 1=1"') + "}",
        "a field too many": whole + ', "role": "administrator"}',
        "depth": "[" * 9_000,
        "a list": "[]",
        "no end": whole,
        "a truth for its number": whole.replace("1", "true") + "}",
    }.items():
        yield Attack(kind, f"session: {what}", _session(0o600, data))


def _password(mode: int, make: Callable[..., Any] | None = None, *, link: bool = False) -> Call:
    def call(bench: Bench) -> None:
        path = new(bench, ".secret", b"" if make else b"a secret\n")
        if make:
            make(path)
        path.chmod(mode)
        if link:
            path, target = new(bench, ".link"), path
            path.symlink_to(target)
        with patch.dict(os.environ, {f"{secrets.PASSWORD}_FILE": str(path)}):
            assert secrets.password(secrets.PASSWORD, "") == "a secret"

    return call


def _key(mode: int) -> Call:
    def call(bench: Bench) -> None:
        path = new(bench, ".pem")
        signing.make_key(path)
        assert path.stat().st_mode & 0o777 == 0o600
        signing.read_key(path)
        path.chmod(mode)
        signing.read_key(path)

    return call


def _session(mode: int, data: str = "") -> Call:
    """Such a session is as good as none: whoever works has to sign in."""

    def call(bench: Bench) -> None:
        folder = new(bench, ".sessions")
        with patch.dict(os.environ, {"SERIALKEEPER_SESSIONS": str(folder)}):
            sessions.keep("url", "line 1", sessions.Kept(1, "A", "k", ""))
            path = sessions.place("url", "line 1")
            assert path.stat().st_mode & 0o777 == 0o600
            assert path.parent.stat().st_mode & 0o777 == 0o700
            assert sessions.kept("url", "line 1")
            if data:
                path.write_text(data)
            path.chmod(mode)
            assert sessions.kept("url", "line 1") is None

    return call


def requests() -> Iterator[Attack]:
    """Requests over HTTP that are not what a program of the house sends."""
    kind = "requests over HTTP"
    numbers, takes, head = f"{_LOT}/numbers", f"{_LOT}/takes", {"Content-Type": "application/json"}
    one = {"count": 1}
    for host in _FOREIGN:
        call = _asked("GET", "/lots", headers={"Host": host})
        yield Attack(kind, f"host {host!r}", call, "host_unknown")
    for foreign in (
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ):
        call = _asked("POST", numbers, headers=foreign, json=one)
        yield Attack(kind, f"a page with {foreign}", call, "origin_foreign")
    for what, body in {
        "half a document": b"{",
        "depth": b"[" * 100_000,
        "a number without end": b'{"count": 1e999}',
        "a long number": b'{"count": ' + b"9" * 5_000 + b"}",
        "half a surrogate": b'{"count": "\\ud800"}',
        "no UTF-8": b"\xff",
        "a truth for a number": b'{"count": true}',
        "a field too many": b'{"count": 1, "role": "administrator"}',
        "too many numbers": b'{"count": 1000001}',
        "no number": b'{"count": NaN}',
    }.items():
        call = _asked("POST", numbers, content=body, headers=head)
        yield Attack(kind, f"body: {what}", call, "usage")
    plain = _asked("POST", numbers, content=b'{"count": 1}', headers={"Content-Type": "text/plain"})
    yield Attack(kind, "JSON that says it is text", plain, "usage")
    for path in (
        *(
            "/nothing",
            "/../../etc/passwd",
            "/%2e%2e/%2e%2e/etc/passwd",
            "http://localhost:8470//lots",
            "/lots/",
        ),
        *("/lots/9521234543213/LOT24A", f"{_LOT}/labels/99999999999999999999", f"{_LOT}/labels/-1"),
        *(f"{_LOT}/labels?stat=doubtful", f"{_LOT}/fit?x=nan", f"{_LOT}/pulls?pitch=1e9"),
    ):
        yield Attack(kind, f"GET {path}", _asked("GET", path), "usage")
    for lot in ("%FF%FE", "' OR 1=1 --", "%252F", "..%2F..%2Fx", "%E2%80%AE"):
        yield Attack(kind, f"lot {lot}", _asked("GET", f"/lots/{GTIN}/{lot}"), "lot_unknown")
    yield Attack(kind, "lot %00", _asked("GET", f"/lots/{GTIN}/%00"), "*")
    for name in (
        "../x.csv",
        "..",
        ".x",
        "a/b",
        "a%00b",
        "a%0Ab",
        "",
        "x" * 121,
        "%F0%9F%92%8A" * 60,
    ):
        yield Attack(
            kind, f"file {name}", _asked("POST", f"{takes}?name={name}", content=b"x"), "usage"
        )
    for name in ("job.csv%0d%0aX: y", "../job.csv", "a/b.csv"):
        call = _asked("POST", f"{_LOT}/jobs", json={"lanes": 1, "name": name})
        yield Attack(kind, f"print file {name}", call, "usage")


_LOT = f"/lots/{GTIN}/LOT24A"
_FOREIGN = (
    *("evil.example", "localhost.evil.example", "127.0.0.1.evil.example:8470", "", "["),
    *("127.0.0.1:8470.evil.example", "localhost:port", "localhost:-1", "localhost:0"),
    *("evil.example@localhost", "localhost/evil.example", "localhost?evil.example", "localhost#a"),
)
"""A header Host is a name and perhaps a port, nothing else (RFC 9110 section 7.2)."""
_served: dict[str, Client] = {}
"""The routes of the record that is attacked."""


def _asked(method: str, path: str, **more: Any) -> Call:
    """Ask the record's routes; a problem document is the refusal that it tells."""

    def call(bench: Bench) -> None:
        if bench.url not in _served:
            _served.clear()
            _served[bench.url] = served(bench.url, acting="Line Lead")
        answer = _served[bench.url].request(method, path, **more)
        _served[bench.url].record.close()  # its connections; the next request opens others
        if answer.status_code != 200:
            told = valid("problem", answer.json())
            assert 400 <= answer.status_code < 500 and str(bench.folder) not in answer.text
            raise sk.Refused(told["word"], told["detail"])

    return call


KINDS = {
    next(made()).kind: made
    for made in (
        names, links, xml, packed, toml, sql, numbers, unseen, alike, formulas, markup, exposed,
        requests,
    )
}  # fmt: skip
"""The attacks of each kind."""
