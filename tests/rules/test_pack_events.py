"""Events of packs: both written forms against the official schemas, and the IDs against the
reference implementation of the event hash."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema_rs
from epcis_event_hash_generator import hash_generator, json_to_py, xml_to_py
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from serialkeeper.rules import events, gs1, moves
from serialkeeper.rules.events import LotFacts
from serialkeeper.rules.keys import check_digit
from serialkeeper.rules.pack_events import PackEvent, link_of, urn_of

CREATED = "2026-02-01T09:00:00.000Z"
FACTS = LotFacts("09521234543213", 7, "LOT24A", "2028-06-30", 10_000)
SIGNS = "".join(sorted(gs1.SET_82))
TRUSTED = "".join(sorted(gs1.SET_82 - set("';=")))
"""Without the signs that the reference implementation leaves as they are in links."""

OURS = Path(__file__).resolve().parents[2] / "schemas" / "events.schema.json"

STEPS = [
    ("ADD", "commissioning", "active"),
    *dict.fromkeys(step for fate in moves.DECOMMISSION_REASONS.values() for step in fate.steps),
]
ssccs = st.integers(0, 10**10 - 1).map(
    lambda n: (body := f"{n % 10}9521234{n // 10:09d}") + check_digit(body)
)
case_gtin = "1952123454321" + check_digit("1952123454321")
AT = ("2026-01-31T08:00:00.123Z", "+01:00")


def cases(signs: str) -> st.SearchStrategy[str]:
    """Keys of cases named by GTIN and number."""
    return st.text(signs, min_size=1, max_size=20).map(lambda serial: f"{case_gtin}/{serial}")


def aggregations(signs: str) -> st.SearchStrategy[PackEvent]:
    """Packing and unpacking."""
    return st.builds(
        lambda parent, units, packs, step: PackEvent(
            FACTS, *AT, *step, None, parent, tuple(units), tuple(packs)
        ),
        ssccs | cases(signs),
        st.lists(st.text(signs, min_size=1, max_size=20), min_size=1, max_size=4, unique=True),
        st.lists(ssccs | cases(signs), max_size=3, unique=True),
        st.sampled_from([("ADD", "packing"), ("DELETE", "unpacking")]),
    )


of_ssccs = st.builds(
    lambda step, packs: PackEvent(FACTS, *AT, *step, "", packs=tuple(packs)),
    st.sampled_from(STEPS),
    st.lists(ssccs, min_size=1, max_size=4, unique=True),
)


def of_cases(signs: str) -> st.SearchStrategy[PackEvent]:
    """Commissioning of such cases."""
    return st.builds(
        lambda packs: PackEvent(FACTS, *AT, *STEPS[0], "", packs=tuple(packs)),
        st.lists(cases(signs), min_size=1, max_size=4, unique=True),
    )


GLN = "9521234567899"
shipments = st.builds(
    lambda packs, extension, transaction: PackEvent(
        FACTS,
        *AT,
        *("OBSERVE", "shipping", "in_transit"),
        "",
        packs=tuple(packs),
        transaction=transaction,
        destination=(GLN, extension, 7),
    ),
    st.lists(ssccs, min_size=1, max_size=4, unique=True),
    st.sampled_from(["", "DOCK1"]),
    st.sampled_from([(), ("desadv", f"urn:epcglobal:cbv:bt:{GLN}:D-1"), ("po", "https://a.b/7")]),
)


def of_any_kind(signs: str) -> st.SearchStrategy[list[PackEvent]]:
    """Some events."""
    any_kind = aggregations(signs) | of_ssccs | of_cases(signs) | shipments
    return st.lists(any_kind, min_size=1, max_size=4)


def document(form: str, made: list[PackEvent]) -> str:
    return "".join(events.WRITERS[form](made, created=CREATED))


@given(made=of_any_kind(SIGNS))
@settings(deadline=None, max_examples=60)
def test_any_documents_follow_the_official_schemas(made: list[PackEvent], standards: Path) -> None:
    """Whatever the keys and numbers, both forms are valid, and valid by our narrower schema.

    Source: EPCIS-JSON-Schema.json by jsonschema-rs, EPCglobal-epcis-2_0.xsd by lxml.
    """
    official, xml_schema = schemas(standards)
    told = json.loads(document("json", made))
    official.validate(told)
    jsonschema_rs.validator_for(json.loads(OURS.read_text())).validate(told)
    xml_schema.assertValid(etree.fromstring(document("xml", made).encode()))


_SCHEMAS: dict[Path, Any] = {}


def schemas(standards: Path) -> tuple[Any, etree.XMLSchema]:
    """The official schemas, read once."""
    if standards not in _SCHEMAS:
        folder = standards / "epcis-2.0"
        text = (folder / "EPCIS-JSON-Schema.json").read_text("utf-8")
        _SCHEMAS[standards] = (
            jsonschema_rs.validator_for(json.loads(text), validate_formats=True),
            etree.XMLSchema(file=str(folder / "EPCglobal-epcis-2_0.xsd")),
        )
    found: tuple[Any, etree.XMLSchema] = _SCHEMAS[standards]
    return found


@given(made=st.lists(aggregations(TRUSTED) | of_ssccs | shipments, min_size=1, max_size=4))
@settings(deadline=None, max_examples=60)
def test_the_ids_are_those_of_the_reference_implementation(made: list[PackEvent]) -> None:
    """The event hash of both forms is the reference implementation's, whatever the keys.

    Source: epcis_event_hash_generator (CBV 2.0).
    """
    for form, reader in (("json", json_to_py), ("xml", xml_to_py)):
        read = reader.event_list_from_epcis_document_str(document(form, made))
        texts = hash_generator.derive_prehashes_from_events(read)
        ids = hash_generator.calculate_hashes_from_pre_hashes(texts)
        assert [event.id for event in made] == list(ids)


@given(made=of_cases(TRUSTED))
@settings(deadline=None, max_examples=30)
def test_a_case_named_by_gtin_and_number_carries_lot_and_expiry(made: PackEvent) -> None:
    """As JSON-LD the reference implementation gives the same ID; an SSCC carries neither."""
    text = document("json", [made])
    read = json_to_py.event_list_from_epcis_document_str(text)
    texts = hash_generator.derive_prehashes_from_events(read)
    assert [made.id] == list(hash_generator.calculate_hashes_from_pre_hashes(texts))
    assert '"cbvmda:lotNumber":"LOT24A"' in text


def test_ssccs_are_named_as_the_standard_does() -> None:
    """Source: GS1 EPC Tag Data Standard, the SSCC that its sections show as URN and link."""
    assert urn_of("106141412345678908", 7) == "urn:epc:id:sscc:0614141.1234567890"
    assert link_of("106141412345678908") == "https://id.gs1.org/00/106141412345678908"


def test_the_smallest_valid_documents_hold_what_ours_hold(standards: Path) -> None:
    """Field by field, an aggregation is told as in the smallest valid document of its kind."""
    for action in ("add", "delete"):
        path = standards / "minimal" / f"epcis20_aggregation_{action}.jsonld"
        theirs = json.loads(path.read_text())["epcisBody"]["eventList"][0]
        step = "packing" if action == "add" else "unpacking"
        ours = PackEvent(FACTS, *AT, action.upper(), step, None, "195212340000000010", ("A",))
        told = json.loads(ours.as_json())
        assert set(told) - {"eventID"} <= set(theirs)
        assert (told["type"], told["action"], told["bizStep"]) == (
            theirs["type"],
            theirs["action"],
            theirs["bizStep"],
        )
