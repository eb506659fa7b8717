"""EPCIS events in all their written forms: against the official schemas, and read back."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from event_reading import Told, Valid, read_back, schemas
from hypothesis import given, settings
from lxml import etree
from made_events import (
    ALL_STEPS,
    AT,
    AWKWARD,
    ENDS,
    FACTS,
    GTIN,
    HEADER,
    document,
    made_events,
    one_of_each,
)

from serialkeeper.cli.guide import chapters
from serialkeeper.errors import Refused
from serialkeeper.rules.event_forms import FORMS, OLD_WORDS, words_of
from serialkeeper.rules.events import Event, Place
from serialkeeper.rules.pack_events import TRANSACTIONS
from serialkeeper.rules.tellings import TOLD

STEPS_1_2 = (
    "accepting arriving assembling collecting commissioning consigning creating_class_instance "
    "cycle_counting decommissioning departing destroying disassembling dispensing encoding "
    "entering_exiting holding inspecting installing killing loading other packing picking "
    "receiving removing repackaging repairing replacing reserving retail_selling shipping "
    "staging_outbound stock_taking stocking storing transporting unloading unpacking "
    "void_shipping"
)
DISPOSITIONS_1_2 = (
    "active container_closed container_open damaged destroyed dispensed disposed encoded expired "
    "in_progress in_transit inactive no_pedigree_match non_sellable_other partially_dispensed "
    "recalled reserved retail_sold returned sellable_accessible sellable_not_accessible stolen "
    "unknown"
)
TRANSACTIONS_1_2 = {"bol", "desadv", "inv", "pedigree", "po", "poc", "prodorder", "recadv", "rma"}
"""The words of CBV 1.2.2 (from memory; deprecated ones left out)."""


@pytest.fixture(scope="module")
def valid(standards: Path) -> Valid:
    """Whether a document of a form is valid by the official schemas."""
    return schemas(standards)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("lot", ["LOT24A", *AWKWARD])
def test_documents_follow_the_official_schemas(lot: str, form: str, valid: Valid) -> None:
    """Every kind of event, of units and packs, with awkward lots and numbers, is valid."""
    for event in one_of_each(lot):
        assert valid(form, document(form, [event])), event
    assert valid(form, document(form, one_of_each(lot)))


@pytest.mark.parametrize("form", FORMS)
@given(made=made_events)
@settings(deadline=None, max_examples=60)
def test_any_documents_follow_the_official_schemas(
    form: str, made: list[Event], valid: Valid
) -> None:
    """No lot, number, key, time, zone or prefix length brings a document out of form."""
    assert valid(form, document(form, made))


SPOILT = {
    "json": [
        ('"action":"ADD"', '"action":"PUT"'),
        ('"bizStep":"commissioning"', '"bizStep":"commisioning"'),
        ("A%3C%26%3E", "A<%26%3E"),
        (r'Offset":"\+01:00"', 'Offset":"Z"'),
        (r'"creationDate":"[^"]*"', '"creationDate":"today"'),
    ],
    "xml": [
        ("<action>ADD</action>", ""),
        ("epcList>", "epcs>"),
        ('schemaVersion="2.0"', ""),
        ("Z</eventTime>", "</eventTime>"),
        ("xsd:2", "xsd:1"),
        ("(<eventID>.*?</eventID>)", r"<baseExtension>\1</baseExtension>"),
    ],
    "xml-1.2": [
        ("<action>ADD</action>", ""),
        ("childEPCs>", "epcs>"),
        ('schemaVersion="1.2"', ""),
        ("xsd:1", "xsd:2"),
        ("</?baseExtension>", ""),
        ("</?extension>", ""),
        ("(<destinationList>.*?</destinationList>)(<ilmd>)?", r"\1\1"),
    ],
}


@pytest.mark.parametrize(
    ("form", "right", "wrong"), [(form, *pair) for form in SPOILT for pair in SPOILT[form]]
)
def test_the_schemas_can_say_no(form: str, right: str, wrong: str, valid: Valid) -> None:
    """The check is worth something: spoilt documents are refused, and so is in each version of
    XML what stands elsewhere in the other one."""
    text = document(form, one_of_each())
    spoilt, times = re.subn(right, wrong, text)
    assert times
    assert not valid(form, spoilt)


def plain(place: Place | None) -> str:
    """A place as GLN or GLN/EXTENSION."""
    return "/".join(filter(None, (place.gln, place.extension))) if place else ""


def told(event: Event) -> Told:
    """What an event says, from its fields."""
    of_one_lot = event.serials or "/" in event.packs[0]
    with_lot = event.biz_step == "commissioning" and of_one_lot
    of_order = event.transaction and event.transaction[0] == "prodorder" and event.serials
    here, there = plain(event.facts.place), plain(event.destination)
    kind = "TransactionEvent" if of_order else "ObjectEvent"
    return {
        "kind": "AggregationEvent" if event.parent else kind,
        "time": event.time,
        "zone": event.offset,
        "id": event.id,
        "parent": event.parent or None,
        "of": [f"{GTIN}/{serial}" for serial in event.serials] + list(event.packs),
        "action": event.action,
        "step": event.biz_step,
        "disposition": event.disposition,
        "transactions": [event.transaction] if event.transaction else [],
        "sources": [("location", here)] if there and here else [],
        "destinations": [("location", there)] if there else [],
        "read at": here,
        "is at": here if event.biz_step != "shipping" else "",
        "declared": event.declared.time if event.declared else None,
        "error": event.declared.reason if event.declared else None,
        "corrective": list(event.declared.corrective) if event.declared else [],
        "lot": event.facts.lot if with_lot else None,
        "expiry": event.facts.expiry if with_lot else None,
    }


@given(made_events)
@settings(deadline=None, max_examples=150)
def test_all_forms_say_what_the_events_say(made: list[Event]) -> None:
    """Read back by json, lxml and the hash package's normaliser, every form holds every fact;
    the old one but for the words that it lacks."""
    expected = [told(event) for event in made]
    assert read_back("json", document("json", made)) == expected
    assert read_back("xml", document("xml", made)) == expected
    for row in expected:
        row["step"] = OLD_WORDS.get(row["step"], row["step"])
        row["disposition"] = OLD_WORDS.get(row["disposition"], row["disposition"])
    assert read_back("xml-1.2", document("xml-1.2", made)) == expected


@pytest.mark.parametrize("form", ["json", "xml"])
@given(made=made_events)
@settings(deadline=None, max_examples=60)
def test_links_name_the_same_as_urns(form: str, made: list[Event], valid: Valid) -> None:
    """With GS1 Digital Links for identifiers both forms of EPCIS 2.0 are valid and say the same."""
    text = document(form, made, links=True)
    assert valid(form, text) and "urn:epc:id" not in text
    assert read_back(form, text) == [told(event) for event in made]


def test_the_old_form_has_no_links() -> None:
    """EPCIS 1.2 came before them."""
    with pytest.raises(Refused, match="bad_value"):
        document("xml-1.2", one_of_each(), links=True)


@pytest.mark.parametrize(("form", "links"), [(f, k) for f in FORMS for k in (False, True)][:-1])
def test_a_header_says_who_sends_what_to_whom(form: str, links: bool, valid: Valid) -> None:
    """Sender, receiver and the document's own name; and of every identifier of master data what it
    is called. The events are the same as without."""
    events = one_of_each()
    text = document(form, events, links=links, header=HEADER)
    assert valid(form, text)
    assert read_back(form, text) == read_back(form, document(form, events, links=links))
    name = 'Tablets <20 mg> & "more"'
    if form == "json":
        root = json.loads(text)
        people = [root["sender"], root["receiver"]]
        assert root["instanceIdentifier"] == HEADER.instance
        listed = root["epcisHeader"]["epcisMasterData"]["vocabularyList"]
        named = {
            one["id"]: one["attributes"][0]["attribute"]
            for some in listed
            for one in some["vocabularyElementList"]
        }
        assert people == [one.name(links=links) for one in (HEADER.sender, HEADER.receiver)]
    else:
        root = etree.fromstring(text.encode())
        people = root.findall(".//{*}Identifier")
        assert [one.text for one in people] == [HEADER.sender.gln, HEADER.receiver.gln]
        assert root.findtext(".//{*}InstanceIdentifier") == HEADER.instance
        named = {one.get("id"): one.findtext("attribute") for one in root.iter("VocabularyElement")}
    of_all = "https://id.gs1.org/01/" + GTIN if links else "urn:epc:idpat:sgtin:9521234.054321.*"
    assert named.pop(of_all) == name
    assert named == {place.name(links=links): name for place, name in HEADER.locations}


def test_every_word_is_in_its_vocabulary(standards: Path) -> None:
    """All words of our events are CBV 2.0's; exactly those that CBV 1.2 lacks have another, which
    it has.

    Source: CBV 2.0 ontology (cbv.json); CBV 1.2.2 from memory.
    """
    rows = json.loads((standards / "vectors" / "cbv.json").read_text("utf-8"))
    lists = {row["input"].get("vocabulary"): row["expect"].get("values") for row in rows}
    steps, dispositions = set(STEPS_1_2.split()), set(DISPOSITIONS_1_2.split())
    assert set(lists["bizStep"]) - steps == {"sampling", "sensor_reporting"}
    assert steps < set(lists["bizStep"]) and dispositions < set(lists["disposition"])
    used_steps = {step for _, step, _ in ALL_STEPS}
    used_dispositions = {word for _, _, word in ALL_STEPS if word}
    assert used_steps <= set(lists["bizStep"])
    assert used_dispositions <= set(lists["disposition"])
    lacking = (used_steps - steps) | (used_dispositions - dispositions)
    assert set(OLD_WORDS) == lacking
    assert {OLD_WORDS[word] for word in used_steps - steps} <= steps
    assert {OLD_WORDS[word] for word in used_dispositions - dispositions} <= dispositions
    assert set(TRANSACTIONS) <= set(lists["business transaction type"]) & TRANSACTIONS_1_2
    assert "location" in lists["source/destination type"]


def test_the_guides_table_of_events_is_the_one_that_is_used() -> None:
    """Row by row, with the older words; the ends of units are the steps of their reasons."""
    lines = (
        chapters()["events"]
        .text.split("| moment | kind, action |")[1]
        .split("\n\n")[0]
        .splitlines()[2:]
    )
    rows = []
    for moment, one in TOLD.items():
        words = [("bizStep ", one.biz_step), *(("", word) for word in one.dispositions)]
        old = ", ".join(before + OLD_WORDS[word] for before, word in words if word in OLD_WORDS)
        what = f"{one.kind} {one.action}{one.fields}"
        cells = (moment, what, one.biz_step, ", ".join(one.dispositions), old)
        rows.append("| " + " | ".join(cells).replace("|  |", "| |") + " |")
    assert [line.replace("|  |", "| |") for line in lines[:-1]] == [
        row.replace("|  |", "| |") for row in rows
    ]
    assert "error declaration" in lines[-1]
    assert set(ENDS) <= {step for one in TOLD.values() for step in one.steps}


@pytest.mark.parametrize("step", ALL_STEPS)
def test_other_words_are_told(step: tuple[str, str, str | None]) -> None:
    """What an old document says otherwise is said, and nothing is for the other forms."""
    event = Event(FACTS, *AT, *step, ["A"])
    ours, old = (document(form, [event]) for form in ("xml", "xml-1.2"))
    words, older = (re.findall(r"cbv:(?:bizstep|disp):(\w+)", text) for text in (ours, old))
    pairs = zip(words, older, strict=True)
    different = [f"{new} as {then}" for new, then in pairs if new != then]
    assert words_of(event, "xml-1.2") == different
    assert words_of(event, "xml") == words_of(event, "json") == []


@pytest.mark.parametrize(("form", "start"), [("xml", "epcis20"), ("xml-1.2", "epcis12")])
@pytest.mark.parametrize("what", ["commissioning", "decommissioning", "aggregation_add"])
def test_the_smallest_valid_documents_hold_what_ours_hold(
    form: str, start: str, what: str, standards: Path
) -> None:
    """Element by element, in the same order, ours say what the smallest valid document says, but
    for its read point, which we do not tell, and the ID, which it lacks."""
    theirs = etree.parse(standards / "minimal" / f"{start}_{what}.xml").getroot()
    steps = {
        "commissioning": Event(FACTS, *AT, "ADD", "commissioning", "active", ["A", "B"]),
        "decommissioning": Event(FACTS, *AT, "DELETE", "decommissioning", "inactive", ["A", "B"]),
        "aggregation_add": Event(
            FACTS, *AT, "ADD", "packing", "in_progress", ["A", "B"], parent="195212340000000010"
        ),
    }
    ours = etree.fromstring(document(form, [steps[what]]).encode())
    assert ours.attrib.keys() == theirs.attrib.keys()
    assert ours.get("schemaVersion") == theirs.get("schemaVersion")
    left_out = ("readPoint", "id"), ("baseExtension", "eventID")
    assert tags_of(ours, left_out[1]) == tags_of(theirs, left_out[0])


def tags_of(root: Any, without: tuple[str, ...]) -> list[str]:
    """The names of all elements in their order."""
    return [one.tag for one in root.iter(etree.Element) if one.tag not in without]
