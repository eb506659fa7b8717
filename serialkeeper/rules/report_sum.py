"""The lot report's first pages: what was asked for, what became of it, does the sum come out?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from serialkeeper.rules import retention
from serialkeeper.rules.cautions import AID, GRADE
from serialkeeper.rules.chronicle import people
from serialkeeper.rules.counts import TERMS, bad_percent, many, percent
from serialkeeper.rules.imported import count_of
from serialkeeper.rules.moves import DECOMMISSION_REASONS, VOIDED, WORDS
from serialkeeper.rules.pages import Column, Item, Say, Section, Table, Told, moment, section, table
from serialkeeper.rules.report_acts import check_left, sent_left
from serialkeeper.rules.report_facts import Facts
from serialkeeper.rules.report_look import to_be_looked_at

_GOOD = ("commissioned", "verified")
_CUT = (
    "Percentages are cut toward the worse side and need not add up; 100.00 stands only where the "
    "integers agree."
)


def front(facts: Facts) -> Section:
    """The key sentence, what must not be missed, and the cautions."""
    return section(
        "In short",
        Say(key_sentence(facts), "strong"),
        *(Say(text, "strong") for text in _must_not_be_missed(facts)),
        *to_be_looked_at(facts),
        Say(_decision(facts)),
        Say(f"{AID} {GRADE} This report releases nothing.", "soft"),
    )


def key_sentence(facts: Facts) -> str:
    """The whole lot in one sentence."""
    allocated, good = facts.lot["allocated"], facts.state(*_GOOD)
    word = "verified" if facts.lot["commission_at"] == "application" else "commissioned"
    lines = {line["name"]: line for line in facts.balance["lines"]}
    rest = lines["unaccounted"]
    counted = "not counted" if rest["labels"] is None else f"{rest['labels']:,}"
    if word == "verified" and facts.state("commissioned"):
        word = "verified or commissioned"
    share = f" ({percent(good, allocated)} %)" if allocated else ""
    return (
        f"{good:,} of {many(allocated, 'label')} {word}{share}, "
        f"{facts.state('decommissioned'):,} decommissioned, {facts.state('voided'):,} voided; "
        f"{facts.state('rejected'):,} rejected wait for a decision, "
        f"{facts.state('issued'):,} printed were not seen, "
        f"{facts.state('allocated'):,} not printed; unaccounted: {rest['numbers']:,} by numbers, "
        f"{counted} by labels. {_agreement(facts)}"
    )


def _agreement(facts: Facts) -> str:
    """Whether the ledgers agree, whether something is open: each by itself."""
    lines = facts.balance["lines"]
    uncounted = [one["name"] for one in lines if one["labels"] is None]
    apart = [one["name"] for one in lines if one["labels"] not in (None, one["numbers"])]
    stock = facts.balance["stock"]
    apart += ["blank stock"] * bool(stock and stock["unaccounted"])
    told = "The two ledgers agree"
    if apart:
        told = f"The two ledgers DO NOT AGREE ({', '.join(apart)})"
    elif uncounted:
        told = f"Whether the two ledgers agree is NOT KNOWN: nobody counted {', '.join(uncounted)}"
    if points := len(facts.balance["open_points"]):
        told += f"; {many(points, 'point')} {'is' if points == 1 else 'are'} OPEN"
    return f"{told}."


def _must_not_be_missed(facts: Facts) -> Iterator[str]:
    if facts.made.practice:
        yield "This is a practice record: for trying and training, never for a real lot."
    yield from (f"Open: {point}" for point in facts.balance["open_points"])
    for held in facts.holds:
        if not held["lifted_at"]:
            yield f"HELD: {held['on']}, since {held['at']} by {held['by']}: {held['reason']}"
    yield from (*check_left(facts), *sent_left(facts))
    if (state := facts.lot["state"]) != "closed":
        yield f"The lot is not closed (its state is {state}): what stands here may change."


def _decision(facts: Facts) -> str:
    decided, told = facts.lot["decision"], facts.chronicle.decided
    if told and facts.chronicle.reopened_since:
        last = told[-1]
        return (
            f"Before the lot was opened again the quality unit had decided: {last['decision']} on "
            f"{last['on']} by {last['by']}. There is no decision on what it is now."
        )
    if decided:
        return f"The quality unit's decision as recorded: {retention.decision_sentence(decided)}."
    return "No decision of the quality unit is recorded; this program never releases."


def identity(facts: Facts) -> Section:
    """Which product and lot, and the facts that its approval froze."""
    lot, made = facts.lot, facts.made
    frozen = "" if lot["state"] != "draft" else " (not approved yet: none of this is frozen)"
    rows = [
        ("Product", facts.product or "no name is recorded"),
        ("GTIN", lot["gtin"]),
        ("Lot (AI 10)", lot["lot"]),
        ("Expiry (AI 17)", lot["expiry"]),
        ("State", lot["state"] + frozen),
        ("Good labels wanted", f"{lot['target']:,}"),
        ("Commissions at", lot["commission_at"]),
        ("Market; artwork", f"{lot['market'] or 'none given'}; {lot['artwork'] or 'none given'}"),
        (
            "Place; production order",
            f"{lot['location'] or 'none given'}; {lot['production_order'] or 'none given'}",
        ),
        ("Order of elements", " ".join(f"({ai})" for ai in lot["order"])),
        ("Minimum in-line grade", lot["minimum_grade"]),
        ("Symbol", f"GS1 DataMatrix {lot['layout']['size'] or 'of a size not frozen'}"),
        ("Human-readable lines", " | ".join(lot["layout"]["lines"])),
        ("Most units in an event", f"{lot['group_limit']:,}"),
        ("Pack levels", _levels(facts)),
        *(("Imported numbers", _imported(one)) for one in lot["imports"]),
        ("Retention", retention.sentence(lot["keep"])),
        ("Report made", f"{made.at}, {made.station}, {made.person} ({made.role})"),
        (
            "Record",
            f"{'practice' if made.practice else 'live'}, {made.record}, copy {made.generation}",
        ),
    ]
    return section("The lot", Told(tuple(rows)))


def _levels(facts: Facts) -> str:
    return ", ".join(f"{one['name']} of {one['holds']:,}" for one in facts.lot["packs"]) or "none"


def _imported(one: dict[str, Any]) -> str:
    until = f", usable until {one['usable_until']}" if one["usable_until"] else ""
    return f"{count_of(one)} of {one['issuer'] or one['name']}{until}, SHA-256 {one['sha256']}"


def decided(facts: Facts) -> Section:
    """Approval, closings and reopenings; and every decision of the quality unit, in order."""
    return section("Approval, closing, decision", *_milestones(facts), *_decisions(facts))


def _milestones(facts: Facts) -> Iterator[Item]:
    rows = []
    for one in facts.chronicle.milestones:
        told = [one["reason"], one.get("explanation"), one.get("investigation")]
        words = "; ".join(dict.fromkeys(text for text in told if text))
        rows.append((one["entry"], moment(one["at"]), one["verb"], people(one), words))
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 14),
        Column("what", 13),
        Column("who, and what the signature means", 36),
        Column("reason or explanation, investigation", 30),
    )
    again = [n for n, one in enumerate(facts.chronicle.milestones) if one["verb"] == "lot reopened"]
    if not rows:
        yield Say("The lot is a draft: nobody has approved it.")
        return
    more = f"record entries {facts.name}"
    yield table(columns, rows, title="The lot's own states", more=more, loud=again)


def _decisions(facts: Facts) -> Iterator[Item]:
    told = facts.chronicle.decided
    if not told:
        yield Say("No decision of the quality unit is recorded; this program never releases.")
        return
    rows = [
        (one["entry"], one["decision"], one["on"], one["by"], one["reference"], one["reason"],
         _kept(facts, one), people(one))
        for one in told
    ]  # fmt: skip
    columns = (
        Column("entry", 7, right=True),
        Column("decision", 10),
        Column("of the day", 13),
        Column("decided by", 13),
        Column("reference", 12),
        Column("why another one", 14),
        Column("keep at least until", 11),
        Column("recorded by, and what the signature means", 26),
    )
    if len(told) > 1:
        replaced = ", ".join(str(one["entry"]) for one in told[:-1])
        yield Say(
            f"{len(told)} decisions were recorded, one after the other; the last one (entry "
            f"{told[-1]['entry']}) replaced the one before (entry {replaced}).",
            "strong",
        )
    if facts.chronicle.reopened_since:
        yield Say(
            "The lot was opened again after the last decision: it stands for what was known then.",
            "strong",
        )
    more = f"record entries {facts.name}"
    title = "The quality unit's decisions, as recorded"
    against = [n for n, one in enumerate(told) if one["decision"] == retention.REFUSED]
    yield table(columns, rows, title=title, more=more, loud=against)


def _kept(facts: Facts, decision: Mapping[str, Any]) -> str:
    """Until when the record is kept if that decision stands."""
    shipped = facts.lot["shipped"]
    told = retention.retention(
        date.fromisoformat(facts.lot["expiry"]),
        released=retention.released_on(decision),
        shipped=date.fromisoformat(shipped["last"][:10]) if shipped else None,
    )
    return f"{told['until']} ({told['by']})"


def states(facts: Facts) -> Section:
    """Where every number is, and what for."""
    allocated = facts.lot["allocated"]
    columns = (
        Column("state", 20),
        Column("labels", 12, right=True),
        Column("% of allocated", 14, right=True),
        Column("", 54),
    )
    rows = []
    for word in WORDS:
        count = facts.state(word)
        share = percent if word in _GOOD else bad_percent
        rows.append((word, count, share(count, allocated) if allocated else "-", _MEANS[word]))
    rows.append(("allocated ever", allocated, "100.00" if allocated else "-", "the sum of all"))
    return section(
        "Where every number is",
        table(columns, rows, loud=[len(rows) - 1]),
        Say(_CUT, "soft"),
        Say(
            "Announced by an allocation or an import that is not finished, and not among these: "
            f"{many(facts.lot['to_come'], 'number')}.",
            "strong",
        )
        if facts.lot["to_come"]
        else None,
        _reasons(facts),
        Say(f"Every number by itself: label list {facts.name} (--json; --state WORD).", "soft"),
    )


_MEANS = {
    "allocated": "given to the lot, not printed",
    "issued": "sent to the printer, not seen by the camera",
    "verified": "good on the web, not yet on a pack",
    "commissioned": "active",
    "rejected": "a decision is due",
    "voided": "never was active, never will be",
    "decommissioned": "was active, and is no more",
}


def _reasons(facts: Facts) -> Table | None:
    allocated = facts.lot["allocated"]
    rows = []
    for (word, reason), count in sorted(facts.departures.items()):
        fates = VOIDED if word == "voided" else DECOMMISSION_REASONS
        rows.append((word, reason, count, bad_percent(count, allocated), fates[reason].ledger))
    if not rows:
        return None
    columns = (
        Column("state", 20),
        Column("reason", 24),
        Column("labels", 12, right=True),
        Column("% of allocated", 14, right=True),
        Column("line of the numbers ledger", 30),
    )
    return table(columns, rows, title="Voided and decommissioned, by reason")


def ledgers(facts: Facts) -> Section:
    """Both ledgers side by side, their difference, and what was counted."""
    found = facts.balance
    rows, loud = list[tuple[object, ...]](), list[int]()
    for line in found["lines"]:
        labels, numbers = line["labels"], line["numbers"]
        apart = (
            "not counted"
            if labels is None
            else f"{labels - numbers:+,}"
            if labels - numbers
            else "0"
        )
        if not line["agrees"] or (line["name"] == "unaccounted" and numbers):
            loud.append(len(rows))
        rows.append((line["name"], "not counted" if labels is None else labels, numbers, apart))
    columns = (
        Column("line", 30),
        Column("labels, as counted", 22, right=True),
        Column("numbers, by state", 22, right=True),
        Column("difference", 22, right=True),
    )
    share = found["accounted_percent"]
    return section(
        "Reconciliation",
        table(columns, rows, title="The two ledgers", loud=loud),
        Say(
            f"Accounted for: {share} % of the printed (the worse of both ledgers)."
            if share
            else "Accounted for: not known before labels are counted."
        ),
        Say(
            "The record keeps no limit: a lot with any difference closes only with an explanation, "
            "an investigation's reference and a second person.",
            "soft",
        ),
        _stock(facts),
        _counted(facts),
        _yield(facts),
    )


def _stock(facts: Facts) -> Say | None:
    stock = facts.balance["stock"]
    if not stock:
        return None
    told = ", ".join(f"{name.replace('_', ' ')} {count:,}" for name, count in stock.items())
    return Say(f"Blank stock: {told}.")


def _counted(facts: Facts) -> Item:
    rows = [
        (one["entry"], moment(one["at"]), TERMS[one["term"]], f"{one['value']:+,}",
         people(one) if one["signatures"] else one["person"], one["witness"], one["reason"])
        for one in facts.chronicle.counted
    ]  # fmt: skip
    if not rows:
        return Say("Nobody has counted labels yet.", "strong")
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 12),
        Column("what", 23),
        Column("labels", 9, right=True),
        Column("by", 26),
        Column("witness", 11),
        Column("reason", 12),
    )
    more = f"record entries {facts.name}"
    return table(columns, rows, title="What people and counters counted", more=more)


def _yield(facts: Facts) -> Table:
    lines = {line["name"]: line["numbers"] for line in facts.balance["lines"]}
    good, target, printed = lines["good"], facts.lot["target"], lines["printed"]
    rows = [
        ("good labels wanted", target, ""),
        ("good by numbers", good, f"{percent(good, target)} % of the wanted"),
        ("printed by numbers", printed, ""),
        ("good of the printed", good, f"{percent(good, printed)} %" if printed else "-"),
        ("allocated", facts.lot["allocated"], ""),
        ("never printed", facts.balance["never_printed"], ""),
    ]
    columns = (Column("yield against plan", 40), Column("labels", 20, right=True), Column("", 40))
    return table(columns, rows, title="Yield", loud=[1] if good < target else [])
