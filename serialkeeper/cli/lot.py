"""`lot`: from opening to closing."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import FINDINGS, alone, answer, call, tally
from serialkeeper.cli.product import layout_lines, pack_lines
from serialkeeper.rules import retention
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import TERMS, WITNESSED, many
from serialkeeper.rules.holds import sentence
from serialkeeper.rules.imported import count_of as import_count
from serialkeeper.rules.runs import line as run_line
from serialkeeper.rules.serials import EXPECTED_REJECTS
from serialkeeper.steps import discarding, holding, lots, reconciliation

app = typer.Typer(help="Lots, from opening to closing; what is told of them afterwards.")
LotName = Annotated[str, typer.Argument(help="Lot number, or GTIN/LOT.")]
LONGEST_TYPED = 2_000
"""Characters of positions that a line tells to type."""

SET_ASIDE = {
    "destroyed": "cut out and destroyed",
    "specimens": "kept as specimens",
    "samples": "taken as samples",
}
"""Lines of both ledgers that somebody has to count, and what is counted."""

Second = Annotated[str, typer.Option(help="The second person who confirms it.")]


@app.command("open")
def open_(
    gtin: Annotated[str, typer.Argument(help="The product's GTIN.")],
    number: Annotated[str, typer.Argument(metavar="LOT", help="Lot number as on the label.")],
    expiry: Annotated[
        datetime, typer.Option(formats=["%Y-%m-%d"], help="Expiry, a real day: YYYY-MM-DD.")
    ],
    target: Annotated[int, typer.Option(help="Good labels wanted.")],
    commission_at: Annotated[
        str, typer.Option(help="'web', or 'application' if labels count only on the pack.")
    ] = "web",
    market: Annotated[str, typer.Option(help="Market, for the lot's papers.")] = "",
    artwork: Annotated[str, typer.Option(help="Artwork version, for the lot's papers.")] = "",
    group_limit: Annotated[int, typer.Option(help="Most units in one event.")] = lots.GROUP_LIMIT,
    location: Annotated[
        str, typer.Option(metavar="GLN", help="Where it is worked on; its events name it.")
    ] = "",
    order: Annotated[
        str,
        typer.Option(metavar="URI", help="Its production order; events tell of printing then."),
    ] = "",
) -> None:
    """Open a lot."""
    result = lots.open_lot(
        call.record(),
        gtin,
        number,
        expiry=date(expiry.year, expiry.month, expiry.day),
        target=target,
        commission_at=commission_at,
        market=market,
        artwork=artwork,
        group_limit=group_limit,
        location=location,
        order=order,
    )
    answer(
        result,
        [
            f"Lot {number} of {result['gtin']} is open as a draft, expiry {result['expiry']}.",
            f"  For {target:,} good labels allocate {result['advice']:,}: enough in 95 of 100 lots "
            f"at {EXPECTED_REJECTS:.0%} rejects.",
            *_advice_lines(result),
            f"  Next: a second person approves it: serialkeeper lot approve {number} --second NAME",
        ],
    )


def _advice_lines(result: dict[str, Any]) -> list[str]:
    beside = result["history"]
    return [f"  History (it changes no advice): {beside['sentence']}."] if beside else []


@app.command()
def approve(name: LotName, second: Second = "") -> None:
    """Approve a draft; its facts are frozen from then on."""
    record = call.record(second=second)
    result = lots.approve(record, name, second=second)
    answer(
        result,
        [
            f"Lot {result['lot']} is approved{alone(record, second)}; its facts are frozen.",
            *_lines(result),
            *_advice_lines(result),
            f"  Next: serialkeeper serials allocate {result['lot']} {result['advice']}",
        ],
    )


@app.command()
def discard(
    name: LotName, reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")]
) -> None:
    """Discard a lot that was opened by mistake, as long as it has no numbers."""
    result = discarding.discard(call.record(), name, reason=reason)
    answer(
        result,
        [
            f"Lot {result['lot']} of {result['gtin']} is discarded: {result['reason']}",
            "  It stays in the record. Opened again, with the right facts: serialkeeper lot open",
        ],
    )


@app.command()
def decide(
    name: LotName,
    decision: Annotated[str, typer.Argument(help="'released' or 'refused'.")],
    on: Annotated[datetime, typer.Option(formats=["%Y-%m-%d"], help="Day of the decision.")],
    by: Annotated[str, typer.Option(help="Who decided, as printed on the decision.")],
    reference: Annotated[str, typer.Option(help="The paper that says so.")] = "",
    reason: Annotated[str, typer.Option(help="Why there is another decision.")] = "",
) -> None:
    """Record what the quality unit decided; nothing is released by this program."""
    day = date(on.year, on.month, on.day)
    record = call.record()
    result = lots.decide(record, name, decision, on=day, by=by, reference=reference, reason=reason)
    answer(
        result,
        [
            f"Lot {result['lot']}: {retention.decision_sentence(result['decision'])}",
            f"  {retention.sentence(result['keep'])}",
            *(f"  STILL HELD: {sentence(one)}" for one in result["on_hold"]),
            *(
                [f"  STILL TO BE REVIEWED: {result['unreviewed']:,}: review list {result['lot']}"]
                if result["unreviewed"]
                else []
            ),
            f"  {CAUTION}",
        ],
    )
    if result["on_hold"] or result["unreviewed"]:
        raise typer.Exit(FINDINGS)


@app.command("list")
def list_() -> None:
    """Show all lots; the labels of closed ones are not counted."""
    rows = lots.all_lots(call.record())
    answer(
        rows,
        [
            f"{row['gtin']}/{row['lot']:20} {row['state']:11} expiry {row['expiry']}  "
            + (many(row["allocated"], "label") if row["states"] is None else tally(row["states"]))
            + f", {many(len(row['on_hold']), 'open hold')}" * bool(row["on_hold"])
            for row in rows
        ]
        or ["No lot yet."],
    )


_MOST_SIGNED = 50
"""Signatures of a lot that a terminal shows, the newest ones."""


@app.command()
def show(name: LotName) -> None:
    """Show one lot."""
    result = lots.show(call.record(), name)
    signed, gone = result["signatures"], result["discarded"]
    before = len(signed) - _MOST_SIGNED
    answer(
        result,
        [
            f"Lot {result['lot']} of {result['gtin']}: {result['state']}",
            *([f"  by {gone['by']} {gone['at']}: {gone['reason']}"] if gone else []),
            *_lines(result),
            *(
                f"  {one['verb']} {one['at']}: {one['person']}, {one['role']}: {one['meaning']}"
                + " (practice)" * one["practice"]
                for one in signed[-_MOST_SIGNED:]
            ),
            *[f"  and {many(before, 'signature')} before these: --json"] * (before > 0),
            *_review_lines(result),
        ],
    )


def _review_lines(result: dict[str, Any]) -> list[str]:
    left = result["to_review"]
    if not left["groups"]:
        return []
    return [
        f"  to be reviewed: {many(left['groups'], 'group')}, critical: {left['critical']:,}; "
        f"serialkeeper review list {result['lot']}"
    ]


def _lines(row: dict[str, Any]) -> list[str]:
    return [
        *(f"  held: {sentence(one)}" for one in row["on_hold"]),
        f"  expiry {row['expiry']}, target {row['target']:,}, allocated {row['allocated']:,}"
        + f", {row['to_come']:,} announced and still to come" * bool(row["to_come"]),
        *layout_lines(row),
        f"  labels: {tally(row['states'])}",
        *pack_lines(row["packs"]),
        *([f"  packed: {row['packed']:,}"] if row["packs"] else []),
        *(
            [f"  shipped: {many(row['shipped']['packs'], 'pack')}, last {row['shipped']['last']}"]
            if row["shipped"]
            else []
        ),
        *([f"  {retention.decision_sentence(row['decision'])}"] if row["decision"] else []),
        f"  {retention.sentence(row['keep'])}",
        *(
            f"  imported: {import_count(i)} of {i['issuer'] or i['name']}, positions from "
            f"{i['first']}" + (f", usable until {i['usable_until']}" if i["usable_until"] else "")
            for i in row["imports"]
        ),
        *(
            f"  print job {j['job']}: {many(j['count'], 'label')}, {many(j['lanes'], 'lane')}, "
            f"{j['name']}"
            for j in row["jobs"]
        ),
        *(
            f"  take {t['take']}: {many(t['readings'], 'reading')} from {t['name']}, {t['state']}"
            for t in row["takes"]
        ),
        *(f"  {run_line(one)}" for one in row["runs"]),
        f"  journal: {many(row['chain']['entries'], 'entry', 'entries')}, head "
        f"{row['chain']['head']}",
    ]


@app.command(context_settings={"ignore_unknown_options": True})
def count(
    name: LotName,
    term: Annotated[str, typer.Argument(help=f"One of: {', '.join(TERMS)}.")],
    value: Annotated[
        int, typer.Argument(help="Labels; counts of one term add up, a correction is negative.")
    ],
    witness: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="Who saw the destruction; signs for it with a password too."
        ),
    ] = "",
    reason: Annotated[str, typer.Option(help="Why, for a correction (a negative count).")] = "",
) -> None:
    """Enter a count."""
    record = call.record(second=witness if term in WITNESSED else "")
    result = reconciliation.count(record, name, term, value, witness=witness, reason=reason)
    lines = [f"{TERMS[term]}: {value:+,}, {result['total']:,} in all."]
    if 0 < value < result["total"]:
        lines.append(
            f"  It was counted before ({result['total'] - value:,}). If this was the same count "
            f"again: serialkeeper lot count {result['lot']} {term} -{value} --reason TEXT"
        )
    answer(result, lines)


@app.command()
def reconcile(
    name: LotName,
    hold: Annotated[
        bool, typer.Option("--hold", help="Say which stretches of web have to be held instead.")
    ] = False,
    pitch: Annotated[
        float, typer.Option(metavar="MM", min=0, help="With --hold: from label to label.")
    ] = 0,
) -> None:
    """Compare counted labels with numbers by state.

    With --hold: where every number that is not accounted for could be; 5 if there is one.
    """
    if hold:
        found = holding.hold(call.record(), name, pitch=pitch)
        answer(found, _hold_lines(found))
        if found["holds"]:
            raise typer.Exit(FINDINGS)
        return
    result = reconciliation.reconcile(call.record(), name)
    answer(result, balance_lines(result))
    if not result["balanced"]:
        raise typer.Exit(FINDINGS)


def _hold_lines(found: dict[str, Any]) -> list[str]:
    """The smallest hold for people: each number with its places, then the stretches to hold."""
    lines = []
    for one in found["numbers"]:
        listed = f", position {one['positions']}" if one["positions"] else ""
        lines.append(f"{one['why']}: {many(one['count'], 'number')}{listed}")
        if one["numbers"]:
            lines.append(f"  {', '.join(one['numbers'][:8])}{' ...' if one['count'] > 8 else ''}")
        for place in one["places"]:
            before, after = place["proven_before"], place["proven_after"]
            lines.append(f"  {_stretch(place)}")
            lines.append(
                f"    proven last: {_beside(before, 'start')}; proven next: {_beside(after, 'end')}"
            )
    if not found["holds"]:
        return [f"Nothing to hold: every printed label is accounted for ({found['labels']:,})."]
    lines.append(f"Hold {found['held']:,} of {many(found['labels'], 'printed label')}:")
    lines += [f"  {_stretch(place)}" for place in found["holds"]]
    lines.append(
        f"The other {found['free']:,} cannot hold any of these numbers, as far as readings tell; "
        "what was rejected is another matter (roll pulls)."
    )
    where = found["place"]
    if len(where) > LONGEST_TYPED:
        where = "@FILE"
        lines.append("FILE holds the positions in 'place' of the same answer with --json:")
    lines.append(
        f"  Next: serialkeeper hold place {found['gtin']}/{found['lot']} --positions {where} "
        "--reason TEXT --case REF"
    )
    return [*lines, CAUTION]


def _stretch(place: dict[str, Any]) -> str:
    rows = (
        f"row {place['first_row']}"
        if place["first_row"] == place["last_row"]
        else f"rows {place['first_row']} to {place['last_row']}"
    )
    text = f"job {place['job']}, lane {place['lane']}, {rows} ({many(place['labels'], 'label')})"
    if place["from_metres"] is not None:
        text += f", {place['from_metres']:.2f} to {place['to_metres']:.2f} m by pitch"
    return text


def _beside(one: dict[str, Any] | None, end: str) -> str:
    return f"position {one['position']}, {one['number']}" if one else f"the {end} of the web"


def balance_lines(result: dict[str, Any]) -> list[str]:
    """A reconciliation for people."""
    lines = [f"{'':14}{'labels':>12}{'numbers':>12}"]
    for line in result["lines"]:
        labels = "not counted" if line["labels"] is None else f"{line['labels']:,}"
        mark = "" if line["agrees"] else "   differs"
        lines.append(f"{line['name']:14}{labels:>12}{line['numbers']:>12,}{mark}")
    if result["stock"]:
        lines.append(f"blank stock: {tally(result['stock'])}")
    left = next(line["labels"] for line in result["lines"] if line["name"] == "unaccounted")
    if (left or 0) < 0 or (result["stock"] or {}).get("unaccounted", 0) < 0:
        lines.append(
            "  Below zero: more was counted out than was counted in. A count is wrong, or was "
            "given twice (counts of one term add up). A negative count with --reason puts it right."
        )
    share = result["accounted_percent"]
    known = f"{share} % of the printed" if share else "not known before labels are counted"
    lines.append(
        f"allocated {result['allocated']:,}, never printed {result['never_printed']:,}, "
        f"accounted for: {known}"
    )
    proof = result["challenges"]
    lines += [row["sentence"] for row in (*proof["runs"].values(), *proof["reader"])]
    if packs := result["packs"]:
        lines.append(
            f"commissioned {packs['commissioned']:,}: packed {packs['packed']:,}, loose "
            f"{packs['loose']:,}"
        )
        lines += [f"part {one['level']} {one['key']}: {one['held']:,}" for one in packs["part"]]
    if beside := result.get("history"):
        lines.append(f"beside others (it decides nothing): {beside['sentence']}")
    lines += [f"held: {sentence(one)}" for one in result["on_hold"]]
    lines += [f"open: {point}" for point in result["open_points"]]
    lines.append("Both ledgers agree." if result["balanced"] else "The lot is not balanced.")
    if result["open_points"]:
        lines.append(f"  Next: serialkeeper label list {result['lot']} --state doubtful")
    for term, name in (("printer_counter", "printed"), ("rewind_counter", "good")):
        if next(line for line in result["lines"] if line["name"] == name)["labels"] is None:
            lines.append(f"  Next: serialkeeper lot count {result['lot']} {term} N")
    for line in result["lines"]:
        if line["name"] in SET_ASIDE and line["labels"] < line["numbers"]:
            witness = " --witness NAME" if line["name"] in WITNESSED else ""
            lines.append(
                f"  Next: count what was {SET_ASIDE[line['name']]}: serialkeeper lot count "
                f"{result['lot']} {line['name']} N{witness}"
            )
    return lines


@app.command()
def reopen(
    name: LotName,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")],
    second: Second = "",
) -> None:
    """Open a closed lot again."""
    result = lots.reopen(call.record(second=second), name, reason=reason, second=second)
    answer(
        result,
        [
            f"Lot {result['lot']} is open again: {result['reason']}",
            "  It is reconciled, reviewed and closed anew.",
            CAUTION,
        ],
    )


@app.command()
def close(
    name: LotName,
    explanation: Annotated[str, typer.Option(help="Why the ledgers differ.")] = "",
    investigation: Annotated[str, typer.Option(help="The investigation's reference.")] = "",
    second: Second = "",
) -> None:
    """Close a lot whose ledgers agree, or with an explanation."""
    result = reconciliation.close(
        call.record(second=second),
        name,
        explanation=explanation,
        investigation=investigation,
        second=second,
    )
    answer(
        result,
        [
            *balance_lines(result),
            f"Lot {result['lot']} is closed. Journal head {result['head']}",
            "Keep the head on paper: it proves the lot's history. This is no release; "
            "the quality unit decides.",
            CAUTION,
        ],
    )
