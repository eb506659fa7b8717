"""EPCIS events: both written forms against the official schemas, and the IDs against the
reference implementation of the event hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import jsonschema_rs
import pytest
from epcis_event_hash_generator import hash_generator, json_to_py, xml_to_py
from epcis_event_hash_generator.dl_normaliser import normaliser
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lxml import etree

from serialkeeper.rules import events, gs1, moves
from serialkeeper.rules.events import Event, LotFacts

CREATED = "2026-02-01T09:00:00.000Z"
GTIN = "09521234543213"
FACTS = LotFacts(GTIN, 7, "LOT24A", "2028-06-30", 10_000)
AWKWARD = ["A<&>\"'%/", "0012", "1E5", "INF", "!\"%&'()*+,-./:;<=>?_", "a", "A", "007", "7"]
SET_82 = "".join(sorted(gs1.SET_82))
NAMESPACE = "{urn:epcglobal:cbv:mda}"

STEPS = [
    ("ADD", "commissioning", "active"),
    ("OBSERVE", "inspecting", "non_conformant"),
    ("OBSERVE", "inspecting", "conformant"),
    *dict.fromkeys(step for fate in moves.DECOMMISSION_REASONS.values() for step in fate.steps),
]
"""Every kind of event that we write."""

serials = st.lists(st.text(SET_82, min_size=1, max_size=20), min_size=1, max_size=5, unique=True)
lots = st.text(SET_82, min_size=1, max_size=20)
times = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)).map(
    lambda t: f"{t:%Y-%m-%dT%H:%M:%S}.{t.microsecond // 1000:03d}Z"
)
offsets = st.integers(-14 * 60, 14 * 60).map(events.write_offset)


def facts_of(lot: str) -> LotFacts:
    """The lot's facts under another lot number."""
    return replace(FACTS, lot=lot)


made_events = st.lists(
    st.builds(
        lambda lot, length, time, offset, step, numbers: Event(
            replace(FACTS, lot=lot, prefix_length=length), time, offset, *step, numbers
        ),
        lots,
        st.integers(6, 12),
        times,
        offsets,
        st.sampled_from(STEPS),
        serials,
    ),
    min_size=1,
    max_size=4,
)


def one_of_each(lot: str = "LOT24A") -> list[Event]:
    """An event of every kind, with awkward serials."""
    return [
        Event(facts_of(lot), f"2026-01-31T08:00:00.{i:03d}Z", "+01:00", *step, AWKWARD)
        for i, step in enumerate(STEPS)
    ]


def document(form: str, made: Iterable[Event]) -> str:
    """The whole document in one text."""
    return "".join(events.WRITERS[form](made, created=CREATED))


@pytest.fixture(scope="module")
def json_schema(standards: Path) -> Any:
    """The official EPCIS 2.0 JSON Schema, formats checked."""
    text = (standards / "epcis-2.0" / "EPCIS-JSON-Schema.json").read_text("utf-8")
    return jsonschema_rs.validator_for(json.loads(text), validate_formats=True)


@pytest.fixture(scope="module")
def xml_schema(standards: Path) -> etree.XMLSchema:
    """The official EPCIS 2.0 XML Schema."""
    return etree.XMLSchema(file=str(standards / "epcis-2.0" / "EPCglobal-epcis-2_0.xsd"))


@pytest.mark.parametrize("lot", ["LOT24A", *AWKWARD])
def test_documents_follow_the_official_schemas(
    lot: str, json_schema: Any, xml_schema: etree.XMLSchema
) -> None:
    """Every kind of event, with awkward lots and serials, is valid in both forms.

    Source: EPCIS-JSON-Schema.json by jsonschema-rs, EPCglobal-epcis-2_0.xsd by lxml.
    """
    made = one_of_each(lot)
    json_schema.validate(json.loads(document("json", made)))
    xml_schema.assertValid(etree.fromstring(document("xml", made).encode()))


@given(made=made_events)
@settings(deadline=None, max_examples=60)
def test_any_documents_follow_the_official_schemas(
    made: list[Event], json_schema: Any, xml_schema: etree.XMLSchema
) -> None:
    """No lot, serial, time, zone or prefix length brings a document out of form.

    Source: EPCIS-JSON-Schema.json by jsonschema-rs, EPCglobal-epcis-2_0.xsd by lxml.
    """
    json_schema.validate(json.loads(document("json", made)))
    xml_schema.assertValid(etree.fromstring(document("xml", made).encode()))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('"action":"ADD"', '"action":"PUT"'),
        ('"bizStep":"commissioning"', '"bizStep":"commisioning"'),
        ("A%3C%26%3E", "A<%26%3E"),
        ('"eventTimeZoneOffset":"+01:00"', '"eventTimeZoneOffset":"Z"'),
        ('"creationDate":"2026-02-01T09:00:00.000Z"', '"creationDate":"today"'),
    ],
)
def test_the_json_schema_can_say_no(right: str, wrong: str, json_schema: Any) -> None:
    """The check is worth something: spoilt documents are refused (jsonschema-rs)."""
    text = document("json", one_of_each())
    assert right in text
    assert not json_schema.is_valid(json.loads(text.replace(right, wrong)))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("<action>ADD</action>", ""),
        ("<epcList>", "<epcs>"),
        ('schemaVersion="2.0"', ""),
        (".000Z</eventTime>", "</eventTime>"),
    ],
)
def test_the_xml_schema_can_say_no(right: str, wrong: str, xml_schema: etree.XMLSchema) -> None:
    """The check is worth something: spoilt documents are refused (lxml, official XSD)."""
    text = document("xml", one_of_each())
    assert right in text
    spoilt = (
        text.replace(right, wrong).replace("</epcList>", f"</{wrong.strip('<>')}>")
        if (wrong == "<epcs>")
        else text.replace(right, wrong)
    )
    assert not xml_schema.validate(etree.fromstring(spoilt.encode()))


def serial_of(urn: str) -> tuple[str, str]:
    """GTIN and serial of a URN, as the hash package's normaliser reads it."""
    link = normaliser(urn)
    assert link is not None
    _, _, gtin, _, serial = link.removeprefix("https://id.gs1.org").split("/")
    return gtin, unquote(serial)


@given(made_events)
@settings(deadline=None, max_examples=150)
def test_documents_say_what_the_events_say(made: list[Event]) -> None:
    """Read back by json, lxml and the hash package's normaliser, both forms hold every fact."""
    by_json = json.loads(document("json", made))["epcisBody"]["eventList"]
    root = etree.fromstring(document("xml", made).encode())
    by_xml = root.findall("EPCISBody/EventList/ObjectEvent")
    assert len(by_json) == len(by_xml) == len(made)
    for event, as_json, as_xml in zip(made, by_json, by_xml, strict=True):
        expected = [(GTIN, serial) for serial in event.serials]
        assert [serial_of(urn) for urn in as_json["epcList"]] == expected
        assert [serial_of(epc.text) for epc in as_xml.iterfind("epcList/epc")] == expected
        assert as_json["eventID"] == as_xml.findtext("eventID") == event.id
        assert as_json["eventTime"] == as_xml.findtext("eventTime") == event.time
        zone = as_xml.findtext("eventTimeZoneOffset")
        assert as_json["eventTimeZoneOffset"] == zone == event.offset
        assert as_json["action"] == as_xml.findtext("action") == event.action
        assert as_json["bizStep"] == event.biz_step
        assert as_xml.findtext("bizStep") == f"urn:epcglobal:cbv:bizstep:{event.biz_step}"
        assert as_json.get("disposition") == event.disposition
        word = as_xml.findtext("disposition")
        assert word == (event.disposition and f"urn:epcglobal:cbv:disp:{event.disposition}")
        if event.action == "ADD":
            ilmd = {
                "cbvmda:lotNumber": event.facts.lot,
                "cbvmda:itemExpirationDate": event.facts.expiry,
            }
            assert as_json["ilmd"] == ilmd
            assert as_xml.findtext(f"ilmd/{NAMESPACE}lotNumber") == event.facts.lot
            assert as_xml.findtext(f"ilmd/{NAMESPACE}itemExpirationDate") == event.facts.expiry
        else:
            assert "ilmd" not in as_json
            assert as_xml.find("ilmd") is None


def prehashes(form: str, made: list[Event]) -> list[str]:
    """The texts that the reference implementation hashes, one for each event.

    epcis-event-hash-generator, MIT, the reference implementation of CBV 2.0's event hash. It
    drops events that it cannot read with a mere log line, so they are counted.
    """
    reader = {"json": json_to_py, "xml": xml_to_py}[form]
    read = reader.event_list_from_epcis_document_str(document(form, made))
    texts: list[str] = hash_generator.derive_prehashes_from_events(read)
    assert len(texts) == len(made)
    return texts


def reference_ids(form: str, made: list[Event]) -> list[str]:
    """The event IDs that the reference implementation gives."""
    ids: list[str] = hash_generator.calculate_hashes_from_pre_hashes(prehashes(form, made))
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


@given(made_events.map(lambda made: [e for e in made if trusted(e)]).filter(bool))
@settings(deadline=None, max_examples=100)
@example([Event(FACTS, "2026-01-31T08:00:00.000Z", "-03:30", *STEPS[0], ["B", "A/", "a", "0"])])
def test_event_ids_are_those_of_the_reference(made: list[Event]) -> None:
    """Over the JSON-LD form our event ID is the one that the reference implementation gives."""
    assert [event.id for event in made] == reference_ids("json", made)


@given(
    made_events.map(lambda made: [e for e in made if e.action != "ADD" and trusted(e)]).filter(bool)
)
@settings(deadline=None, max_examples=60)
def test_event_ids_without_lot_facts_are_the_same_over_xml(made: list[Event]) -> None:
    """Events without ILMD get the same ID from the reference over the XML form; with ILMD the
    two forms differ there, and ours is that of the JSON-LD form."""
    assert [event.id for event in made] == reference_ids("xml", made)


def test_a_commissioning_id_is_that_of_the_json_form() -> None:
    """The XML document carries the ID of the JSON-LD form, so a unit's event has one ID."""
    [event] = [Event(FACTS, "2026-01-31T08:00:00.000Z", "+01:00", *STEPS[0], ["A7"])]
    assert reference_ids("json", [event]) == [event.id] != reference_ids("xml", [event])
    assert f"<eventID>{event.id}</eventID>" in document("xml", [event])


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
