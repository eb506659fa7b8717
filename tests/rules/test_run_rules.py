"""Where a run stands, whatever happened in it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.rules.runs import FAILED, PASSED, UNPROVEN, Event, failures, standings

STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("cleared"), st.sampled_from(["before", "after"]), st.just("")),
        st.tuples(
            st.just("challenged"),
            st.sampled_from(["start", "stop", "end"]),
            st.sampled_from([PASSED, FAILED, UNPROVEN]),
        ),
        st.tuples(st.just("stopped"), st.just(""), st.just("")),
        st.tuples(st.just("clock"), st.just(""), st.sampled_from(["within", "apart"])),
        st.tuples(st.just("grade"), st.just(""), st.sampled_from(["good", "low"])),
    ),
    max_size=12,
)


def events(steps: list[tuple[str, str, str]], run: int = 1, first: int = 1) -> list[Event]:
    """A run's start, and these steps."""
    told = [("started", "", ""), *steps]
    return [
        Event(first + i, run, word, "line", occasion, outcome, "", "Ann", "", "", str(i))
        for i, (word, occasion, outcome) in enumerate(told)
    ]


@given(STEPS)
def test_a_reader_is_proven_by_the_last_word_on_it_only(steps: list[tuple[str, str, str]]) -> None:
    """By a passed challenge after which there was no stop and no other challenge; a run may end
    when the last word is a challenge at the end, and the line was cleared after it."""
    [told] = standings(events(steps))
    words = [one for one in steps if one[0] in ("challenged", "stopped")]
    assert told.proven == bool(words and words[-1][2] == PASSED)
    at_end = bool(words) and words[-1][1] == "end" and words[-1][2] != UNPROVEN
    back_to_work = [
        i
        for i, one in enumerate(steps)
        if one[0] == "stopped" or (one[0] == "challenged" and one[1] != "end")
    ]
    after = max((i for i, one in enumerate(steps) if one[:2] == ("cleared", "after")), default=-1)
    cleared = after > max(back_to_work, default=-1)
    assert (not told.missing()) == (at_end and cleared)
    assert told.stops == sum(one[0] == "stopped" for one in steps)
    passes = [i + 2 for i, one in enumerate(steps) if one[2] == PASSED]
    assert told.passed == max(passes, default=0)


@given(STEPS, STEPS)
def test_runs_are_told_apart(
    one: list[tuple[str, str, str]], two: list[tuple[str, str, str]]
) -> None:
    """Two runs stand where each alone would, however late the second begins."""
    first, second = events(one), events(two, run=2, first=100)
    assert standings([*first, *second]) == [*standings(first), *standings(second)]
    found = failures([*first, *second], "line", 50)
    assert [e.seq for e in found] == [e.seq for e in second if e.outcome == FAILED]
    assert failures([*first, *second], "elsewhere", 0) == []
