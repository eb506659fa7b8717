"""Events to try forms and IDs with: every kind that a record can cause, of units and of packs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any

from hypothesis import strategies as st

from serialkeeper.rules import events, gs1, moves
from serialkeeper.rules.event_forms import FORMS, Header
from serialkeeper.rules.events import Declaration, Event, LotFacts, Place
from serialkeeper.rules.keys import check_digit
from serialkeeper.rules.pack_events import TRANSACTIONS
from serialkeeper.rules.tellings import (
    COMMISSIONING,
    ENCODING,
    LEAVING,
    PACKING,
    SPOILT,
    TOLD,
    UNPACKING,
)

CREATED = "2026-02-01T09:00:00.000Z"
GTIN = "09521234543213"
GLN = "9521234567899"
FACTS = LotFacts(GTIN, 7, "LOT24A", "2028-06-30", 10_000)
AT = ("2026-01-31T08:00:00.123Z", "+01:00")
AWKWARD = ["A<&>\"'%/", "0012", "1E5", "INF", "!\"%&'()*+,-./:;<=>?_", "a", "A", "007", "7"]
SET_82 = "".join(sorted(gs1.SET_82))
TRUSTED = "".join(sorted(gs1.SET_82 - set("';=")))
"""Without the signs that the reference implementation of the event hash leaves as they are."""

ENDS = list(
    dict.fromkeys(step for fate in moves.DECOMMISSION_REASONS.values() for step in fate.steps)
)
STEPS = [
    COMMISSIONING,
    ("OBSERVE", "inspecting", "non_conformant"),
    ("OBSERVE", "inspecting", "conformant"),
    *ENDS,
]
"""Every kind of event over units: action, step and disposition."""
AGGREGATING = [PACKING, UNPACKING]
OF_ORDERS = [ENCODING, SPOILT]
ALL_STEPS = list(dict.fromkeys(step for telling in TOLD.values() for step in telling.steps))

PLACE = Place("9521234000020", "LINE1", 7)
ORDER = "urn:epcglobal:cbv:bt:9521234567899:ORDER-7"
HEADER = Header(
    Place("9521234000020", "", 7),
    Place(GLN, "", 7),
    f"{GTIN}/LOT24A/17",
    ((GTIN, 7, 'Tablets <20 mg> & "more"'),),
    ((PLACE, "Line 1 & 2"), (Place(GLN, "", 7), "Depot")),
)

lots = st.text(SET_82, min_size=1, max_size=20)
times = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)).map(
    lambda t: f"{t:%Y-%m-%dT%H:%M:%S}.{t.microsecond // 1000:03d}Z"
)
offsets = st.integers(-14 * 60, 14 * 60).map(events.write_offset)


def serials_of(signs: str) -> st.SearchStrategy[str]:
    """Numbers of units and cases."""
    return st.text(signs, min_size=1, max_size=20)


OTHER_ID = f"ni:///sha-256;{'0' * 64}?ver=CBV2.0"
places = st.sampled_from([None, PLACE, Place("9521234000020", "", 7)])
declared = st.sampled_from([None, None, Declaration(CREATED), Declaration(CREATED, (OTHER_ID,))])
of_units = st.builds(
    lambda lot, length, place, time, offset, step, numbers, declaration: Event(
        replace(FACTS, lot=lot, prefix_length=length, place=place),
        time,
        offset,
        *step,
        numbers,
        declared=declaration,
    ),
    lots,
    st.integers(6, 12),
    places,
    times,
    offsets,
    st.sampled_from(STEPS),
    st.lists(serials_of(SET_82), min_size=1, max_size=5, unique=True),
    declared,
)
"""Events over units, of any lot, place, time and zone, some of them told in error."""


def of_orders(signs: str) -> st.SearchStrategy[Event]:
    """Events over numbers of a production order."""
    return st.builds(
        lambda step, numbers, place: Event(
            replace(FACTS, place=place, order=ORDER),
            *AT,
            *step,
            numbers,
            transaction=("prodorder", ORDER),
            of_order=True,
        ),
        st.sampled_from(OF_ORDERS),
        st.lists(serials_of(signs), min_size=1, max_size=5, unique=True),
        places,
    )


ssccs = st.integers(0, 10**10 - 1).map(
    lambda n: (body := f"{n % 10}9521234{n // 10:09d}") + check_digit(body)
)
CASE_GTIN = "1952123454321" + check_digit("1952123454321")


def cases(signs: str) -> st.SearchStrategy[str]:
    """Keys of cases named by GTIN and number."""
    return serials_of(signs).map(lambda serial: f"{CASE_GTIN}/{serial}")


def aggregations(signs: str) -> st.SearchStrategy[Event]:
    """Packing and unpacking."""
    return st.builds(
        lambda parent, units, packs, step: Event(FACTS, *AT, *step, units, packs, parent),
        ssccs | cases(signs),
        st.lists(serials_of(signs), min_size=1, max_size=4, unique=True),
        st.lists(ssccs | cases(signs), max_size=3, unique=True),
        st.sampled_from(AGGREGATING),
    )


of_ssccs = st.builds(
    lambda step, packs: Event(FACTS, *AT, *step, packs=packs),
    st.sampled_from([COMMISSIONING, *ENDS]),
    st.lists(ssccs, min_size=1, max_size=4, unique=True),
)


def of_cases(signs: str) -> st.SearchStrategy[Event]:
    """Commissioning of cases named by GTIN and number."""
    return st.builds(
        lambda packs: Event(FACTS, *AT, *COMMISSIONING, packs=packs),
        st.lists(cases(signs), min_size=1, max_size=4, unique=True),
    )


shipments = st.builds(
    lambda step, place, packs, extension, transaction: Event(
        replace(FACTS, place=place),
        *AT,
        *step,
        packs=packs,
        transaction=transaction,
        destination=Place(GLN, extension, 7),
    ),
    st.sampled_from(list(LEAVING.values())),
    places,
    st.lists(ssccs, min_size=1, max_size=4, unique=True),
    st.sampled_from(["", "DOCK1"]),
    st.sampled_from(
        [
            (),
            ("po", "https://a.b/7"),
            *((word, f"urn:epcglobal:cbv:bt:{GLN}:D-1") for word in TRANSACTIONS),
        ]
    ),
)
of_packs = aggregations(SET_82) | of_ssccs | of_cases(SET_82) | shipments | of_orders(SET_82)
made_events = st.lists(of_units | of_packs, min_size=1, max_size=4)


def one_of_each(lot: str = "LOT24A") -> list[Event]:
    """An event of every kind, with awkward numbers."""
    facts = replace(FACTS, lot=lot, place=PLACE)
    told = [(facts, f"2026-01-31T08:00:00.{i:03d}Z", "+01:00") for i in range(100)]
    named = [f"{CASE_GTIN}/{serial}" for serial in AWKWARD]
    sscc = "195212340000000010"
    kinds = [
        *({"serials": AWKWARD, "step": step} for step in STEPS),
        *({"packs": [sscc], "step": step} for step in (COMMISSIONING, *ENDS)),
        *({"packs": named, "step": step} for step in (COMMISSIONING, *ENDS)),
        *({"parent": sscc, "packs": named, "step": step} for step in AGGREGATING),
        *({"parent": named[0], "serials": AWKWARD, "step": step} for step in AGGREGATING),
        *(
            {
                "packs": [sscc],
                "step": step,
                "transaction": ("desadv", "urn:epcglobal:cbv:bt:9521234567899:D-1"),
                "destination": Place(GLN, "A<&>\"'%/", 7),
            }
            for step in LEAVING.values()
        ),
        *(
            {
                "serials": AWKWARD,
                "step": step,
                "transaction": ("prodorder", ORDER),
                "of_order": True,
            }
            for step in OF_ORDERS
        ),
        {"serials": AWKWARD, "step": ENDS[0], "declared": Declaration(CREATED)},
        {
            "serials": AWKWARD,
            "step": ENDS[0],
            "declared": Declaration(CREATED, (OTHER_ID, OTHER_ID)),
        },
    ]
    return [
        Event(*told[i], *kind.pop("step"), **kind)  # type: ignore[misc, arg-type]
        for i, kind in enumerate(kinds)
    ]


def document(form: str, made: Iterable[Event], **more: Any) -> str:
    """The whole document in one text."""
    return "".join(FORMS[form].write(made, created=CREATED, **more))
