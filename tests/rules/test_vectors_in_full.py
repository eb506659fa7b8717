"""Every check vector that concerns codes, all rows, counted by file; each difference explained.

The vectors are published examples and verdicts of the GS1 Barcode Syntax Engine 1.4.1, of the
EPC Tag Data Standard and of reference libraries; each row names its own source.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from serialkeeper.errors import Refused
from serialkeeper.rules import dates, digital_link, epc, gs1, identifiers, keys
from serialkeeper.rules.gs1 import GS, ElementString
from serialkeeper.rules.identifiers import TABLE, Elements

THIS_YEAR = 2026

COUNTS = {
    "check_digits": 14,
    "epc_uris": 90,
    "gcp_length": 11,
    "element_strings": 165,
    "digital_link": 90,
    "scan_data": 29,
    "dates": 61,
    "datamatrix_symbols": 17,
}
"""Rows of each file: a file that grows has to be looked at again."""


def rows(standards: Path, name: str) -> list[dict[str, Any]]:
    """All rows of a file, as many as there should be."""
    read: list[dict[str, Any]] = json.loads(
        (standards / "vectors" / f"{name}.json").read_text("utf-8")
    )
    assert len(read) == COUNTS[name]
    return read


def judged(read: Callable[[str], Elements], text: str) -> Elements | None:
    """The elements, if nothing at all is wrong with them."""
    try:
        found = read(text)
    except Refused as refusal:
        assert refusal.word == "bad_value"
        assert refusal.expected
        assert refusal.remedy
        return None
    return None if list(gs1.faults(found, this_year=THIS_YEAR)) else found


def from_caret(text: str) -> Elements:
    """The engine's unbracketed form: FNC1 first, then elements, `^` for FNC1."""
    if not text.startswith("^"):
        raise Refused("bad_value", "no FNC1", expected="^", remedy="none")
    return gs1.read_elements(ElementString(text[1:].replace("^", GS)))


def ais_of(text: str) -> set[str]:
    """The identifiers of a text that our reader takes."""
    read = from_caret if text.startswith("^") else gs1.read_bracketed
    return {ai for ai, _ in read(text)}


def test_element_strings_in_full(standards: Path) -> None:
    """Where the engine and we differ, we accept, and an identifier is there whose inner rules we
    do not know: 37 rows. One row more holds (89), which is no identifier; the engine was told to
    permit it (`permit_unknown_ais`), we never do.

    Source: element_strings.json, `full_api_ok` of the engine; General Specifications section 3.
    """
    differ = []
    for row in rows(standards, "element_strings"):
        given, expect = row["input"], row["expect"]
        text = given.get("unbracketed", given.get("bracketed"))
        read = from_caret if "unbracketed" in given else gs1.read_bracketed
        found = judged(read, text)
        if (found is not None) == expect["full_api_ok"]:
            if found is not None and expect.get("bracketed"):
                assert gs1.write_bracketed(found) == expect["bracketed"]
            if found is not None and expect.get("scan_data"):
                assert "]d2" + gs1.write_elements(found) == expect["scan_data"]
            continue
        differ.append(text)
        if text == "(89)ABC(89)ABC(89)ABC":
            assert given["permit_unknown_ais"]
        else:
            assert not expect["full_api_ok"]
            assert ais_of(text) - set(TABLE), "a rule of our own table is missing"
    assert len(differ) == 38


def test_digital_links_in_full(standards: Path) -> None:
    """All links are read, or refused, as the engine does; 12 are written, two otherwise.

    Source: digital_link.json. The engine puts identifiers of predefined length first in the
    query, we keep the order that was given; the standard orders neither (from memory). The engine
    writes no link for (01)(235)(10) though it reads `/01/../235/..?10=..`, which we write.
    """
    read = written = escaped = 0
    other = {
        "(253)9526064000028000001(99)000001(01)12312312312326(10)DEF(95)INT": "https://example.com"
        "/253/9526064000028000001?99=000001&01=12312312312326&10=DEF&95=INT",
        "(01)12312312312326(235)ABC(10)DEF": "https://example.com/01/12312312312326/235/ABC?10=DEF",
    }
    for row in rows(standards, "digital_link"):
        given, expect = row["input"], row["expect"]
        if "uri" in given:
            read += 1
            found = judged(digital_link.read, given["uri"])
            assert (found is not None) == expect["full_api_ok"], given["uri"]
            if found is not None:
                assert gs1.write_bracketed(found) == expect["bracketed"]
        elif "raw" in given:
            escaped += 1
            assert digital_link.escape(given["raw"]) == expect["path_escaped"]
        else:
            written += 1
            try:
                elements = gs1.read_bracketed(given["bracketed"])
                link = digital_link.write(elements, stem=given["stem"])
            except Refused:
                link = None
            assert link == other.get(given["bracketed"], expect["uri"])
            if link is not None:
                assert dict(digital_link.read(link)) == dict(elements)
    assert (read, written, escaped) == (72, 12, 6)


def test_epc_uris_in_full(standards: Path) -> None:
    """Every key of every scheme and prefix length, both ways, and the canonical link with it.

    Source: epc_uris.json (EPC Tag Data Standard, engine, reference hash package): no difference.
    """
    pairs = invalid = traps = 0
    schemes = set()
    for row in rows(standards, "epc_uris"):
        given, expect = row["input"], row["expect"]
        if "bracketed" in given:
            pairs += 1
            schemes.add(expect["scheme"])
            elements = gs1.read_bracketed(given["bracketed"])
            assert epc.write(elements, given["gcp_length"]) == expect["epc_uri"]
            read = epc.read(expect["epc_uri"])
            assert (read.elements, read.prefix_length) == (elements, given["gcp_length"])
            assert digital_link.write(elements) == expect["dl_uri"]
            assert digital_link.read(expect["dl_uri"]) == elements
        elif "dl_uri_in_the_other_file" in given:
            traps += 1
            right = digital_link.write(epc.read(given["uri"]).elements)
            assert right == expect["right_dl_uri"] != given["dl_uri_in_the_other_file"]
        else:
            invalid += 1
            with pytest.raises(Refused) as refusal:
                epc.read(given["uri"])
            assert refusal.value.word == "bad_value"
    assert (pairs, invalid, traps) == (77, 11, 2)
    assert schemes == {"sgtin", "sgtin-class", "sscc", "sgln", "lgtin"}


def test_check_digits_in_full(standards: Path) -> None:
    """Every key passes through its own reader, and with another last digit none does.

    Source: check_digits.json: no difference.
    """
    readers = {"SSCC": keys.parse_sscc, "GLN": keys.parse_gln}
    for row in rows(standards, "check_digits"):
        given, expect = row["input"], row["expect"]
        if "number" in given:
            with pytest.raises(Refused):
                keys.parse_gtin(given["number"])
            continue
        full = expect["full"]
        reader = readers.get(given["kind"], keys.parse_gtin)
        assert reader(full).endswith(full)
        wrong = full[:-1] + str((int(full[-1]) + 1) % 10)
        with pytest.raises(Refused) as refusal:
            reader(wrong)
        assert refusal.value.word in ("bad_gtin", "bad_key")


def test_prefix_lengths_in_full(standards: Path) -> None:
    """The table answers as published, and contradicts an official example once: it proves nothing.

    Source: gcp_length.json (biip 5.2.0; GS1 EPCIS examples).
    """
    contradicted = 0
    for row in rows(standards, "gcp_length"):
        given, expect = row["input"], row["expect"]
        number = given["number"]
        key = number.zfill(14) if given.get("kind") == "GTIN-13" else number
        said = keys.likely_prefix(key).length
        if "gcp_length" in expect:
            assert said == expect["gcp_length"]
        else:
            contradicted += 1
            assert said != expect["gcp_length_in_example"]
    assert contradicted == 1


def test_dates_in_full(standards: Path) -> None:
    """Every row gets its year, its day or its refusal; today is an argument.

    Source: dates.json (General Specifications 7.12, engine lint_yymmd0.c): no difference.
    """
    for row in rows(standards, "dates"):
        given, expect = row["input"], row["expect"]
        try:
            day = dates.read_date(given["yymmdd"], this_year=given.get("current_year", 2026))
        except Refused:
            day = None
        if "year" in expect:
            assert day is not None
            assert day.year == expect["year"]
        elif "date" in expect:
            assert day == date.fromisoformat(expect["date"])
            assert dates.names_no_day(given["yymmdd"]) == expect["dd00"]
        else:
            assert (day is not None) == expect["valid"]


def test_symbols_strings_in_full(standards: Path) -> None:
    """What each symbol sends is what we write for its bracketed text, and reads back.

    Source: datamatrix_symbols.json (libdmtx 0.7.7 and zxing-cpp; General Specifications figure
    4.15.1-2). Of the two symbols made wrong on purpose one has no FNC1 and is refused; the other
    separates by an encoded GS, which sounds the same when scanned and is allowed (GSCN 16-477).
    """
    plain = wrong = figure = 0
    for row in rows(standards, "datamatrix_symbols"):
        given, expect = row["input"], row["expect"]
        sent = expect["bytes_latin1"]
        if "bracketed" in given:
            plain += 1
            elements = gs1.read_bracketed(given["bracketed"])
            assert gs1.write_elements(elements) == sent
            assert gs1.read_elements(ElementString(sent)) == elements
        elif "image" in given:
            figure += 1
            found = gs1.read_elements(ElementString(sent))
            assert gs1.write_elements(found) == sent
            assert [ai for ai, _ in found] == ["01", "21", "10", "17", "8200"]
        elif expect["first_codeword_232"]:
            wrong += 1
            assert gs1.write_elements(gs1.read_elements(ElementString(sent))) == sent
        else:
            wrong += 1
            assert expect["symbology_identifier"] == "]d1"
            with pytest.raises(Refused):
                gs1.parse_scanned("]d1" + sent, this_year=THIS_YEAR)
    assert (plain, wrong, figure) == (14, 2, 1)


def lines_of(dictionary: Path) -> dict[str, tuple[str, str, str, str]]:
    """AI -> (flags, form, rules, title) from the syntax dictionary, ranges written out."""
    found = {}
    for line in dictionary.read_text("utf-8").splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        rule, _, title = line.partition("#")
        first, *rest = rule.split()
        flags = rest.pop(0) if not rest[0][0].isalnum() else ""
        forms = [word for word in rest if "=" not in word and word != "dlpkey"]
        rules = [word for word in rest if word not in forms]
        low, _, high = first.partition("-")
        for number in range(int(low), int(high or low) + 1):
            ai = str(number).zfill(len(low))
            found[ai] = (flags, " ".join(forms), " ".join(rules), title.strip())
    return found


def test_our_table_is_the_dictionarys(standards: Path) -> None:
    """Form, title, separator, companions and exclusions of each identifier are the published ones.

    Source: GS1 Barcode Syntax Dictionary (gs1-syntax-dictionary.txt).
    """
    published = lines_of(standards / "gs1-syntax-dictionary.txt")
    for ai, one in TABLE.items():
        flags, form, rules, title = published[ai]
        assert one.title == title
        assert one.predefined == ("*" in flags), ai
        first = form.split(",")[0]
        kind = {"text": "X", "part": "Y"}.get(one.holds, "N")
        length = f"{one.longest}" if one.least == one.longest else f"..{one.longest}"
        assert first == kind + length
        assert ("csum" in form) == (one.holds in ("gtin", "sscc", "gln")), ai
        assert ("yymmd0" in form) == (one.holds == "date"), ai
        needs = {
            tuple(a.split("+")) for w in rules.split() if w[:4] == "req=" for a in w[4:].split(",")
        }
        assert set(one.needs) == needs, ai
        excludes = {a for w in rules.split() if w[:3] == "ex=" for a in w[3:].split(",")}
        assert set(one.excludes) == excludes, ai
    assert len(TABLE) >= 50


def test_every_other_identifier_is_known_by_its_form(standards: Path) -> None:
    """Nothing in the dictionary is unknown to us but what biip's list does not have yet.

    Source: GS1 Barcode Syntax Dictionary; biip 5.2 (its list is of another day).
    """
    published = lines_of(standards / "gs1-syntax-dictionary.txt")
    unknown = {ai for ai in published if identifiers.known(ai) is None}
    assert unknown <= UNKNOWN_TO_BIIP
    for ai, (flags, *_) in published.items():
        one = identifiers.known(ai)
        if one is not None:
            assert one.predefined == ("*" in flags), ai


UNKNOWN_TO_BIIP: set[str] = set()


def test_links_use_the_dictionarys_keys(standards: Path) -> None:
    """Keys, their qualifiers in order, and what may stand in a query are the published ones.

    Source: GS1 Barcode Syntax Dictionary, `dlpkey` and the flag `?`.
    """
    published = lines_of(standards / "gs1-syntax-dictionary.txt")
    led = {}
    for ai, (_, _, rules, _) in published.items():
        for word in rules.split():
            if word.startswith("dlpkey"):
                named = word.removeprefix("dlpkey").removeprefix("=")
                led[ai] = tuple(tuple(one.split(",")) for one in named.split("|") if one)
    assert led == digital_link.KEYS
    assert {ai for ai, row in published.items() if "?" not in row[0]} == digital_link.NEVER_IN_QUERY
