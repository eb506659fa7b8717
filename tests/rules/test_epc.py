"""EPC URNs and Digital Links, against vectors and the reference hash package's normaliser."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from epcis_event_hash_generator.dl_normaliser import normaliser
from hypothesis import example, given
from hypothesis import strategies as st
from stdnum import ean

from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, epc, gs1

SET_82 = "".join(sorted(gs1.SET_82))
serials = st.text(SET_82, min_size=1, max_size=20)
gtins = st.text("0123456789", min_size=13, max_size=13).map(
    lambda body: body + ean.calc_check_digit(body)
)
lengths = st.integers(6, 12)
NOT_ESCAPED_THERE = re.compile("[';=]")
"""Signs that the hash package leaves as they are in links; the engine escapes them
(epc_uris.json, `dl_uri_hash_normaliser`)."""


def rows(standards: Path) -> list[dict[str, Any]]:
    read: list[dict[str, Any]] = json.loads(
        (standards / "vectors" / "epc_uris.json").read_text("utf-8")
    )
    return read


def unit(urn: str) -> tuple[str, str, int]:
    """GTIN, serial and company prefix length of a unit's URN."""
    read = epc.read(urn)
    assert read.scheme == "sgtin"
    (_, gtin), (_, serial) = read.elements
    return gtin, serial, read.prefix_length


def test_sgtin_vectors_both_ways(standards: Path) -> None:
    """GTIN and serial become the published URN and link, and the URN gives them back.

    Source: epc_uris.json (GS1 TDS, GS1 engine 1.4.1, reference event hash tests).
    """
    used = 0
    signs = set()
    for row in rows(standards):
        given, expect = row["input"], row["expect"]
        if expect.get("scheme") != "sgtin":
            continue
        match = re.fullmatch(r"\(01\)([0-9]{14})\(21\)(.+)", given["bracketed"])
        assert match is not None
        gtin, serial = match[1], match[2].replace("\\(", "(")
        used += 1
        signs |= set(serial)
        assert epc.sgtin_urn(gtin, given["gcp_length"], serial) == expect["epc_uri"]
        assert unit(expect["epc_uri"]) == (gtin, serial, given["gcp_length"])
        assert digital_link.unit_link(gtin, serial) == expect["dl_uri"]
    assert used >= 50
    assert signs <= gs1.SET_82


def test_invalid_vectors_are_refused(standards: Path) -> None:
    """No URI that the vectors call invalid, of this scheme or another, is read.

    Source: epc_uris.json, rows `valid: false` (EPC Tag Data Standard, URI grammar).
    """
    used = 0
    for row in rows(standards):
        if row["expect"].get("valid") is False:
            used += 1
            with pytest.raises(Refused) as refusal:
                epc.read(row["input"]["uri"])
            assert refusal.value.word == "bad_value"
    assert used >= 11


def test_other_schemes_name_no_unit(standards: Path) -> None:
    """SSCC, SGLN, LGTIN and class patterns are identifiers, but name no single medicine.

    Source: epc_uris.json, rows of other schemes.
    """
    used = 0
    for row in rows(standards):
        if row["expect"].get("scheme", "sgtin") != "sgtin":
            used += 1
            assert epc.read(row["expect"]["epc_uri"]).scheme != "sgtin"
    assert used >= 15


def test_the_example_pair_that_is_none(standards: Path) -> None:
    """The official files that are no translations of each other do not mislead us.

    Source: epc_uris.json, `same_object: false`.
    """
    used = 0
    for row in rows(standards):
        given, expect = row["input"], row["expect"]
        if expect.get("same_object") is False and given["uri"].startswith("urn:epc:id:sgtin:"):
            used += 1
            gtin, serial, _ = unit(given["uri"])
            assert digital_link.unit_link(gtin, serial) == expect["right_dl_uri"]
            assert digital_link.unit_link(gtin, serial) != given["dl_uri_in_the_other_file"]
    assert used == 1


@given(gtins, lengths, serials)
@example("09521234543213", 7, "\"%&/<>?!'()*+,-.:;=_")
def test_urn_means_the_same_to_the_hash_package(gtin: str, length: int, serial: str) -> None:
    """The normaliser of epcis-event-hash-generator reads our URN as the same GTIN and serial."""
    link = normaliser(epc.sgtin_urn(gtin, length, serial))
    assert link is not None
    assert unquote(link) == f"https://id.gs1.org/01/{gtin}/21/{serial}"
    if not NOT_ESCAPED_THERE.search(serial):
        assert link == digital_link.unit_link(gtin, serial)


@given(gtins, lengths, serials)
def test_urn_round_trip(gtin: str, length: int, serial: str) -> None:
    """Every GTIN and serial comes back from its URN under every prefix length."""
    urn = epc.sgtin_urn(gtin, length, serial)
    assert unit(urn) == (gtin, serial, length)
    assert re.fullmatch(r"[A-Za-z0-9:.%!'()*+,\-=;_]+", urn)


@pytest.mark.parametrize("sign", SET_82)
def test_two_escapings(sign: str) -> None:
    """The URN escapes seven signs, the link all but letters, digits and `- . _ ~`.

    Source: GS1 TDS SGTIN; GS1 Digital Link URI syntax, as the GS1 engine does it.
    """
    hexed = f"%{ord(sign):02X}"
    assert epc.escape_serial(sign) == (hexed if sign in '"%&/<>?' else sign)
    plain = sign.isalnum() or sign in "-._~"
    assert digital_link.unit_link("09521234543213", sign)[-len(hexed) :].endswith(
        sign if plain else hexed
    )


@given(gtins, lengths, serials, st.integers(0, 60), st.text(max_size=2), st.integers(0, 2))
@example("09521234543213", 7, "A", 34, "%FF", 0)
def test_a_changed_urn_is_itself_or_refused(
    gtin: str, length: int, serial: str, at: int, put: str, cut: int
) -> None:
    """A spoilt URN is refused in our own words, or it is the right URN of something else."""
    urn = epc.sgtin_urn(gtin, length, serial)
    spoilt = urn[:at] + put + urn[at + cut :]
    try:
        read = unit(spoilt)
    except Refused as refusal:
        assert refusal.word == "bad_value"
    else:
        assert epc.sgtin_urn(read[0], read[2], read[1]) == spoilt
        assert read[0][-1] == ean.calc_check_digit(read[0][:-1])


@pytest.mark.parametrize("length", [-1, 0, 5, 13])
def test_prefix_lengths_outside_the_licence_are_refused(length: int) -> None:
    """Company prefixes have 6 to 12 digits (GS1 TDS, partition table for SGTIN)."""
    with pytest.raises(Refused):
        epc.sgtin_stem("09521234543213", length)


@pytest.mark.parametrize(
    "link",
    [
        "https://example.org/21/XX/01/09521234543213/21/A7",
        "https://example.org/10/OTHER/01/09521234543213/21/A7",
        "https://example.org/01/09521234543213/01/09521234543213/21/A7",
        "https://example.org/01/09521234543213/21/A7?91=K&%39%32=SECRET",
    ],
)
def test_a_link_that_says_two_things_is_refused(link: str) -> None:
    """A second key, a number before the key, an identifier in disguise: nothing is left out."""
    with pytest.raises(Refused):
        digital_link.read(link)
