"""What a house chain tells of moves: at most one end of a move is at work."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import moving
from serialkeeper.rules.chain import HOUSE, START, Entry, link
from serialkeeper.rules.replay import Insert, Update, changes

Stored = tuple[int, bytes, bytes]


def entry(seq: int, verb: str, **data: object) -> Entry:
    at = "2026-06-01T08:00:00.000Z"
    return Entry(0, seq, verb, at, 0, "Line Lead", "line lead", "", "line 1", "", data)


def stored(entries: list[Entry]) -> list[Stored]:
    """The entries as a chain keeps them."""
    head, rows = START, []
    for one in entries:
        head = link(head, one.body())
        rows.append((one.seq, one.body(), head))
    return rows


def settings_after(entries: list[Entry]) -> dict[str, str]:
    """The setting table that follows; a row is made once and then changed."""
    table: dict[str, str] = {}
    for one in entries:
        for change in changes(one, HOUSE):
            if isinstance(change, Insert):
                assert change.row["name"] not in table
                table[change.row["name"]] = change.row["value"]
            elif isinstance(change, Update):
                assert change.key["name"] in table
                table[change.key["name"]] = change.values["value"]
    return table


@st.composite
def lives(draw: st.DrawFn) -> list[Entry]:
    """House chains of records that were moved and called off, again and again."""
    entries = [entry(1, "record made", kind="practice", made="2026-06-01T08:00:00.000Z")]
    generation = 1
    for ending in draw(st.lists(st.sampled_from(["move called off", "record taken over"]))):
        generation += 1
        entries.append(
            entry(len(entries) + 1, "record moved", to=f"place {generation}", generation=generation)
        )
        if draw(st.booleans()):
            entries.append(entry(len(entries) + 1, "record migrated", **{"from": "1", "to": "2"}))
        entries.append(entry(len(entries) + 1, ending, generation=generation))
    if draw(st.booleans()):
        to = f"place {generation + 1}"
        entries.append(entry(len(entries) + 1, "record moved", to=to, generation=generation + 1))
        if draw(st.booleans()):
            told = {"to": to, "generation": generation + 1}
            entries.append(entry(len(entries) + 1, "move confirmed", **told))
    return entries


@given(entries=lives())
def test_the_settings_and_the_last_move_say_the_same(entries: list[Entry]) -> None:
    """A record is at work exactly if its last move was ended by a copy or called off; each time
    it is at work again it is one generation further."""
    move, table = moving.last_move(stored(entries)), settings_after(entries)
    left = move is not None and move.state in (moving.MOVED, moving.CONFIRMED)
    assert bool(table.get("moved_to")) == left
    moves = sum(one.verb == "record moved" for one in entries)
    assert int(table.get("generation", "1")) == 1 + moves - left
    assert (move is None) == (moves == 0)
    if move:
        assert move.generation == 1 + moves
        assert entries[move.seq - 1].verb == "record moved"


def test_only_a_move_under_way_can_be_called_off_and_only_at_its_place() -> None:
    """No move, one that was confirmed, one to another place, no reason: each has its word."""
    moved = moving.Move("there", 2, 5, b"")
    confirmed = moving.Move("there", 2, 5, b"", moving.CONFIRMED)
    arrived = moving.Move("here", 2, 5, b"", moving.TAKEN_OVER)
    for move, to, reason, word in (
        (None, "there", "x", "nothing_moved"),
        (arrived, "here", "x", "nothing_moved"),
        (confirmed, "there", "x", "record_moved"),
        (moved, "elsewhere", "x", "record_moved"),
        (moved, "there", "  ", "reason_needed"),
    ):
        with pytest.raises(Refused) as refused:
            moving.check_call_off(move, to, reason)
        assert refused.value.word == word
    assert moving.check_call_off(moved, "there", "x") is moved
