"""Products and locations from files: all of a file or nothing, every fault told with a remedy.

Outside checks: python-stdnum knows GTIN and GLN check digits, Python's zoneinfo knows zones, the
SGLN forms come from the vectors of `SERIALKEEPER_STANDARDS` (their sources stand there).
"""

from __future__ import annotations

import json
import re
import zoneinfo
from pathlib import Path
from typing import Any

import pytest
from conftest import GTIN, Bench
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stdnum import ean

import serialkeeper as sk
from serialkeeper.rules import gs1, locations

GLN = "9521234000020"
HEAD = "gtin,prefix_length,name"
PLACES = "gln,prefix_length,name,zone,extension,part_of"


def gtin(number: int) -> str:
    body = f"09521234{number:05d}"
    return body + ean.calc_check_digit(body)


def gln(number: int) -> str:
    body = f"9521234{number:05d}"
    return body + ean.calc_check_digit(body)


def write(bench: Bench, text: str, name: str = "rows.csv") -> Path:
    path = bench.folder / name
    path.write_text(text)
    return path


def refusal(bench: Bench, text: str, what: Any = sk.product) -> sk.Refused:
    heads = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        what.import_(bench.record, write(bench, text))
    assert bench.heads() == heads
    assert refused.value.where and refused.value.remedy
    return refused.value


def test_products_of_a_file_are_in_the_record_once(bench: Bench) -> None:
    """New products are added with their facts; the same file again changes nothing."""
    text = f"name,gtin,prefix_length,minimum_grade\nTablets 5 mg,{gtin(1)},7,B\n" + (
        f'"Drops, 10 ml",{gtin(2).lstrip("0")},8,\nDemo tablets 20 mg,{GTIN},7,1.5\n'
    )
    path = write(bench, text)
    made = sk.product.import_(bench.record, path)
    assert (made["rows"], made["added"], made["already_there"]) == (3, 2, 1)
    tablets, drops = (sk.product.show(bench.record, gtin(number)) for number in (1, 2))
    assert (tablets["name"], tablets["minimum_grade"]) == ("Tablets 5 mg", "3.0")
    assert (drops["name"], drops["prefix_length"], drops["serial_length"]) == (
        "Drops, 10 ml",
        8,
        12,
    )
    heads = bench.heads()
    again = sk.product.import_(bench.record, path)
    assert (again["added"], again["already_there"]) == (0, 3)
    assert bench.heads() == heads


BAD = {
    "powers of ten": ("9.52123E+12,7,A", "gtin", "spreadsheet"),
    "lost zeros": ("21234000017,7,A", "gtin", "leading zeros"),
    "a wrong check digit": (f"{gtin(1)[:-1]}{(int(gtin(1)[-1]) + 1) % 10},7,A", "gtin", "check"),
    "no prefix length": (f"{gtin(1)},,A", "prefix_length", "whole number"),
    "a prefix length that cannot be": (f"{gtin(1)},13,A", "prefix_length", "6 to 12"),
    "no name": (f"{gtin(1)},7,", "name", "printable"),
    "a missing field": (f"{gtin(1)},7", "the whole row", "3 fields"),
    "a comma in a name": (f"{gtin(1)},7,A, B", "the whole row", "quotes"),
    "a product that differs": (f"{GTIN},7,Another", "name", "Demo tablets 20 mg"),
    "a product twice": (f"{gtin(9)},7,Nine", "gtin", "line 2"),
}


@pytest.mark.parametrize("bad", BAD)
def test_one_bad_product_refuses_the_file(bench: Bench, bad: str) -> None:
    """Each kind of bad row is told with line, column and remedy, and nothing is added."""
    row, column, says = BAD[bad]
    refused = refusal(bench, f"{HEAD}\n{gtin(9)},7,Nine\n{row}\n")
    assert refused.word == "import_rows"
    assert refused.where.endswith(f"line 3, {column}")
    assert says in refused.remedy + refused.expected
    assert len(sk.product.list(bench.record)) == 1


def test_all_bad_rows_are_told_together(bench: Bench) -> None:
    """Several rows, and several faults of one row, come in one answer."""
    refused = refusal(bench, f"{HEAD}\n1,x,\n{gtin(1)},7,Good\n2,7,B\n")
    assert [re.split(":", line)[0] for line in refused.more] == [
        "line 2, prefix_length",
        "line 2, name",
        "line 4, gtin",
    ]


HARMED = {
    "a byte order mark": (b"\xef\xbb\xbf", HEAD, "import_encoding", "byte order mark"),
    "semicolons": (b"", HEAD.replace(",", ";"), "import_header", "not semicolons"),
    "tabs": (b"", HEAD.replace(",", "\t"), "import_header", "not tabs"),
    "a column too few": (b"", "gtin,name", "import_header", "Missing: prefix_length"),
    "a strange column": (b"", f"{HEAD},price", "import_header", "no other"),
    "a column twice": (b"", f"{HEAD},name", "import_header", "once"),
}


@pytest.mark.parametrize("bad", HARMED)
def test_a_harmed_header_is_refused(bench: Bench, bad: str) -> None:
    """What an editor or a spreadsheet did to the file is named with what to do."""
    mark, header, word, says = HARMED[bad]
    path = bench.folder / "rows.csv"
    path.write_bytes(mark + f"{header}\n{gtin(1)},7,A\n".encode())
    with pytest.raises(sk.Refused) as refused:
        sk.product.import_(bench.record, path)
    assert refused.value.word == word
    assert refused.value.where.endswith("line 1")
    assert says in refused.value.remedy + refused.value.expected


def test_locations_are_added_one_by_one_and_from_files(bench: Bench) -> None:
    """A site, a part of it, and a file that names both and a third one."""
    sk.location.add(bench.record, GLN, prefix_length=7, name="Demo site", zone="Europe/Berlin")
    line = sk.location.add(
        bench.record,
        GLN,
        prefix_length=7,
        name="Line 1",
        zone="Europe/Berlin",
        extension="L1",
        part_of=GLN,
    )
    assert line["epc"] == "urn:epc:id:sgln:9521234.00002.L1"
    assert line["part_of"] == GLN
    path = write(
        bench,
        f"{PLACES}\n{GLN},7,Demo site,Europe/Berlin,,\n{gln(7)},7,Store,UTC,,\n"
        f"{gln(7)},7,Ramp,UTC,R1,{gln(7)}\n",
    )
    made = sk.location.import_(bench.record, path)
    assert (made["added"], made["already_there"]) == (2, 1)
    assert sk.location.show(bench.record, f"{gln(7)}/R1")["part_of"] == gln(7)
    heads = bench.heads()
    assert sk.location.import_(bench.record, path)["already_there"] == 3
    assert bench.heads() == heads
    assert len(sk.location.list(bench.record)) == 4
    with pytest.raises(sk.Refused) as refused:
        sk.location.add(bench.record, GLN, prefix_length=7, name="Again", zone="UTC")
    assert refused.value.word == "location_exists"


BAD_PLACES = {
    "a zone that is none": (f"{gln(3)},7,A,CET+9,,", "zone", "IANA"),
    "a wrong check digit": (f"{gln(3)[:-1]}{(int(gln(3)[-1]) + 1) % 10},7,A,UTC,,", "gln", "digit"),
    "lost zeros": ("1234000020,7,A,UTC,,", "gln", "leading zeros"),
    "an unknown site around it": (f"{gln(3)},7,A,UTC,X,{gln(4)}", "part_of", "location add"),
    "an extension that is none": (f"{gln(3)},7,A,UTC,#,", "extension", "set 82"),
    "a location that differs": (f"{GLN},7,Demo site,UTC,,", "zone", "Europe/Berlin"),
}


@pytest.mark.parametrize("bad", BAD_PLACES)
def test_one_bad_location_refuses_the_file(bench: Bench, bad: str) -> None:
    """Each kind of bad row is told with line, column and remedy, and nothing is added."""
    row, column, says = BAD_PLACES[bad]
    sk.location.add(bench.record, GLN, prefix_length=7, name="Demo site", zone="Europe/Berlin")
    refused = refusal(bench, f"{PLACES}\n{gln(9)},7,Nine,UTC,,\n{row}\n", sk.location)
    assert refused.word == "import_rows"
    assert refused.where.endswith(f"line 3, {column}")
    assert says in refused.remedy + refused.expected


def test_location_urns_are_those_of_the_vectors(standards: Path) -> None:
    """SGLN URNs, with and without extension, for every length of the company prefix there."""
    vectors = json.loads((standards / "vectors" / "epc_uris.json").read_text())
    rows = vectors["vectors"] if isinstance(vectors, dict) else vectors
    checked = 0
    for row in rows:
        text = str(row["input"].get("bracketed", ""))
        found = re.fullmatch(r"\(414\)([0-9]{13})(?:\(254\)(.+))?", text)
        if found and row["expect"].get("epc_uri"):
            made = locations.sgln_urn(found[1], row["input"]["gcp_length"], found[2] or "")
            assert made == row["expect"]["epc_uri"]
            checked += 1
    assert checked >= 3


@given(st.text("0123456789", min_size=12, max_size=12).filter(lambda body: body.strip("0")))
def test_gln_check_digits_are_those_of_stdnum(body: str) -> None:
    """Of the ten last digits one is taken, the one that python-stdnum computes."""
    taken = []
    for digit in "0123456789":
        try:
            taken.append(locations.parse_gln(body + digit)[-1])
        except sk.Refused:
            continue
    assert taken == [ean.calc_check_digit(body)]


def test_zones_are_those_of_the_zone_database() -> None:
    """Names of Python's zone database are known; wrong spellings are not."""
    names = sorted(zoneinfo.available_timezones())
    for name in ["Europe/Berlin", "America/Sao_Paulo", "UTC", *names[::60]]:
        if "/" in name and not name.startswith(("posix", "right")):
            assert locations.check_zone(name) == name
    for name in ("Europe/Berlinn", "local", "", "Europe\\Berlin", "+02:00"):
        with pytest.raises(sk.Refused):
            locations.check_zone(name)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    numbers=st.lists(st.integers(100, 99_999), min_size=1, max_size=8),
    spoiled=st.booleans(),
    data=st.data(),
)
def test_a_file_is_taken_whole_or_not_at_all(
    bench: Bench, numbers: list[int], spoiled: bool, data: st.DataObject
) -> None:
    """Whatever the rows: with a bad one nothing changes, else every product is there, once."""
    rows = [f"{gtin(number)},7,Product {number}" for number in numbers]
    if spoiled:
        at = data.draw(st.integers(0, len(rows) - 1))
        rows[at] = rows[at].replace(",7,", ",70,")
    before = {row["gtin"] for row in sk.product.list(bench.record)}
    text = f"{HEAD}\n" + "".join(f"{row}\n" for row in rows)
    if spoiled or len(set(numbers)) < len(numbers):
        refusal(bench, text)
        assert {row["gtin"] for row in sk.product.list(bench.record)} == before
        return
    path = write(bench, text)
    sk.product.import_(bench.record, path)
    heads = bench.heads()
    assert sk.product.import_(bench.record, path)["added"] == 0
    assert bench.heads() == heads
    there = {row["gtin"] for row in sk.product.list(bench.record)}
    assert there == before | {gtin(number) for number in numbers}
    assert all(gs1.parse_gtin(one) == one for one in there)
