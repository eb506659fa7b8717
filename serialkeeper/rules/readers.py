"""What is known of a reader: how it did with bad labels, and what is in doubt if it missed one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from serialkeeper.rules.bounds import CONFIDENCE, per_cent
from serialkeeper.rules.chain import Entry
from serialkeeper.rules.challenges import CAUGHT, KINDS, MISSED, OCCASIONS, UNPROVEN, passed


@dataclass(frozen=True, slots=True)
class Trial:
    """One label that a reader was shown, or would have been.

    Attributes:
        station: where.
        kind: one of `KINDS`.
        outcome: a letter of `OUTCOMES`.
        planted: whether it stood on the web among the others.
    """

    station: str
    kind: str
    outcome: str
    planted: bool


def measured(trials: Iterable[Trial]) -> list[dict[str, Any]]:
    """How every reader did with each kind, and what it misses of it at most.

    Returns:
        For each station and kind: station, kind, tried, caught, missed, unproven, planted (of
        those tried), bound_percent (text, rounded up; None without a bound), confidence, sentence.
    """
    groups: dict[tuple[str, str], list[Trial]] = {}
    for trial in trials:
        if trial.outcome in (CAUGHT, MISSED, UNPROVEN):
            groups.setdefault((trial.station, trial.kind), []).append(trial)
    several = len({station for station, _ in groups}) > 1
    made = []
    for station, kind in sorted(groups, key=lambda one: (one[0], list(KINDS).index(one[1]))):
        some = groups[station, kind]
        caught, missed, unproven = (
            sum(trial.outcome == letter for trial in some) for letter in (CAUGHT, MISSED, UNPROVEN)
        )
        tried = caught + missed
        row = {
            "station": station,
            "kind": kind,
            "tried": tried,
            "caught": caught,
            "missed": missed,
            "unproven": unproven,
            "planted": sum(trial.planted and trial.outcome != UNPROVEN for trial in some),
            "bound_percent": per_cent(missed, tried),
            "confidence": CONFIDENCE,
        }
        made.append({**row, "sentence": _sentence(row, station if several else "")})
    return made


def _sentence(row: Mapping[str, Any], station: str) -> str:
    name = f"{row['kind']} at {station}" if station else row["kind"]
    missed = f", {row['missed']} missed" if row["missed"] else ""
    aside = f" ({row['unproven']} more prove nothing of it)" if row["unproven"] else ""
    bound = "nothing says how many of this kind the reader misses"
    if row["bound_percent"]:
        bound = (
            f"at {CONFIDENCE} confidence the reader misses fewer than {row['bound_percent']} % of "
            "this kind"
        )
    return f"{name}: {row['caught']} of {row['tried']} caught{missed}{aside}; {bound}"


def occasions(runs: Iterable[tuple[str, str, bool]]) -> dict[str, dict[str, Any]]:
    """Which challenges there were on each occasion.

    Args:
        runs: name, occasion and whether it passed, of each, in order.

    Returns:
        By occasion, in between only where there was one: runs (names), passed (whether the last
        one did; None without runs), sentence.
    """
    there = list(runs)
    made: dict[str, dict[str, Any]] = {}
    for when, words in OCCASIONS.items():
        mine = [(name, ok) for name, occasion, ok in there if occasion == when]
        if when == "interval" and not mine:
            continue  # not every plan has one
        sentence = f"no challenge {words}"
        if mine:
            ends = ", ".join(f"{name} {'passed' if ok else 'NOT passed'}" for name, ok in mine)
            sentence = f"challenge {words}: {ends}"
        made[when] = {
            "runs": [name for name, _ in mine],
            "passed": mine[-1][1] if mine else None,
            "sentence": sentence,
        }
    return made


def in_doubt(
    entries: Iterable[Entry],
    sets: Mapping[int, Sequence[str]],
    *,
    run: int = 0,
    take: int = 0,
    station: str,
    kinds: Iterable[str],
) -> list[dict[str, Any]]:
    """Takes whose labels are in doubt because the reader missed one: from the last run that proved
    that it catches these kinds to the next one.

    Args:
        entries: the lot's chain.
        sets: the kinds of each set.
        run, take: the run, or the take, in which it missed one.
        station: where it missed one.
        kinds: what it missed.

    Returns:
        take, first and last position, in order of taking.
    """
    spans: dict[int, list[int]] = {}
    reached = False
    for entry in entries:
        data = entry.data
        if entry.verb == "challenge run":
            reached |= data["id"] == run
            proven = entry.station == station and set(kinds) <= set(sets[data["challenge"]])
            if proven and passed(data["outcomes"]):
                if reached:
                    break
                spans.clear()
        elif entry.verb == "taken":
            reached |= data["take"] == take
            for part in entry.parts:
                span = spans.setdefault(data["take"], [part.first, part.first])
                span[0] = min(span[0], part.first)
                span[1] = max(span[1], part.first + part.count - 1)
    return [{"take": number, "first": span[0], "last": span[1]} for number, span in spans.items()]
