"""GTIN, SSCC, GLN and company prefixes, against python-stdnum and the reference hash package."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import unquote

import pytest
from epcis_event_hash_generator.dl_normaliser import normaliser
from hypothesis import example, given
from hypothesis import strategies as st
from stdnum import ean

from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, epc, identifiers, keys

SET_82 = "".join(sorted(identifiers.SET_82))
SET_39 = "#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
texts = st.text(SET_82, min_size=1, max_size=20)
lengths = st.integers(6, 12)


def key(digits: int) -> st.SearchStrategy[str]:
    """Keys of so many digits, the last python-stdnum's check digit."""
    return (
        st.text("0123456789", min_size=digits - 1, max_size=digits - 1)
        .filter(lambda body: bool(body.strip("0")))
        .map(lambda body: body + str(ean.calc_check_digit(body)))
    )


@pytest.mark.parametrize(
    ("parse", "digits", "word"),
    [
        (keys.parse_gtin, 14, "bad_gtin"),
        (keys.parse_sscc, 18, "bad_key"),
        (keys.parse_gln, 13, "bad_key"),
    ],
)
@given(data=st.data())
def test_a_key_has_one_right_last_digit(
    parse: Callable[[str], str], digits: int, word: str, data: st.DataObject
) -> None:
    """python-stdnum's digit is taken, each of the nine others refused by what was expected."""
    right = data.draw(key(digits))
    assert parse(right) == right
    for last in set("0123456789") - {right[-1]}:
        with pytest.raises(Refused) as refusal:
            parse(right[:-1] + last)
        assert (refusal.value.word, refusal.value.expected) == (word, f"check digit {right[-1]}")


@pytest.mark.parametrize("parse", [keys.parse_sscc, keys.parse_gln])
@pytest.mark.parametrize(
    "text", ["", "1", "0" * 13, "0" * 18, "9" * 19, "952123456789x", "９" * 13]
)
def test_what_is_no_key_is_refused(parse: Callable[[str], str], text: str) -> None:
    """Lengths, letters, foreign digits and zeros alone are no SSCC and no GLN."""
    with pytest.raises(Refused) as refusal:
        parse(text)
    assert refusal.value.word == "bad_key" and refusal.value.remedy


@pytest.mark.parametrize(
    ("gtin", "form"),
    [
        ("00000095212340", "GTIN-8"),
        ("00416000336108", "GTIN-12"),
        ("09521234000006", "GTIN-13"),
        ("19521234000003", "GTIN-14"),
    ],
)
def test_a_gtin_is_told_by_its_shortest_form(gtin: str, form: str) -> None:
    """Leading zeros are not part of the shorter forms (GS1 General Specifications 3.3.2)."""
    assert keys.parse_gtin(gtin) == gtin
    assert keys.gtin_form(gtin) == form


def test_set_39_is_the_published_one() -> None:
    """Upper-case letters, digits and three signs (GS1 General Specifications 7.11)."""
    assert set(SET_39) == identifiers.SET_39
    assert len(SET_39) == 39


@given(key(18), lengths)
def test_sscc_urns_mean_the_same_to_the_hash_package(sscc: str, length: int) -> None:
    """Our SSCC URN is, to the reference normaliser, the link that we write.

    Source: dl_normaliser of epcis-event-hash-generator 1.9.3.
    """
    urn = epc.write([("00", sscc)], length)
    assert normaliser(urn) == digital_link.write([("00", sscc)])
    assert epc.read(urn) == epc.Epc("sscc", (("00", sscc),), length)


@given(key(14), lengths, texts)
@example("09521234543213", 7, "\"%&/<>?'()*+,-.:;=_")
def test_lgtin_urns_mean_the_same_to_the_hash_package(gtin: str, length: int, lot: str) -> None:
    """A lot's URN, with its escapes, is the normaliser's link; it leaves `' ; =` unescaped."""
    elements = (("01", gtin), ("10", lot))
    urn = epc.write(elements, length)
    assert unquote(normaliser(urn)) == f"https://id.gs1.org/01/{gtin}/10/{lot}"
    assert epc.read(urn) == epc.Epc("lgtin", elements, length)


@given(key(13), lengths, texts)
def test_sgln_urns_mean_the_same_to_the_hash_package(gln: str, length: int, part: str) -> None:
    """A place with its extension, every prefix length up to an empty reference."""
    elements = (("414", gln), ("254", part))
    if part == "0":
        with pytest.raises(Refused):
            epc.write(elements, length)
        return
    urn = epc.write(elements, length)
    assert unquote(normaliser(urn)) == f"https://id.gs1.org/414/{gln}/254/{part}"
    assert epc.read(urn) == epc.Epc("sgln", elements, length)


@given(key(13), lengths)
def test_a_place_without_extension_ends_in_zero(gln: str, length: int) -> None:
    """(414) alone is `sgln:...0` and comes back alone (EPC Tag Data Standard, SGLN)."""
    urn = epc.write([("414", gln)], length)
    assert urn.endswith(".0")
    assert epc.read(urn).elements == (("414", gln),)


@pytest.mark.parametrize(
    "uri",
    [
        "urn:epc:id:sscc:9521234.0000000001.1",
        "urn:epc:id:sscc:9521234.",
        "urn:epc:id:sgln:9521234.00001",
        "urn:epc:id:sgln:9521234.00001.",
        "urn:epc:id:sgln:9521234.00001.A/B",
        "urn:epc:class:lgtin:9521234.054321.",
        "urn:epc:class:lgtin:9521234.054321.%41",
        "urn:epc:idpat:sgtin:9521234.054321.",
        "urn:epc:idpat:sgtin:*.*.*",
        "urn:epc:id:giai:9521234.1",
        "urn:epc:id:sgtin:95212.34054321.1",
        "URN:EPC:ID:SGTIN:9521234.054321.1",
        "urn:epc:tag:sgtin-96:1.9521234.054321.1",
        "urn:epc:id:sgtin:٩521234.054321.1",
    ],
)
def test_what_is_no_urn_is_refused(uri: str) -> None:
    """Wrong parts, wrong escapes and schemes that are not read say what was expected."""
    with pytest.raises(Refused) as refusal:
        epc.read(uri)
    assert refusal.value.word == "bad_value"
    assert refusal.value.expected and refusal.value.remedy


@pytest.mark.parametrize(
    ("elements", "word"),
    [
        ((), "bad_value"),
        ((("17", "280630"),), "bad_value"),
        ((("01", "09521234543214"),), "bad_gtin"),
        ((("00", "095212340000000014"),), "bad_key"),
        ((("414", "9521234567890"),), "bad_key"),
        ((("01", "09521234543213"), ("21", "A$")), "bad_value"),
    ],
)
def test_what_names_nothing_gets_no_urn(elements: tuple[tuple[str, str], ...], word: str) -> None:
    """A URN is never written for a wrong key, a forbidden sign, or nothing that has an EPC."""
    with pytest.raises(Refused) as refusal:
        epc.write(elements, 7)
    assert refusal.value.word == word


@pytest.mark.parametrize("elements", [(), (("17", "280630"),), (("01", "1"),), (("99", "A"),)])
def test_what_has_no_key_gets_no_link(elements: tuple[tuple[str, str], ...]) -> None:
    """A link needs a key of the right form."""
    with pytest.raises(Refused) as refusal:
        digital_link.write(elements)
    assert refusal.value.word == "bad_value" and refusal.value.remedy
