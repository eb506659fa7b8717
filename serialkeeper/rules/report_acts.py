"""The lot report's last pages: what people did, signed and handed out, and what proves it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from serialkeeper.rules.chronicle import people, signers
from serialkeeper.rules.counts import many
from serialkeeper.rules.documents import DELIVERED
from serialkeeper.rules.holds import sentence
from serialkeeper.rules.pages import Column, Item, Say, Section, Told, moment, section, table
from serialkeeper.rules.recovery import figures
from serialkeeper.rules.report_facts import Facts
from serialkeeper.rules.report_look import JOURNAL, RECEIPTS, RESTORED
from serialkeeper.rules.review import Review

ENTRIES = "entry", "entries"


def decisions(facts: Facts) -> Section:
    """Decisions on labels: accepted, voided, decommissioned, with reasons and signatures."""
    rows = [
        (one["entry"], moment(one["at"]), one["verb"], one["labels"], one["positions"],
         one["reason"], one["evidence"], people(one))
        for one in facts.chronicle.decisions
    ]  # fmt: skip
    if not rows:
        return section("Decisions on labels", Say("Nobody decided on a label."))
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 12),
        Column("decision", 14),
        Column("labels", 8, right=True),
        Column("positions", 15),
        Column("reason", 14),
        Column("evidence, note", 16),
        Column("who, and what the signature means", 20),
    )
    more = f"record entries {facts.name}"
    return section(
        "Decisions on labels",
        table(columns, rows, more=more),
        Say(
            "A decision that voids is not signed; the others are, and each names its people.",
            "soft",
        ),
    )


def corrections(facts: Facts) -> Section:
    """Whether anything was changed since it was entered."""
    rows = [
        (one["entry"], moment(one["at"]), one["sentence"], one["reason"], people(one))
        for one in facts.chronicle.corrections
    ]
    told = (
        "No entry is ever edited or taken away: what was wrong is corrected by a later entry, and "
        "both stay. These corrected something that stood before:"
    )
    if not rows:
        return section("Changed since entry", Say("Nothing that was entered was corrected later."))
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 14),
        Column("what it changed", 34),
        Column("reason", 22),
        Column("who", 24),
    )
    more = f"record entries {facts.name}"
    return section("Changed since entry", Say(told), table(columns, rows, more=more))


def holds(facts: Facts) -> Section:
    """Holds, open and lifted."""
    if not facts.holds:
        return section("Holds", Say("Nothing of the lot was ever held."))
    lifted = facts.chronicle.lifted
    rows = [
        ("lifted" if one["lifted_at"] else "OPEN", sentence(one),
         people(lifted[one["hold"]]) if one["hold"] in lifted else "")
        for one in facts.holds
    ]  # fmt: skip
    loud = [number for number, one in enumerate(facts.holds) if not one["lifted_at"]]
    columns = (Column("", 8), Column("hold", 64), Column("signature of the lifting", 28))
    more = f"hold list {facts.name} --all"
    return section("Holds", table(columns, rows, more=more, loud=loud))


def review(facts: Facts) -> Section:
    """Who reviewed what, and what is left."""
    left = facts.lot["to_review"]
    signed = facts.chronicle.signed
    rows = [
        (kind, reason, len(some), sum(one.count for one in some), by,
         " to ".join(dict.fromkeys(signed[one.seq]["local"] for one in (some[0], some[-1]))),
         "; ".join(dict.fromkeys(one.note for one in some if one.note)))
        for (kind, reason, by), some in _by_reviewer(facts).items()
    ]  # fmt: skip
    columns = (
        Column("what", 15),
        Column("reason", 16),
        Column("signed", 7, right=True),
        Column("labels or items", 9, right=True),
        Column("by, and what the signature means", 19),
        Column("signed at", 24),
        Column("notes", 16),
    )
    told = (
        f"Still to be reviewed: {many(left['groups'], 'group')}, {left['critical']:,} of them "
        "critical."
    )
    return section(
        "Review by a second pair of eyes",
        Say(told, "strong" if left["groups"] else "plain"),
        table(columns, rows, more=f"review list {facts.name}")
        if rows
        else Say("Nothing was reviewed."),
    )


def _by_reviewer(facts: Facts) -> dict[tuple[str, str, str], list[Review]]:
    made: dict[tuple[str, str, str], list[Review]] = {}
    for one in facts.reviews:
        by = signers(facts.chronicle.signed[one.seq])
        made.setdefault((one.kind, one.reason, by), []).append(one)
    return made


def packs(facts: Facts) -> Section:
    """Packs by level and state, and what was shipped."""
    told = facts.balance["packs"]
    if not told:
        return section("Packs", Say("The lot has no pack levels."))
    rows = [(one["level"], one["state"], one["packs"]) for one in facts.packs]
    columns = (
        Column("level", 25),
        Column("state", 25),
        Column("packs", 15, right=True),
    )
    shipped = facts.lot["shipped"]
    left = (
        f"Shipped: {many(shipped['packs'], 'pack')}, the last one {shipped['last']}."
        if shipped
        else "Nothing was shipped."
    )
    return section(
        "Packs",
        Say(
            f"Good units: {told['packed']:,} packed, {told['loose']:,} loose; "
            f"{told['commissioned']:,} commissioned."
        ),
        Say(f"In packs and not good any more: {many(told['doubtful'], 'unit')}.", "strong")
        if told["doubtful"]
        else None,
        table(columns, rows) if rows else None,
        Say(f"Not full: {many(len(told['part']), 'pack')}.") if told["part"] else None,
        Say(f"{left} Every pack: pack list {facts.name}."),
    )


def checks(facts: Facts) -> Section:
    """Whether what was printed, accepted, recorded and exported agrees, and up to where."""
    title = "Printed = accepted = recorded = exported"
    if not facts.chronicle.checks:
        return section(title, Say("Nobody has compared these (events check)."))
    rows, loud = list[tuple[object, ...]](), list[int]()
    for one in facts.chronicle.checks:
        told = one["check"]
        if not told["agrees"]:
            loud.append(len(rows))
        agrees = "agree" if told["agrees"] else "DIFFER"
        rows.append((one["entry"], moment(one["at"]), agrees, told["numbers"], told["events"],
                     told["entry"], one["person"], told["sha256"]))  # fmt: skip
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 14),
        Column("they", 8),
        Column("numbers", 11, right=True),
        Column("events", 9, right=True),
        Column("up to entry", 8, right=True),
        Column("by", 13),
        Column("SHA-256 of numbers and states", 30),
    )
    more = f"record entries {facts.name}"
    return section(title, *map(Say, check_left(facts)), table(columns, rows, more=more, loud=loud))


def check_left(facts: Facts) -> list[str]:
    """What is not good about the last check, if there was one."""
    if not facts.chronicle.checks:
        return []
    told = facts.chronicle.checks[-1]["check"]
    if not told["agrees"]:
        return [
            "What was printed, accepted, recorded and exported DIFFERS: events check says where."
        ]
    if facts.telling > told["entry"]:
        return [
            "Since the last check of what was printed, accepted, recorded and exported more has "
            "happened that events tell: check again (events check)."
        ]
    return []


def handed(facts: Facts) -> Section:
    """Files that left the record."""
    rows = [
        (one["entry"], moment(one["at"]), one["what"], one["name"] or "", one["size"],
         one["person"], one["sha256"] or "")
        for one in facts.chronicle.handed
    ]  # fmt: skip
    if not rows:
        return section("Handed out", Say("No file left the record."))
    columns = (
        Column("entry", 7, right=True),
        Column("when (UTC)", 14),
        Column("what", 14),
        Column("file", 16),
        Column("bytes", 13, right=True),
        Column("by", 12),
        Column("SHA-256", 30),
    )
    return section(
        "Handed out",
        table(columns, rows, more=f"record entries {facts.name}"),
        Say("Written is not delivered: what of it reached whom, this table does not tell.", "soft"),
    )


def sent(facts: Facts) -> Section:
    """Events on their way to their destinations, and what became of them."""
    rows, loud = list[tuple[object, ...]](), list[int]()
    names = {one.destination: name for name, one in facts.documents}
    by_hand = {(one["destination"], one["number"]) for one in facts.chronicle.attested}
    for name, one in facts.documents:
        if one.state != DELIVERED:
            loud.append(len(rows))
        decided = "a person decided" if (one.destination, one.number) in by_hand else ""
        told = "; ".join(text for text in (decided, one.receipt, one.why, one.said) if text)
        when = moment(one.ended or one.prepared)
        rows.append((name, one.number, one.count, one.state.replace("_", " "), when, told,
                     one.name, one.sha256))  # fmt: skip
    columns = (
        Column("destination", 14),
        Column("no.", 5, right=True),
        Column("events", 8, right=True),
        Column("state", 10),
        Column("since (UTC)", 12),
        Column("receipt, or what was said", 18),
        Column("document", 13),
        Column("SHA-256", 20),
    )
    if not rows:
        return section(RECEIPTS, Say("No event was sent by this record."))
    more = f"record entries {facts.name}"
    return section(
        RECEIPTS,
        *map(Say, sent_left(facts)),
        *(Say(attested(names[one["destination"]], one)) for one in facts.chronicle.attested),
        table(columns, rows, more=more, loud=loud),
    )


def attested(destination: str, one: Mapping[str, Any]) -> str:
    """What a person decided of a document of which nobody knew."""
    has = "has" if one["stored"] else "does not have"
    return (
        f"Document {one['number']} for {destination}: the receiver {has} its events, not by its "
        f"own receipt but as {people(one)} decided: {one['reason']}"
    )


def sent_left(facts: Facts) -> list[str]:
    """Destinations whose last document did not arrive."""
    last = dict(facts.documents)
    return [
        f"Events for {name}: document {one.number} is {one.state.replace('_', ' ')}"
        + (f" ({one.why})" if one.why else "")
        for name, one in last.items()
        if one.state != DELIVERED
    ]


def recoveries(facts: Facts) -> Section:
    """How the record was brought back from a backup since the lot was opened."""
    title = RESTORED
    if not facts.recoveries:
        return section(title, Say("Since the lot was opened the record was never restored."))
    items: list[Item] = []
    for one in facts.recoveries:
        rows = (
            ("Copy (generation)", str(one["generation"])),
            ("Backup", f"of {one['sealed']}, file {one['file']}"),
            ("Restored", f"{one['restored']} by {one['restored_by']}"),
            ("Went on", people(one)),
            ("Why, and what of the other record", one["reason"]),
            ("In the whole record", figures(one["figures"]) or "nothing had to be done"),
        )
        items.append(Told(rows))
    did = [(one["entry"], one["local"], one["sentence"]) for one in facts.chronicle.recovered]
    columns = (Column("entry", 7, right=True), Column("when", 20), Column("what", 73))
    return section(
        title,
        Say(
            "What the other record gave out, and what was done there, after the moment of the "
            "backup is not in this record, but for what was done again by hand.",
            "strong",
        ),
        *items,
        table(columns, did, title="In this lot", more=f"record entries {facts.name}")
        if did
        else Say("Nothing of this lot was changed by it."),
    )


def signed(facts: Facts) -> Section:
    """Every signature of the lot, in order."""
    rows = [
        (one["entry"], one["local"], one["verb"], name["person"], name["role"],
         name["meaning"] + " (practice)" * name["practice"])
        for one in facts.chronicle.signed.values()
        for name in one["signatures"]
    ]  # fmt: skip
    if not rows:
        return section("Signatures", Say("Nothing of the lot was signed."))
    columns = (
        Column("entry", 7, right=True),
        Column("signed at", 25),
        Column("what", 20),
        Column("person", 18),
        Column("role", 14),
        Column("meaning", 16),
    )
    return section("Signatures", table(columns, rows, more=f"lot show {facts.name}"))


def writers(facts: Facts) -> Section:
    """Who wrote in the lot, in which role, what and when."""
    rows = []
    for one in facts.chronicle.writers.values():
        wrote = ", ".join(f"{verb} {count:,}" for verb, count in one.verbs.most_common(12))
        rest = len(one.verbs) - 12
        wrote += f" and {rest} other kinds" if rest > 0 else ""
        with_others = ", ".join(f"{verb} {count:,}" for verb, count in one.seconded.items())
        when = moment(one.first), moment(one.last)
        rows.append((one.person, one.role or "as second person", wrote, with_others, *when))
    columns = (
        Column("person", 15),
        Column("role", 12),
        Column("entries", 33),
        Column("as second person", 16),
        Column("first (UTC)", 12),
        Column("last (UTC)", 12),
    )
    stations = ", ".join(f"{name} {n:,}" for name, n in facts.chronicle.stations.most_common(30))
    more = f"record entries {facts.name}"
    return section(
        "People", table(columns, rows, more=more), Say(f"Entries by station: {stations}.")
    )


def journal(facts: Facts) -> Section:
    """The head of the lot's chain, and the signed checkpoint that covers it."""
    chain = facts.lot["chain"]
    head = (
        ("Entries of the lot's chain", f"{chain['entries']:,}"),
        ("Head (the last one's hash)", chain["head"]),
    )
    return section(
        JOURNAL,
        Told(head),
        _clocks(facts),
        *_protection(facts),
        Say(
            "The head on paper shows any later change of an entry before it: record entries lists "
            "the chain, record verify works it out anew. It does not show who made this paper.",
            "soft",
        ),
    )


def _clocks(facts: Facts) -> Say | None:
    """Where the times of entries do not follow each other."""
    told = facts.chronicle.clocks
    if not told.back and not facts.chronicle.behind:
        return None
    where = f"; the first is {told.where}" if told.where else ""
    behind = many(facts.chronicle.behind, *ENTRIES)
    return Say(
        f"Before {many(told.back, *ENTRIES)} a station's clock was set back, by up to "
        f"{many(told.most, 'second')}{where}. Dated more than a minute before an earlier entry: "
        f"{behind}. The order of entries does not rest on their times.",
        "strong",
    )


def _protection(facts: Facts) -> Iterator[Item]:
    there = facts.protection
    if there.checkpoint:
        told = there.checkpoint
        yield Say("A checkpoint of the whole record was taken in the same look, and signed:")
        yield Told(
            (
                ("Record", told["record"]),
                ("Copy (generation)", str(told["generation"])),
                ("Taken at", told["at"]),
                ("This lot's chain", f"{many(told['count'], *ENTRIES)}, head {told['head']}"),
                ("Root of its tree (RFC 9162)", told["root"]),
                ("Checkpoint's file", told["file"]),
                ("SHA-256 of that file", told["sha256"]),
                ("Public key (Ed25519)", told["public_key"]),
                ("Signature", told["signature"]),
            )
        )
        yield Say(
            f"record verify --against {told['file']} --public-key KEY compares the record with it; "
            "KEY as it was handed over, not as it stands here.",
            "soft",
        )
        return
    last = f"The last checkpoint of the record is of {there.since}" if there.since else ""
    later = many(there.later, *ENTRIES)
    if there.custodian:
        named = "Checkpoints go by themselves to a folder that is named in the record. "
        since = f"{last}; after it came {later}." if last else "None was made yet."
        yield Say(f"No checkpoint was taken with this report (no key was named). {named}{since}")
        return
    yield Say(
        "No checkpoint was taken with this report (no key was named), and the record names no "
        "custodian: this paper carries the head only, unsigned. "
        + (f"{last}; after it came {later}." if last else ""),
        "strong",
    )
