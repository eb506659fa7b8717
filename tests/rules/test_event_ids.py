"""Event IDs against the reference implementation of the event hash; times and zones."""

from __future__ import annotations

import hashlib
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

import pytest
from epcis_event_hash_generator import hash_generator, json_to_py, xml_to_py
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_events import (
    AWKWARD,
    FACTS,
    HEADER,
    STEPS,
    TRUSTED,
    aggregations,
    document,
    of_cases,
    of_orders,
    of_ssccs,
    of_units,
    one_of_each,
    shipments,
)

from serialkeeper.rules import events
from serialkeeper.rules.event_forms import FORMS, words_of
from serialkeeper.rules.events import Event, LotFacts, link_of, urn_of


def facts_of(lot: str) -> LotFacts:
    """The lot's facts under another lot number."""
    return replace(FACTS, lot=lot)


def prehashes(form: str, made: list[Event], **more: Any) -> list[str]:
    """The texts that the reference implementation hashes, one for each event.

    epcis-event-hash-generator, MIT, the reference implementation of CBV 2.0's event hash. It
    drops events that it cannot read with a mere log line, so they are counted.
    """
    reader = json_to_py if form == "json" else xml_to_py
    read = reader.event_list_from_epcis_document_str(document(form, made, **more))
    texts: list[str] = hash_generator.derive_prehashes_from_events(read)
    assert len(texts) == len(made)
    return texts


def reference_ids(form: str, made: list[Event], **more: Any) -> list[str]:
    """The event IDs that the reference implementation gives."""
    ids: list[str] = hash_generator.calculate_hashes_from_pre_hashes(prehashes(form, made, **more))
    return ids


def ni(prehash: str) -> str:
    """The event ID of a text: RFC 6920 name, CBV 2.0."""
    return f"ni:///sha-256;{hashlib.sha256(prehash.encode()).hexdigest()}?ver=CBV2.0"


def reads_as_number(lot: str) -> bool:
    """Whether the reference implementation would make a number of the lot."""
    try:
        float(lot)
    except ValueError:
        return False
    return True


def trusted(event: Event) -> bool:
    """Whether the reference implementation can be trusted with an event.

    It leaves `' ; =` as they are in links, reads lots as numbers where it can, and takes a lot
    that ends a vocabulary word of the event for that word.
    """
    words = (f"/cbv/BizStep-{event.biz_step}", f"/cbv/Disp-{event.disposition}")
    lot = event.facts.lot
    return (
        not any(sign in serial for serial in event.serials for sign in "';=")
        and not reads_as_number(lot)
        and not any(word.endswith(("-" + lot, "/" + lot)) for word in words)
    )


trusted_events = st.lists(
    of_units.filter(trusted)
    | aggregations(TRUSTED)
    | of_ssccs
    | of_cases(TRUSTED)
    | of_orders(TRUSTED)
    | shipments,
    min_size=1,
    max_size=4,
)


@given(trusted_events)
@settings(deadline=None, max_examples=150)
@example([Event(FACTS, "2026-01-31T08:00:00.000Z", "-03:30", *STEPS[0], ["B", "A/", "a", "0"])])
def test_event_ids_are_those_of_the_reference(made: list[Event]) -> None:
    """Over the JSON-LD form our event ID is the one that the reference implementation gives,
    whatever the units and packs, with links for identifiers too, and with a header."""
    ids = [event.id for event in made]
    assert ids == reference_ids("json", made)
    assert ids == reference_ids("json", made, links=True, header=HEADER)


@pytest.mark.parametrize("form", [form for form in FORMS if form != "json"])
@given(made=trusted_events)
@settings(deadline=None, max_examples=80)
def test_event_ids_without_lot_facts_are_the_same_over_xml(form: str, made: list[Event]) -> None:
    """Events without ILMD get the same ID from the reference over both XML forms, if they hold no
    word that the old one lacks; with ILMD the forms differ there, and ours is JSON-LD's."""
    same = [event for event in made if not event.with_ilmd and not words_of(event, form)]
    assert [event.id for event in same] == reference_ids(form, same)


def test_a_commissioning_id_is_that_of_the_json_form() -> None:
    """Every document carries the ID of the JSON-LD form, so a unit's event has one ID."""
    [event] = [Event(FACTS, "2026-01-31T08:00:00.000Z", "+01:00", *STEPS[0], ["A7"])]
    assert reference_ids("json", [event]) == [event.id] != reference_ids("xml", [event])
    for form in FORMS:
        assert event.id in document(form, [event])


@pytest.mark.parametrize("serial", AWKWARD + list("';="))
def test_signs_that_the_reference_forgets_are_escaped(serial: str) -> None:
    """Put right in the reference's text where it leaves `' ; =`, the ID is ours.

    Source: the GS1 engine escapes them in links (epc_uris.json, `dl_uri`).
    """
    event = Event(FACTS, "2026-01-31T08:00:00.000Z", "+01:00", *STEPS[1], [serial])
    [text] = prehashes("json", [event])
    there = "/21/" + quote(serial, safe="-._~';=") + "action="
    assert text.count(there) == 1
    right = "/21/" + quote(serial, safe="-._~") + "action="
    assert event.id == ni(text.replace(there, right))


@pytest.mark.parametrize(
    ("lot", "number"),
    [("0012", "12"), ("1E5", "100000"), ("1_0", "10"), ("007.0", "7"), ("+5", "5")],
)
def test_a_lot_stays_text_in_the_id(lot: str, number: str) -> None:
    """Lots 0012 and 12 are two lots, so their events have two IDs, though the reference
    implementation reads both as the number 12."""
    one, other = (
        Event(facts_of(text), "2026-01-31T08:00:00.000Z", "+01:00", *STEPS[0], ["A7"])
        for text in (lot, number)
    )
    assert reference_ids("json", [one]) == reference_ids("json", [other])
    assert one.id != other.id
    [text] = prehashes("json", [one])
    assert text.endswith(f"cbvmda:lotNumber={number}")
    assert one.id == ni(text.removesuffix(number) + lot)


def test_an_id_does_not_depend_on_the_order_of_units() -> None:
    """CBV 2.0 sorts the EPCs before hashing, so the order of the list does not matter."""
    event = one_of_each()[0]
    turned = replace(event, serials=event.serials[::-1])
    assert turned.id == event.id
    assert replace(event, serials=event.serials[1:]).id != event.id


def test_ssccs_are_named_as_the_standard_does() -> None:
    """Source: GS1 EPC Tag Data Standard, the SSCC that its sections show as URN and link."""
    assert urn_of("106141412345678908", 7) == "urn:epc:id:sscc:0614141.1234567890"
    assert link_of("106141412345678908") == "https://id.gs1.org/00/106141412345678908"


@given(st.integers(0, 4_102_444_799_999))
def test_times_are_written_to_the_millisecond(milliseconds: int) -> None:
    """Milliseconds since 1970 become RFC 3339 text in UTC and come back."""
    text = events.write_time(milliseconds)
    moment = datetime.fromisoformat(text)
    assert moment - datetime(1970, 1, 1, tzinfo=UTC) == timedelta(milliseconds=milliseconds)
    assert len(text) == len("2026-01-31T08:00:00.250Z")


@given(st.integers(-14 * 60, 14 * 60))
def test_offsets_are_read_as_written(minutes: int) -> None:
    """Python's own reader finds the same offset in the text (EPCIS: +hh:mm or -hh:mm)."""
    moment = datetime.fromisoformat("2026-01-31T08:00:00" + events.write_offset(minutes))
    assert moment.utcoffset() == timedelta(minutes=minutes)


@given(
    st.integers(0, 2**32),
    st.sampled_from(["ABCDEFGH", "0123456789", "AB"]),
    st.integers(3, 14),
    st.booleans(),
)
@settings(max_examples=12)
def test_many_numbers_are_sorted_as_a_few_are(
    seed: int, signs: str, width: int, even: bool
) -> None:
    """The quick way for many numbers of one length gives the ID that the plain way gives: alike
    beginnings, numbers that differ only after the first signs, and one of another length too."""
    chance = random.Random(seed)
    made = {"".join(chance.choices(signs, k=width)) for _ in range(1_500)}
    serials = [f"9-{one}" for one in made] + ([] if even else ["9-"])
    chance.shuffle(serials)
    event = replace(one_of_each()[0], serials=serials)
    lines = "\n".join(sorted(serials)).encode()
    there = events._sorted_lines("\n".join(serials).encode(), len(serials), b"\n")
    assert there is None or bytes(there) == lines
    assert there or not even or width > 8 or len(made) < 1_000
    links = "epc=".join(sorted(link_of(f"{FACTS.gtin}/{one}") for one in serials))
    assert b"".join(event._sorted_links()) == links.encode()
