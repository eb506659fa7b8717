"""The check before release: printed = accepted = recorded = exported, with the first difference."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest
from conftest import Bench, as_seen
from test_events import whole_life

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules import pack_events
from serialkeeper.store import telling


def checked(bench: Bench) -> dict[str, Any]:
    result: dict[str, Any] = sk.events.check(bench.record, bench.lot)
    return result


def test_a_sound_lot_agrees_on_every_side(bench: Bench) -> None:
    """After a whole life, units pulled, accepted, sampled, destroyed, packed and shipped: the same
    numbers in all four accounts, the same states in those that know them, the same packs."""
    whole_life(bench)
    told = checked(bench)
    assert told["agrees"] and told["difference"] is None and told["latest"]
    sides = {one["side"]: one for one in told["sides"]}
    assert list(sides) == ["printed", "accepted", "recorded", "exported"]
    assert len({one["sha256"] for one in sides.values()}) == 1
    known = [one for one in sides.values() if one["states"]]
    assert len({one["states_sha256"] for one in known}) == 1 and len(known) == 3
    states = sk.lot.show(bench.record, bench.lot)["states"]
    assert sides["exported"]["states"] == {
        word: count for word, count in states.items() if word in ("commissioned", "decommissioned")
    }
    assert (
        told["printed"]["numbers"] == sides["printed"]["numbers"] + told["printed"]["never_active"]
    )
    assert told["packed"]["recorded"] == told["packed"]["exported"] > 0
    # The digest is of plain lines, so that anybody can work it out: NUMBER,STATE by position.
    rows = sk.label.list(bench.record, bench.lot)
    lines = "".join(f"{row['serial']},{row['state']}\n" for row in rows)
    assert sides["recorded"]["states_sha256"] == hashlib.sha256(lines.encode()).hexdigest()
    verbs = [entry["verb"] for entry in sk.record.entries(bench.record, bench.lot)]
    assert verbs[-1] == "events checked"
    assert bench.heads()


def test_a_corrected_lot_agrees(bench: Bench) -> None:
    """Declarations of errors are followed as a receiver follows them; so are many small groups."""
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.printed(30))))
    sk.label.decommission(bench.record, bench.lot, "3-9", reason="damaged", count=7)
    sk.label.correct(bench.record, bench.lot, "4-6,9", reason="typed wrong", count=4)
    sk.label.decommission(bench.record, bench.lot, "5", reason="sampled", count=1)
    told = checked(bench)
    assert told["agrees"], told["difference"]
    assert told["sides"][3]["states"] == {"commissioned": 26, "decommissioned": 4}


CHANGES = {
    "a number in the table": (
        "UPDATE label SET serial = 'ZZZZZZZZZZZZ' WHERE position = 2",
        "recorded ZZ",
    ),
    "a state in the table": ("UPDATE label SET state = 'c' WHERE position = 5", "position 5"),
    "a good label made a rejected one": (
        "UPDATE label SET state = 'r' WHERE position = 7",
        "position 7",
    ),
    "what a print file was": ("UPDATE job SET sha256 = replace(sha256, 'a', 'b')", "print"),
    "how labels were printed": ("UPDATE job SET lanes = 3", "print"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_difference_is_found_and_told(bench: Bench, name: str) -> None:
    """Whatever side was altered; where the first difference is, in words; and it is journalled."""
    statement, word = CHANGES[name]
    rows = as_seen(bench.printed(12, lanes=4))
    rows[4]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert checked(bench)["agrees"]
    bench.database.edit(statement)
    told = checked(bench)
    assert not told["agrees"] and word in told["difference"], told["difference"]


def test_what_the_events_say_wrong_is_found(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours in the events themselves: one left out, one twice, a unit too many."""
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.printed(12))))
    sk.label.decommission(bench.record, bench.lot, "3-4", reason="damaged", count=2)
    whole = pack_events.fold

    def altered(change: Any) -> None:
        def fold(*arguments: Any, **more: Any) -> Any:
            return iter(change(list(whole(*arguments, **more))))

        monkeypatch.setattr(telling.pack_events, "fold", fold)

    for change, word in (
        (lambda some: some[1:], "position 1, "),
        (lambda some: some[:-1], "position 3, "),
        (lambda some: [*some, some[-1]], "not where this begins"),
        (
            lambda some: [replace(some[0], serials=[*some[0].serials, "NO"]), *some[1:]],
            "the lot has no number NO",
        ),
        (lambda some: [replace(some[0], serials=some[0].serials[1:]), *some[1:]], "position 1, "),
    ):
        altered(change)
        told = checked(bench)
        assert not told["agrees"] and word in told["difference"], told["difference"]
    monkeypatch.setattr(telling.pack_events, "fold", whole)
    assert checked(bench)["agrees"]


def test_nothing_to_check_is_refused(bench: Bench) -> None:
    """A lot without events, and one with half a file."""
    with pytest.raises(sk.Refused, match="nothing_to_send"):
        checked(bench)


@pytest.mark.only_on("sqlite", reason="about the command's words only")
def test_the_command_ends_with_three_where_accounts_differ(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """For people the first difference; in JSON the same."""
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.printed(12))))
    words = ["--record", bench.url, "--as", "Line Lead", "events", "check", bench.lot]
    assert run(words) == 0
    assert "printed = accepted = recorded = exported" in capsys.readouterr().out
    bench.database.edit("UPDATE label SET state = 'x' WHERE position = 5")
    assert run(words) == 3
    assert "DIFFER: position 5" in capsys.readouterr().out
    assert run([*words, "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["agrees"] is False
