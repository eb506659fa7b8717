"""The lot report's pages on the line: what was found, on which web, by which proven reader?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from serialkeeper.rules import charts
from serialkeeper.rules.alarms import held_words, means, stretch
from serialkeeper.rules.cautions import GRADE
from serialkeeper.rules.chronicle import people
from serialkeeper.rules.counts import bad_percent, many
from serialkeeper.rules.findings import ORDER, WORDS
from serialkeeper.rules.pages import (
    Column,
    Figure,
    Item,
    Say,
    Section,
    Table,
    moment,
    section,
    table,
)
from serialkeeper.rules.report_facts import ABSENT, CUT, Facts

_EVIDENCE = {
    "read": "its own number, read exactly",
    "position": "the position that the camera reported",
    "time": "its time between neighbours",
    "count": "the count between neighbours (weak evidence)",
}


def inspection(facts: Facts) -> Section:
    """Print jobs, results files, and how labels were told."""
    jobs = [
        (one["job"], one["count"], one["lanes"], one["name"], one["sha256"]) for one in facts.jobs
    ]
    takes = [
        (one["take"], f"roll {one['roll']} again" if one["roll"] else "first", one["readings"],
         one["name"], one["station"], moment(one["at"]), one["state"], one["sha256"])
        for one in facts.takes
    ]  # fmt: skip
    found = facts.readings
    evidence = [
        (_EVIDENCE[word], count) for word, count in found.evidence.items() if word in _EVIDENCE
    ]
    more = f"lot show {facts.name}"
    job_columns = (
        Column("job", 5, right=True),
        Column("labels", 12, right=True),
        Column("lanes", 7, right=True),
        Column("file", 26),
        Column("SHA-256 of the print file", 50),
    )
    take_columns = (
        Column("take", 5, right=True),
        Column("pass", 9),
        Column("readings", 10, right=True),
        Column("file", 16),
        Column("station", 12),
        Column("taken in (UTC)", 16),
        Column("state", 9),
        Column("SHA-256", 28),
    )
    span = (
        f"First read from {found.first} to {found.last}."
        if found.first
        else "No reading has a time."
    )
    return section(
        "Printed and inspected",
        table(job_columns, jobs, title="Print jobs", more=more) if jobs else _none("printed"),
        table(take_columns, takes, title="Results files", more=more) if takes else _none("read"),
        Say(span) if takes else None,
        table(
            (Column("what told which label a reading is of", 60), Column("labels", 20, right=True)),
            evidence,
        )
        if evidence
        else None,
    )


def _none(what: str) -> Say:
    return Say(f"Nothing was {what} yet.", "strong")


def found(facts: Facts) -> Section:
    """Findings: how many of which kind, when, in which lane and where."""
    counts: Counter[str] = Counter()
    still: Counter[str] = Counter()
    for _, word, state, count in facts.found:
        counts[word] += count
        still[word] += count * (state == "open")
    of = int((facts.web.row > 0).sum())
    rows = [
        (word, WORDS[word][0], counts[word], bad_percent(counts[word], of), still[word])
        for word in ORDER
        if counts[word]
    ]
    columns = (
        Column("finding", 18),
        Column("what it says", 46),
        Column("findings", 10, right=True),
        Column("% of printed", 12, right=True),
        Column("still open", 10, right=True),
    )
    bad = int((facts.marks > charts.NONE).sum())
    drawn = (
        charts.over_the_run(facts.marks, facts.web.row > 0, facts.readings.times),
        charts.by_lane(facts.marks, facts.web),
        charts.where(facts.marks, facts.web),
    )
    told = (
        f"{bad:,} of {many(of, 'printed label')} had a finding in some pass "
        f"({bad_percent(bad, of)} %); a label may have several. "
        "What became of each stands under Labels out of the lot."
    )
    return section(
        "Findings",
        Say(told if of else "Nothing was printed, so nothing was found."),
        table(columns, rows) if rows else None,
        *(Figure(sheet) for sheet in drawn if sheet and bad),
        Say(f"Each of them: label list {facts.name}; drawn: roll draw {facts.name}.", "soft"),
    )


def grades(facts: Facts) -> Section:
    """The in-line grades beside the lot's minimum, and what a verifier measured."""
    read, minimum = facts.readings, round(float(facts.lot["minimum_grade"]) * 10)
    graded, below = sum(read.grades), sum(read.grades[:minimum])
    sheet = charts.grades(read.grades, minimum)
    measured = [
        event["sentence"]
        for run in facts.runs
        for event in run["events"]
        if event["what"] == "grade"
    ]
    return section(
        "Grades",
        Say(
            f"In-line: {many(graded, 'label')} graded, {below:,} of them below {minimum / 10:.1f} "
            f"({bad_percent(below, graded)} %); {read.ungraded:,} read without a grade."
        ),
        Figure(sheet) if sheet else None,
        Say(f"{GRADE} ISO/IEC 15415 grades come from a verifier, on samples:"),
        *(Say(f"  {text}") for text in measured[:20]),
        Say("no verifier's grade was entered in a run (run grade).") if not measured else None,
        Say(f"{len(measured) - 20:,} more: run show {facts.name} RUN")
        if len(measured) > 20
        else None,
    )


def runs(facts: Facts) -> Section:
    """Runs with clearance, challenges, stops, clocks; and what the readers miss at most."""
    items, signed = list[Item](), facts.chronicle.signed
    for run in facts.runs:
        ended = f"ended {run['ended']}" if run["ended"] else "STILL OPEN"
        proven = "reader proven" if run["proven"] else "READER NOT PROVEN"
        title = f"Run {run['run']} at {run['station']}, since {run['since']}: {ended}, {proven}"
        rows = [
            (one["entry"], one["sentence"], people(signed[one["entry"]]))
            if one["entry"] in signed
            else (one["entry"], one["sentence"], "")
            for one in run["events"]
        ]
        columns = (
            Column("entry", 8, right=True),
            Column("what happened", 60),
            Column("signatures", 32),
        )
        more = f"run show {facts.name} {run['run']}"
        items.append(table(columns, rows, title=title, more=more))
    if not items:
        items.append(Say("No run was entered: nothing tells of clearance, challenges and stops."))
    told = facts.balance["challenges"]
    items += [Say(one["sentence"]) for one in told["runs"].values()]
    return section("Runs", *items, *_readers(facts))


def _readers(facts: Facts) -> Iterator[Item]:
    measured = facts.balance["challenges"]["reader"]
    if not measured:
        yield Say(
            "No reader was measured: nothing in the record bounds how many bad labels it misses "
            "(challenge make, challenge run)."
        )
        return
    rows = [
        (one["station"], one["kind"], one["tried"], one["caught"], one["missed"],
         f"{one['bound_percent']} %" if one["bound_percent"] else "no bound")
        for one in measured
    ]  # fmt: skip
    columns = (
        Column("station", 20),
        Column("kind of bad label", 24),
        Column("tried", 9, right=True),
        Column("caught", 9, right=True),
        Column("missed", 9, right=True),
        Column("misses at most, at 95 % confidence", 24, right=True),
    )
    loud = [number for number, one in enumerate(measured) if one["missed"]]
    yield table(columns, rows, title="The readers, measured with bad labels", loud=loud)
    yield Say("The bound holds for labels like those shown, each tried for itself.", "soft")


def alarms(facts: Facts) -> Section:
    """Alarms and what people said of them."""
    rows, loud = list[tuple[object, ...]](), list[int]()
    for one in facts.alarms:
        if one["state"] == "open":
            loud.append(len(rows))
        lane = f", lane {one['lane']}" if one["lane"] else ""
        where = f"{stretch(one['first'], one['last'])}{lane}" if one["first"] else "no place"
        said = "NOT ACKNOWLEDGED"
        if one["acknowledged"]:
            said = f"{one['cause']}; restart check: {one['restart_check']}"
            said += f"; {held}" if (held := held_words(one)) else ""
        who = f"{one['person']}, {moment(one['acknowledged'])}" if one["person"] else ""
        review = one["reviewed"]
        seen = f"{review['reviewer']}, {moment(review['at'])}" if review else "not reviewed"
        rows.append(
            (
                one["id"],
                means(one["kind"]),
                one["labels"],
                where,
                moment(one["raised"]),
                said,
                who,
                seen,
            )
        )
    columns = (
        Column("no.", 4, right=True),
        Column("what", 19),
        Column("labels", 7, right=True),
        Column("positions", 11),
        Column("raised (UTC)", 13),
        Column("cause and restart check", 23),
        Column("acknowledged by", 13),
        Column("reviewed by", 11),
    )
    if not rows:
        return section("Alarms", Say("No alarm was raised."))
    return section("Alarms", table(columns, rows, more=f"alarm list {facts.name}", loud=loud))


def out(facts: Facts) -> Section:
    """Labels that are not simply good: how each is known to have left the web."""
    if not facts.outs.total:
        return section("Labels out of the lot", Say("Every printed and read label is good."))
    summary = [(*key, count) for key, count in sorted(facts.outs.counts.items())]
    shown = (
        Column("state", 18),
        Column("reason", 22),
        Column("how it is known that they left the web", 44),
        Column("labels", 12, right=True),
    )
    loud = [number for number, row in enumerate(summary) if row[2] not in (ABSENT, CUT)]
    columns = (
        Column("position", 9, right=True),
        Column("number", 15),
        Column("job, row, lane", 12),
        Column("state", 14),
        Column("reason", 14),
        Column("how it is known that it left", 36),
    )
    rows = (
        (one.position, one.serial, f"{one.job}, {one.row:,}, {one.lane}", one.state, one.reason,
         one.told + (f"; replaced by position {one.spare:,}" if one.spare else ""))
        for one in facts.outs.rows
    )  # fmt: skip
    more = f"label list {facts.name} --state doubtful (or voided, decommissioned)"
    return section(
        "Labels out of the lot",
        Say(
            "Printed labels that were rejected, voided or decommissioned, good ones that left the "
            "web, and those that were looked for and not seen; not those that left as good "
            "(exported, returned). A cut is entered with roll removed; reading a roll again proves "
            "absence."
        ),
        table(shown, summary, loud=loud),
        table(columns, rows, title="Each of them", total=facts.outs.total, more=more),
        _replaced(facts),
    )


def _replaced(facts: Facts) -> Table | None:
    rows = [
        (one["bad"], one["spare"], one["roll"], moment(one["at"]), one["by"], one["reason"])
        for one in facts.replacements
    ]
    if not rows:
        return None
    columns = (
        Column("bad label", 10, right=True),
        Column("spare in its place", 14, right=True),
        Column("roll", 7, right=True),
        Column("when (UTC)", 17),
        Column("by", 20),
        Column("reason", 32),
    )
    more = f"roll show {facts.name} ROLL"
    return table(columns, rows, title="Replaced labels, by position", more=more)


def rolls(facts: Facts) -> Section:
    """Rolls, further passes, and what those proved."""
    rows, loud = list[tuple[object, ...]](), list[int]()
    for one in facts.rolls:
        if one["missing"] and one["state"] != "slit":
            loud.append(len(rows))
        done = facts.chronicle.rolls.get(one["roll"])
        freed = f"released: {people(done)}" if done else one["state"]
        missing = f"; {one['missing']:,} still missing" if one["missing"] else ""
        lane = f"lane {one['lane']}" if one["lane"] else "all lanes"
        where = f"job {one['job']}, rows {one['rows'][0]:,} to {one['rows'][1]:,}, {lane}"
        rows.append((one["roll"], one["parent"], where, one["labels"], one["gone"],
                     one["expected"], freed + missing))  # fmt: skip
    columns = (
        Column("roll", 6, right=True),
        Column("of roll", 7, right=True),
        Column("where", 30),
        Column("labels", 9, right=True),
        Column("gone", 8, right=True),
        Column("expected", 10, right=True),
        Column("state", 30),
    )
    more = f"roll list {facts.name}"
    named = table(columns, rows, more=more, loud=loud) if rows else None
    return section(
        "Rolls, further passes and proofs of absence",
        named or Say("No roll was named."),
        _again(facts),
        Say(f"Proven by further passes: {_proofs(facts)}."),
        *(_drawn(facts)),
    )


def _proofs(facts: Facts) -> str:
    words = {word: count for word, count in facts.proofs.items() if count}
    return ", ".join(f"{word.replace('_', ' ')} {n:,}" for word, n in sorted(words.items())) or (
        "nothing; no roll was read again"
    )


def _again(facts: Facts) -> Table | None:
    rows = []
    for one in facts.takes:
        told = facts.chronicle.again.get(one["take"])
        if told is not None:
            said = ", ".join(f"{name.replace('_', ' ')} {told[name]:,}" for name in told)
            rows.append((one["take"], one["roll"], one["readings"], moment(one["at"]), said))
    if not rows:
        return None
    columns = (
        Column("take", 6, right=True),
        Column("roll", 6, right=True),
        Column("readings", 10, right=True),
        Column("taken in (UTC)", 18),
        Column("what it said", 60),
    )
    return table(columns, rows, title="Rolls that were read again", more=f"lot show {facts.name}")


def _drawn(facts: Facts) -> Iterator[Item]:
    if facts.drawings:
        yield Say(
            "What is still doubtful on the web is drawn on the next pages, three sheets of a print "
            f"job at most; all of it, to scale: roll draw {facts.name} --out roll.svg --sheets 0",
            "soft",
        )
        yield from (Figure(sheet, caption, across=True) for caption, sheet in facts.drawings)
        return
    if facts.jobs:
        yield Say(
            "Too many labels to draw here one by one; where the doubtful ones stand is shown under "
            f"Findings. To scale, sheet by sheet: roll draw {facts.name} --out roll.svg",
            "soft",
        )
