"""The first look at readings while their file grows, held against a plain model."""

from __future__ import annotations

from dataclasses import fields
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.rules import gs1, results
from serialkeeper.rules.alarms import DEFAULT, Alarm
from serialkeeper.rules.fields import COLUMNS
from serialkeeper.rules.following import Live
from serialkeeper.rules.jobs import Shape, Web
from serialkeeper.rules.lookup import Lookup, Texts
from serialkeeper.rules.results import Interpretation, Plan

GTIN, LOT, EXPIRY, LABELS, LANES = "09521234543213", "LOT24A", date(2028, 6, 30), 60, 3
SERIALS = [f"ABCD{number:04d}WXRK" for number in range(LABELS)]
SHAPE = Shape(((1, LABELS),), LANES, "rows")
ORDER = ("01", "21", "17", "10")


def code_of(position: int, lot: str = LOT) -> str:
    label = gs1.LabelCode(GTIN, SERIALS[position - 1], EXPIRY, lot)
    return gs1.to_file(gs1.scanned(label, ORDER))


def plan() -> Plan:
    return Plan(
        serials=Texts.of(pl.Series(SERIALS)),
        gtin=GTIN,
        lot=LOT,
        expiry=EXPIRY,
        order=ORDER,
        minimum_grade=15,
        grid=SHAPE.places,
        web=Web.of([SHAPE], LABELS),
        free=np.ones(LABELS + 1, dtype=np.bool_),
        this_year=2026,
        latest=0,
    )


def live(states: str = "i" * LABELS) -> Live:
    return Live(plan(), np.frombuffer(b" " + states.encode(), np.uint8), DEFAULT, "file")


def frame(rows: list[dict[str, str]]) -> pl.DataFrame:
    return pl.DataFrame(
        [[row.get(name, "") for name in COLUMNS] for row in rows],
        schema=dict.fromkeys(COLUMNS, pl.String),
        orient="row",
    )


def looked_at(rows: list[dict[str, str]], cuts: list[int], **more: Any) -> tuple[Any, ...]:
    """What there is to see, and what alarms, when the rows come in pieces."""
    look, told = live(**more), list[tuple[int, Alarm]]()
    ends = sorted(min(cut, len(rows)) for cut in cuts)
    for start, stop in zip([0, *ends], [*ends, len(rows)], strict=True):
        if stop > start:
            told += look.add(frame(rows[start:stop]), start + 2)
    return look.readings, dict(look.outcomes), list(look.doubts), told


READING = st.tuples(
    st.integers(1, LABELS), st.sampled_from(["own", "own", "own", "none", "other", "lot", "low"])
)


def row_of(number: int, kind: str, place: int, *, placed: bool) -> dict[str, str]:
    seen = {"none": "", "lot": code_of(number, "LOT99"), "other": code_of(LABELS + 1 - number)}
    row = {"seen": seen.get(kind, code_of(number)), "grade": "1.0" if kind == "low" else "3.5"}
    return row | ({"position": str(place)} if placed else {"lane": str((place - 1) % LANES + 1)})


@settings(deadline=None, max_examples=50)
@given(st.lists(READING, min_size=1, max_size=40), st.lists(st.integers(0, 40)), st.integers(1, 7))
def test_a_file_is_judged_alike_in_whatever_pieces_it_is_read(
    made: list[tuple[int, str]], cuts: list[int], size: int
) -> None:
    """Its readings stand in columns that grow."""
    rows = [row_of(number, kind, number, placed=True) for number, kind in made]
    told = []
    for ends in ([], sorted(min(cut, len(rows)) for cut in cuts)):
        notes = Interpretation(plan(), "file")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(results, "SLICE", size)
            for start, stop in zip([0, *ends], [*ends, len(rows)], strict=True):
                if stop > start:
                    notes.add(frame(rows[start:stop]), start + 2)
            read = notes.finish()
        columns = [getattr(read, one.name).tolist() for one in fields(read)]
        told.append((columns, notes.seen, notes.detail, notes.notes))
    assert told[0] == told[1] and len(told[0][0][0]) == len(rows)


@given(st.lists(READING, min_size=1, max_size=50), st.lists(st.integers(0, 50), max_size=6))
@settings(deadline=None, max_examples=40)
def test_what_is_seen_does_not_depend_on_the_pieces(
    readings: list[tuple[int, str]], cuts: list[int]
) -> None:
    """With positions and without: counts, doubtful labels and alarms are the same."""
    for placed in (True, False):
        rows = [row_of(number, kind, number, placed=placed) for number, kind in readings]
        assert looked_at(rows, cuts) == looked_at(rows, [])


@given(st.lists(READING, min_size=1, max_size=50))
@settings(deadline=None, max_examples=40)
def test_a_number_that_comes_again_is_repeated_unless_its_place_proves_it_one_label(
    readings: list[tuple[int, str]],
) -> None:
    """Against a dictionary of the numbers seen; without positions every repeat is one."""
    for placed in (True, False):
        seen: dict[int, int] = {}
        repeated = again = 0
        for number, kind in readings:
            shown = {"none": 0, "lot": number, "other": LABELS + 1 - number}.get(kind, number)
            if not shown:
                continue
            if shown not in seen:
                seen[shown] = number if placed else shown
            elif placed and seen[shown] == number:
                again += kind in ("own", "other")
            else:
                repeated += kind != "lot"
        rows = [row_of(number, kind, number, placed=placed) for number, kind in readings]
        outcomes = looked_at(rows, [])[1]
        assert outcomes.get("repeated", 0) == repeated
        assert outcomes.get("read_again", 0) <= again


def test_a_counter_that_slipped_is_doubtful_once() -> None:
    """From one label on every position is one row behind: one doubtful label per lane."""
    rows = [row_of(number, "own", number, placed=True) for number in range(1, 31)]
    rows += [row_of(number, "own", number - LANES, placed=True) for number in range(31, 61)]
    assert looked_at(rows, [])[1] == {"seen_good": 57, "out_of_place": 3}


def test_places_by_running_order_also_backwards() -> None:
    """Unread labels between labels read stand where the order says, in either direction."""
    rows = [
        row_of(number, "none" if number in (20, 21, 22) else "own", number, placed=False)
        for number in range(1, LABELS + 1)
    ]
    for back in (False, True):
        for lanes in (True, False):
            told = [row if lanes else row | {"lane": ""} for row in rows]
            doubts = looked_at(told[::-1] if back else told, [5, 21, 39])[2]
            assert sorted(doubt.position for doubt in doubts) == [20, 21, 22], (back, lanes)
            assert sorted(doubt.row for doubt in doubts) == [7, 7, 8]


def test_labels_that_should_not_be_there_are_named() -> None:
    """Never issued, voided, gone; and a label that an earlier file inspected is no finding."""
    rows = [row_of(number, "own", number, placed=True) for number in range(1, 6)]
    outcomes = looked_at(rows, [], states="axdci" + "i" * (LABELS - 5))[1]
    assert outcomes == {
        "not_issued": 1,
        "voided_number": 1,
        "used_number": 1,
        "inspected_before": 1,
        "seen_good": 1,
    }


@given(st.lists(st.text(max_size=3), unique=True, max_size=30), st.lists(st.text(max_size=3)))
@settings(max_examples=100)
def test_a_lookup_finds_what_a_dictionary_finds(there: list[str], asked: list[str]) -> None:
    """Any texts, empty ones and missing ones included."""
    known = {text: position for position, text in enumerate(there, 1)}
    texts = pl.Series([*asked, *there, None], dtype=pl.String)
    wanted = [known.get(text, 0) if text is not None else 0 for text in texts.to_list()]
    assert Lookup(pl.Series(there, dtype=pl.String)).find(texts).tolist() == wanted


def test_texts_of_one_hash_are_told_apart(monkeypatch: Any) -> None:
    """If all hashes were equal, every number would still be found."""
    monkeypatch.setattr(
        pl.Series, "hash", lambda self, seed=0: pl.Series([seed] * len(self), dtype=pl.UInt64)
    )
    assert Lookup(pl.Series(["A", "B", "C"])).find(pl.Series(["C", "X", "A"])).tolist() == [3, 0, 1]
