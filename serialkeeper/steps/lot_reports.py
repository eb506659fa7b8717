"""The lot report: one file for the batch record, and a signed checkpoint of the same look."""

from __future__ import annotations

import json
from contextlib import ExitStack
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from serialkeeper.outside import signing
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import drawing, page_html, pages, runs
from serialkeeper.rules.chain import HOUSE, written
from serialkeeper.rules.checkpoints import Checkpoint
from serialkeeper.rules.chronicle import Chronicle
from serialkeeper.rules.figures import Sheet
from serialkeeper.rules.report import document
from serialkeeper.rules.report_facts import Facts, Made, Protection
from serialkeeper.rules.strips import make_strips, shown_in
from serialkeeper.store import balances, checkpoints, lot_report, lots
from serialkeeper.store.destinations import destinations_of, documents_of
from serialkeeper.store.holds import all_holds
from serialkeeper.store.plans import all_in_short
from serialkeeper.store.record import Record
from serialkeeper.store.reviews import alarms_of, reviews_of, to_review
from serialkeeper.store.runs import events_of
from serialkeeper.store.tables import Lot
from serialkeeper.store.telling import last_telling
from serialkeeper.store.view import View, key_of
from serialkeeper.store.webs import Part, serials_at, stretch_of

DRAWN = 20_000
"""Labels of a print job up to which its web is drawn label by label."""

SHEETS = 3
"""Sheets of a drawing, at most; the command that draws all of them is told."""


def write(
    record: Record, name: str, *, out: Path, paper: str = "A4", key: Path | None = None
) -> dict[str, Any]:
    """Write what the record knows of a lot as one file, for the batch record.

    Everything in it is of one look. With a key a checkpoint of the whole record is taken in the
    same look, signed, written beside the report as `FILE.checkpoint.json`, and printed in it.

    Args:
        out: the file, `.pdf` or `.html`.
        paper: `A4` or `Letter`.
        key: the file with the key that signs checkpoints; None for no checkpoint.

    Refuses `bad_value`, `file_exists`, `file_missing`, `lot_unknown`, `lot_ambiguous`,
    `role_not_allowed`, `token_narrow`.

    Returns:
        lot, gtin, state, file, form, paper, sha256, size, pages (None for HTML), entries and head
        of the lot's chain that the report tells, and checkpoint: what is printed of it; None
        without a key.
    """
    form = pages.check_form(out.name, out.suffix, paper)
    record.check_may("lot reported")
    signer = None
    if key:
        record.check_may("checkpoint made")
        signer = signing.read_key(key)
    beside = out.with_name(f"{out.name}.checkpoint.json")
    with ExitStack() as stack:
        report = stack.enter_context(Delivery(out))
        signed = stack.enter_context(Delivery(beside)) if signer else None
        with record.read() as view:
            lot = view.lot(name)
            taken = _take(view, record, signer, key) if signer and key else None
            told = _told(lot, taken, signer, beside) if taken and signer else None
            facts = _facts(view, record, lot, told)
        data, count = _written(facts, form, paper)
        report.write(data)
        made = {"form": form, "name": out.name, "sha256": report.sync(), "size": len(data)}
        if signed and taken and signer:
            signed.write(taken.signed(signer))
            signed.sync()
            signed.deliver()
        _journal(record, lot, made, taken, told, beside)
        report.deliver()
    chain = facts.lot["chain"]
    answer: dict[str, Any] = {
        "lot": lot.number,
        "gtin": lot.gtin,
        "state": lot.state,
        "file": str(out),
    }
    answer |= {name: made[name] for name in ("form", "sha256", "size")}
    answer |= {"paper": paper, "pages": count, "entries": chain["entries"], "head": chain["head"]}
    return {**answer, "checkpoint": {**told, "file": str(beside)} if told else None}


def made(record: Record, name: str) -> dict[str, Any]:
    """The reports of a lot that were made, the newest first.

    Refuses `lot_unknown`, `lot_ambiguous`.

    Returns:
        lot, gtin, state, entries and head of its chain, and made: entry, at, person, name, form,
        size and sha256 of each.
    """
    with record.read() as view:
        lot = view.lot(name)
        chain = view.chain(key_of(lot))
        there = [
            {
                **{"entry": entry.seq, "at": entry.at, "person": entry.person},
                **{key: entry.data[key] for key in ("name", "form", "size", "sha256")},
            }
            for entry in view.entries(key_of(lot), verbs=("lot reported",))
        ]
        told = {"lot": lot.number, "gtin": lot.gtin, "state": lot.state}
        return {**told, "entries": chain.count, "head": chain.head.hex(), "made": there[::-1]}


def _take(view: View, record: Record, signer: Ed25519PrivateKey, key: Path) -> Checkpoint:
    """A checkpoint of this look, if the record names the key. Refuses `bad_value`."""
    checkpoints.check_named(view, signing.public_half(signer), str(key))
    return checkpoints.take(view, checkpoints.generation_of(view), written(record.now()))


def _told(lot: Lot, taken: Checkpoint, signer: Ed25519PrivateKey, beside: Path) -> dict[str, Any]:
    """What of a checkpoint is printed in the report."""
    mark = taken.mark(key_of(lot))
    if mark is None:
        raise LookupError(f"the checkpoint does not tell of {lot.full_name}")
    return {
        "record": taken.record,
        "generation": taken.generation,
        "at": taken.at,
        "count": mark.count,
        "head": mark.head,
        "root": mark.root,
        "file": beside.name,
        "sha256": sha256(taken.signed(signer)).hexdigest(),
        "public_key": signing.public_half(signer),
        "signature": signer.sign(taken.body()).hex(),
    }


def _journal(
    record: Record,
    lot: Lot,
    made: dict[str, Any],
    taken: Checkpoint | None,
    told: dict[str, Any] | None,
    beside: Path,
) -> None:
    """Say in the journal what was written; an unsaid checkpoint does not stay."""
    key = key_of(lot)
    try:
        with record.work(key, *([HOUSE] if taken else [])) as work:
            more = {"checkpoint": told["sha256"]} if told else {}
            work.write(key, "lot reported", {**made, **more})
            if taken and told:
                checkpoints.note(work, taken, told["sha256"])
    except BaseException:
        if taken:
            beside.unlink(missing_ok=True)
        raise


def _written(facts: Facts, form: str, paper: str) -> tuple[bytes, int | None]:
    """The report's bytes, and its pages where it has any."""
    if form == "html":
        return "".join(page_html.html(document(facts), paper)).encode(), None
    from serialkeeper.outside import page_papers

    return page_papers.pdf(document(facts), paper)


def _facts(view: View, record: Record, lot: Lot, told: dict[str, Any] | None) -> Facts:
    """Everything that the report is made of, from one look."""
    key = key_of(lot)
    left = to_review(view, lot)
    chronicle = Chronicle()
    for entry in view.entries(key):
        chronicle.read(entry)
    web, last = lot_report.web_of(view, lot), last_telling(view, lot)
    alarms = alarms_of(view, lot)
    departed = {
        ("voided" if letter == "x" else "decommissioned", reason): count
        for (letter, reason), count in view.count_departures(key).items()
    }
    return Facts(
        made=_made(view, record),
        product=view.product_of(lot).name,
        lot={
            **lots.describe(view, lot),
            "to_review": {"groups": len(left), "critical": sum(one.critical for one in left)},
        },
        balance=balances.describe(view, lot, balances.balance_of(view, lot)),
        chronicle=chronicle,
        departures=departed,
        found=lot_report.found_of(view, lot),
        marks=lot_report.marks_of(view, lot),
        web=web,
        readings=lot_report.readings_of(view, lot, partial(record.seen, "labels")),
        jobs=[
            {"job": j.id, "count": j.count, "lanes": j.lanes, "name": j.name, "sha256": j.sha256}
            for j in view.jobs(key)
        ],
        takes=[
            {"take": t.id, "roll": t.roll, "readings": t.readings, "name": t.name,
             "station": t.station, "at": t.at, "state": t.state, "sha256": t.sha256}
            for t in view.takes(key)
        ],
        rolls=all_in_short(view, lot),
        alarms=alarms,
        runs=_runs(view, lot),
        holds=[one.describe() for one in all_holds(view, key, lifted=True)],
        packs=lot_report.packs_by_state(view, lot),
        reviews=reviews_of(view, key),
        proofs=lot_report.proofs_of(view, lot),
        outs=lot_report.outs_of(view, lot, web),
        telling=last.seq if last else 0,
        documents=[
            (to.name, one)
            for to in destinations_of(view)
            for one in documents_of(view, key, to.id)
        ],
        recoveries=lot_report.recoveries_of(view, lot),
        replacements=[
            {"bad": one.bad, "spare": one.spare, "roll": one.roll, "at": one.at, "by": one.by,
             "reason": one.reason}
            for one in view.replacements(key)
        ],
        drawings=_drawings(view, record, lot),
        protection=_protection(view, told),
    )  # fmt: skip


def _made(view: View, record: Record) -> Made:
    return Made(
        at=record.now().isoformat(timespec="seconds"),
        person=record.person,
        role=record.role,
        station=record.station,
        practice=record.practice,
        record=view.hash_at(HOUSE, 1).hex(),
        generation=checkpoints.generation_of(view),
    )


def _runs(view: View, lot: Lot) -> list[dict[str, Any]]:
    """The lot's runs, each with everything that happened in it."""
    events = events_of(view, key_of(lot))
    told: dict[int, list[dict[str, Any]]] = {}
    for one in events:
        sentence = runs.sentence(one, json.loads(one.detail) if one.detail else {})
        row = {"entry": one.seq, "what": one.word, "outcome": one.outcome, "sentence": sentence}
        told.setdefault(one.run, []).append(row)
    return [{**one.describe(), "events": told[one.run]} for one in runs.standings(events)]


def _protection(view: View, told: dict[str, Any] | None) -> Protection:
    before = checkpoints.unprotected(view)
    return Protection(
        checkpoint=told,
        custodian=view.setting("custodian"),
        since=before["since"] or "",
        later=before["entries"],
    )


def _drawings(view: View, record: Record, lot: Lot) -> list[tuple[str, Sheet]]:
    """The web of each job, drawn label by label, if all of them together are not too many."""
    jobs = view.jobs(key_of(lot))
    if not jobs or sum(job.count for job in jobs) > DRAWN:
        return []
    drawn = []
    for job in jobs:
        _, stretch = stretch_of(view, lot, Part(job.id))
        if not stretch.doubts:
            continue
        strips = make_strips(stretch, drawing.PAPERS["A4"][0] - 2 * drawing.MARGIN)
        chain = view.chain(key_of(lot))
        scene = drawing.Scene(
            lot=lot.number,
            gtin=lot.gtin,
            product=view.product_of(lot).name,
            web=f"print job {job.id}",
            head=f"journal entry {chain.count}, head {chain.head.hex()}",
            drawn="",
            pitch=0,
            practice=record.practice,
            paper="A4",
            sheets=SHEETS,
            serials=serials_at(view, lot, shown_in(strips, stretch)),
        )
        sheets, _ = drawing.draw(stretch, scene)
        drawn += [(f"Print job {job.id}, doubtful labels.", sheet) for sheet in sheets]
    return drawn
