"""What of a lot somebody should look at first: it stands on the lot report's first page."""

from __future__ import annotations

from collections.abc import Iterator

from serialkeeper.rules import runs
from serialkeeper.rules.counts import many
from serialkeeper.rules.pages import Column, Item, Say, table
from serialkeeper.rules.report_facts import Facts
from serialkeeper.rules.retention import REFUSED
from serialkeeper.rules.review import CRITICAL, FOUND

RESTORED, JOURNAL = "Restored from a backup", "Journal and checkpoint"
RECEIPTS = "Events and their receipts"
"""Titles of sections."""

Row = tuple[str, int, int, str]
"""What there was, how often, how many of these still wait for somebody, and the section of it."""


def to_be_looked_at(facts: Facts) -> Iterator[Item]:
    """Whatever there was of it, with its count and where to look; or that there was nothing."""
    rows = [one for some in (_line, _sum, _people, _record) for one in some(facts) if one[1]]
    if not rows:
        yield Say(
            "To be looked at: nothing. No failed challenge, no reading of an unproven reader, no "
            "alarm, hold or correction, nothing unaccounted, no clock set back, no reopening, no "
            "decision against, no recovery, no import given up."
        )
        return
    columns = (
        Column("what", 52),
        Column("how many", 10, right=True),
        Column("still open", 10, right=True),
        Column("see", 28),
    )
    told = [(what, count, left or "", where) for what, count, left, where in rows]
    loud = [number for number, one in enumerate(rows) if one[2]]
    yield table(columns, told, title="To be looked at", loud=loud)


def _line(facts: Facts) -> Iterator[Row]:
    """What went wrong on the line."""
    outcomes = [one["outcome"] for run in facts.runs for one in run["events"]]
    yield "challenges that the reader failed", outcomes.count(runs.FAILED), 0, "Runs"
    yield "challenges that proved nothing", outcomes.count(runs.UNPROVEN), 0, "Runs"
    missed = sum(one["missed"] for one in facts.balance["challenges"]["reader"])
    yield "labels made bad on purpose that a reader called good", missed, 0, "Runs"
    running = sum(not run["ended"] for run in facts.runs)
    yield "runs that are not ended", running, running, "Runs"
    yield "clock checks that were apart", outcomes.count(runs.APART), 0, "Runs"
    yield "verifier grades below the minimum", outcomes.count(runs.LOW), 0, "Grades"
    unproven = [one for one in facts.alarms if one["kind"] == "unchallenged"]
    yield (
        "files and stretches read while the reader was not proven, "
        + many(sum(one["labels"] for one in unproven), "reading"),
        len(unproven),
        sum(one["state"] == "open" for one in unproven),
        "Alarms",
    )
    waiting = sum(one["state"] == "open" for one in facts.alarms)
    yield "alarms; open: not acknowledged", len(facts.alarms), waiting, "Alarms"
    grave = [(state, n) for _, word, state, n in facts.found if word in CRITICAL[FOUND]]
    left = sum(n for state, n in grave if state == "open")
    yield "findings that may mean a wrong medicine", sum(n for _, n in grave), left, "Findings"


def _sum(facts: Facts) -> Iterator[Row]:
    """What does not add up."""
    rest = next(one for one in facts.balance["lines"] if one["name"] == "unaccounted")
    most = max(abs(rest["labels"] or 0), rest["numbers"])
    yield "labels or numbers unaccounted", most, most, "Reconciliation"
    apart = sum(one["labels"] not in (None, one["numbers"]) for one in facts.balance["lines"])
    yield "lines on which the two ledgers differ", apart, apart, "Reconciliation"
    missing = facts.outs.not_shown
    told = "labels that should not stay on the web, not shown to have left it"
    yield told, missing, missing, "Labels out of the lot"
    packs = facts.balance["packs"]
    doubtful = packs["doubtful"] if packs else 0
    yield "units in packs that are not good any more", doubtful, doubtful, "Packs"
    coming = sum(one["done"] < one["count"] for one in facts.lot["imports"])
    yield "imports that are not finished", coming, coming, "The lot"


def _people(facts: Facts) -> Iterator[Row]:
    """What people did that somebody else should know of."""
    told = facts.chronicle
    standing = sum(not one["lifted_at"] for one in facts.holds)
    yield "holds placed; open: not lifted", len(facts.holds), standing, "Holds"
    yield "corrections of what was entered", len(told.corrections), 0, "Changed since entry"
    left = facts.lot["to_review"]["groups"]
    yield "groups that nobody has reviewed", left, left, "Review by a second pair of eyes"
    decided = "Approval, closing, decision"
    attested = len(told.attested)
    yield "documents of events whose arrival a person decided", attested, 0, RECEIPTS
    reopened = sum(one["verb"] == "lot reopened" for one in told.milestones)
    yield "times that the closed lot was opened again", reopened, 0, decided
    explained = sum(bool(one.get("investigation")) for one in told.milestones)
    yield "closings with an explanation and an investigation", explained, 0, decided
    against = sum(one["decision"] == REFUSED for one in told.decided)
    yield "decisions of the quality unit against the lot", against, 0, decided
    yield "decisions that a later one replaced", max(len(told.decided) - 1, 0), 0, decided


def _record(facts: Facts) -> Iterator[Row]:
    """What happened to the record and its clocks."""
    told = facts.chronicle
    yield "restorations of the record from a backup", len(facts.recoveries), 0, RESTORED
    given_up = sum(one["verb"] == "import given up" for one in told.corrections)
    yield "imports given up", given_up, 0, "Changed since entry"
    back, behind = told.clocks.back, told.behind
    by = f", by up to {many(told.clocks.most, 'second')}" if back else ""
    yield f"entries before which a station's clock was set back{by}", back, 0, JOURNAL
    limit = many(runs.CLOCK_LIMIT, "second")
    yield f"entries dated more than {limit} before an earlier one", behind, 0, JOURNAL
