"""The two ledgers: nothing gets lost between them, and no share is made prettier than it is."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import counts
from serialkeeper.rules.moves import DECOMMISSION_REASONS, VOID_REASONS, State

amounts = st.integers(0, 50)
whole_numbers = st.integers(0, 10**9)


@given(whole_numbers, st.integers(1, 10**9))
@example(1_999_999, 2_000_000)
@example(2_000_001, 2_000_000)
@example(99_995, 100_000)
@example(1, 30_000)
def test_a_share_is_cut_away_from_100(part: int, whole: int) -> None:
    """100.00 stands only for equality; below it is cut down, above it up, by under 0.01."""
    text = counts.percent(part, whole)
    shown = Fraction(text)
    exact = Fraction(part * 100, whole)
    assert (text == "100.00") == (part == whole)
    assert len(text.split(".")[1]) == 2
    if part <= whole:
        assert shown <= exact < shown + Fraction(1, 100)
    else:
        assert shown - Fraction(1, 100) < exact <= shown


@given(st.integers(1, 10**9))
def test_one_missing_always_shows(whole: int) -> None:
    """However large the lot, one label too few or too many is not 100.00 %."""
    assert Fraction(counts.percent(whole - 1, whole)) < 100
    assert Fraction(counts.percent(whole + 1, whole)) > 100


def test_of_nothing_all_or_none_is_there() -> None:
    """With nothing expected, nothing found is complete and something found is not."""
    assert counts.percent(0, 0) == "100.00"
    assert counts.percent(3, 0) == "0.00"


living = st.fixed_dictionaries(
    {state: amounts for state in State if state not in (State.VOIDED, State.DECOMMISSIONED)}
)
departures = st.fixed_dictionaries(
    {
        **{(State.VOIDED.value, reason): amounts for reason in VOID_REASONS},
        **{(State.DECOMMISSIONED.value, reason): amounts for reason in DECOMMISSION_REASONS},
    }
)
Departures = dict[tuple[str, str], int]
PRINTED = ("good", "destroyed", "specimens", "samples", "unaccounted")
"""The lines into which the printed numbers fall."""


def all_states(living: dict[State, int], gone: Departures) -> dict[State, int]:
    """How many labels are in each state, the departed counted from their departures."""
    left = dict.fromkeys((State.VOIDED, State.DECOMMISSIONED), 0)
    for (letter, _), count in gone.items():
        left[State(letter)] += count
    return living | left


def matching(found: counts.Balance) -> dict[str, int]:
    """Tallies of people who counted exactly what the numbers say."""
    terms = {
        "printer_counter": found.line("printed").numbers,
        "rewind_counter": found.line("good").numbers,
        "destroyed": found.line("destroyed").numbers,
        "specimens": found.line("specimens").numbers,
        "samples": found.line("samples").numbers,
    }
    return {term: count for term, count in terms.items() if count} | {
        "printer_counter": terms["printer_counter"],
        "rewind_counter": terms["rewind_counter"],
    }


@given(living, departures)
def test_no_number_is_lost_or_counted_twice(living: dict[State, int], gone: Departures) -> None:
    """Allocated numbers are never printed or printed, and the printed fall into five lines."""
    found = counts.balance(all_states(living, gone), gone, {})
    printed = found.line("printed").numbers
    assert found.allocated == sum(living.values()) + sum(gone.values())
    assert found.allocated == found.never_printed + printed
    assert printed == sum(found.line(name).numbers for name in PRINTED)
    assert sum(found.states.values()) == found.allocated
    assert found.open_issued == living[State.ISSUED]
    assert found.open_rejected == living[State.REJECTED] + living[State.PULLED]


@given(
    living,
    departures,
    st.fixed_dictionaries(
        {},
        optional=dict.fromkeys(
            ("printer_counter", "rewind_counter", "destroyed", "specimens", "samples"), amounts
        ),
    ),
)
def test_counted_labels_are_not_lost_either(
    living: dict[State, int], gone: Departures, tallies: dict[str, int]
) -> None:
    """What the printer counted falls into the same five lines, unaccounted being the one
    line that is not counted but left; without both counters nobody can say."""
    found = counts.balance(all_states(living, gone), gone, tallies)
    left = found.line("unaccounted").labels
    if "printer_counter" in tallies and "rewind_counter" in tallies:
        lines = [found.line(name).labels for name in PRINTED]
        assert sum(count for count in lines if count is not None) == tallies["printer_counter"]
        assert None not in lines
    else:
        assert left is None
        assert not found.balanced


@given(living, departures, st.data())
def test_only_equal_ledgers_without_open_points_balance(
    living: dict[State, int], gone: Departures, data: st.DataObject
) -> None:
    """With matching counts a settled lot balances; one label more or less, and it does not."""
    states = all_states(living, gone)
    tallies = matching(counts.balance(states, gone, {}))
    found = counts.balance(states, gone, tallies)
    assert all(line.agrees for line in found.lines)
    missing = found.line("unaccounted").numbers
    waiting = (State.ALLOCATED, State.ISSUED, State.REJECTED, State.PULLED)
    settled = missing == 0 and not any(living[state] for state in waiting)
    assert found.balanced == settled
    term = data.draw(st.sampled_from(sorted(tallies)))
    for off in (-1, 1):
        wrong = tallies | {term: tallies[term] + off}
        assert not counts.balance(states, gone, wrong).balanced


SETTLED = {State.COMMISSIONED: 1_990, State.VOIDED: 62}
SETTLED_GONE = {("x", "surplus"): 10, ("x", "waste"): 49, ("x", "specimen"): 3}
SETTLED_TALLIES = {
    "printer_counter": 2_042,
    "rewind_counter": 1_990,
    "destroyed": 49,
    "specimens": 3,
}


def test_a_settled_lot_by_hand() -> None:
    """A small lot worked out on paper balances, line by line (21 CFR 211.125: labels issued,
    used and returned are reconciled)."""
    found = counts.balance(SETTLED, SETTLED_GONE, SETTLED_TALLIES)
    assert found.balanced
    assert [(line.name, line.labels, line.numbers) for line in found.lines] == [
        ("printed", 2_042, 2_042),
        ("good", 1_990, 1_990),
        ("destroyed", 49, 49),
        ("specimens", 3, 3),
        ("samples", 0, 0),
        ("unaccounted", 0, 0),
    ]
    plain = found.as_dict()
    assert plain["accounted_percent"] == "100.00"
    assert plain["open_points"] == []
    assert plain["states"] == {"commissioned": 1_990, "voided": 62}


@pytest.mark.parametrize(
    ("tallies", "balanced"),
    [
        ({"applied": 1_990}, True),
        ({"applied": 1_989}, False),
        ({"stock_received": 2_100, "returned": 58}, True),
        ({"stock_received": 2_000, "brought_forward": 100, "returned": 58}, True),
        ({"stock_received": 2_100, "returned": 57}, False),
        ({"stock_received": 2_100}, False),
    ],
)
def test_further_counts_have_to_agree_too(tallies: dict[str, int], balanced: bool) -> None:
    """Applied labels and blank stock, once counted, have to come out even as well."""
    assert counts.balance(SETTLED, SETTLED_GONE, SETTLED_TALLIES | tallies).balanced == balanced


def test_a_number_not_found_stays_a_difference() -> None:
    """A lost label balances no lot: it stands as unaccounted on both sides."""
    states = SETTLED | {State.VOIDED: 63}
    gone = SETTLED_GONE | {("x", "not found"): 1}
    found = counts.balance(states, gone, SETTLED_TALLIES | {"printer_counter": 2_043})
    assert found.line("unaccounted") == counts.Line("unaccounted", 1, 1)
    assert not found.balanced
    assert found.as_dict()["accounted_percent"] == "99.95"


@pytest.mark.parametrize(
    ("term", "value", "witness", "reason", "taken"),
    [
        ("printer_counter", 2_042, "", "", True),
        ("printer_counter", 10**9, "", "", True),
        ("printer_counter", 10**9 + 1, "", "", False),
        ("printer_counter", 0, "", "", True),
        ("printer_counter", -3, "", "", False),
        ("printer_counter", -3, "", "  ", False),
        ("printer_counter", -3, "", "counted twice", True),
        ("destroyed", 49, "", "", False),
        ("destroyed", 49, " ", "", False),
        ("destroyed", 49, "Ada", "", True),
        ("destroyed", -1, "Ada", "", False),
        ("burnt", 5, "Ada", "x", False),
    ],
)
def test_counts_have_a_term_a_witness_and_a_reason(
    term: str, value: int, witness: str, reason: str, taken: bool
) -> None:
    """Unknown terms, noughts, corrections without reason and destruction without a witness
    are refused (a witness to destruction: common practice, no source)."""
    if taken:
        counts.check_count(term, value, witness=witness, reason=reason)
    else:
        with pytest.raises(Refused) as refusal:
            counts.check_count(term, value, witness=witness, reason=reason)
        assert refusal.value.word == "count_invalid"
