"""Proving the reader: sets of labels that are bad on purpose, and what the reader made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from serialkeeper.errors import Damaged, Refused
from serialkeeper.outside import camera, devices
from serialkeeper.outside.files import Delivery
from serialkeeper.rules import challenges, findings, gs1, profiles, rights, runs
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.challenges import MISSED, OUTCOMES, BadLabel
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.readers import in_doubt
from serialkeeper.rules.results import CLOCKS_APART, Interpretation, Plan
from serialkeeper.store.challenge_tables import Challenge, ChallengeRun
from serialkeeper.store.challenges import (
    Planted,
    measured,
    next_number,
    numbers_of,
    planted,
    proof_of,
)
from serialkeeper.store.record import Record, Work
from serialkeeper.store.runs import hold_after_failure, open_run
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def make(
    record: Record,
    name: str,
    *,
    out: Path,
    kinds: Sequence[str] = (),
    each: int = challenges.EACH,
) -> dict[str, Any]:
    """Write the print data of a set of labels that are bad on purpose.

    Args:
        out: the file to make.
        kinds: some of `rules.challenges.KINDS`; all of them for none.
        each: trials of each kind; a repeat is a pair of labels.

    Refuses `bad_value`, `lot_state`, `file_exists`.

    Returns:
        lot, challenge (its number), kinds, each, labels, file, sha256.
    """
    chosen = challenges.check_set(kinds, each)
    with record.read() as view:
        lot = view.lot(name)
    with Delivery(out) as file:
        with record.work(key_of(lot)) as work:
            lot, key = work.lot(lot.full_name), key_of(lot)
            check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
            first = next_number(work, lot)
            labels = numbers_of(work, lot).labels(chosen, each, first)
            file.write(camera.table(pl.DataFrame([_printed(one, lot) for one in labels])))
            data = {
                "id": len(work.challenges(key)) + 1,
                "kinds": " ".join(chosen),
                "each": each,
                "first": first,
                "name": out.name,
                "sha256": file.sync(),
            }
            work.write(key, "challenge made", data)
        file.deliver()
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        "challenge": data["id"],
        "kinds": list(chosen),
        "each": each,
        "labels": len(labels),
        "file": str(out),
        "sha256": data["sha256"],
    }


def again(record: Record, name: str, number: int, *, out: Path) -> dict[str, Any]:
    """Write a set's file once more: the same bytes. Nothing is changed.

    Refuses `challenge_unknown`, `file_exists`; raises Damaged `table_differs` if they are not.

    Returns:
        lot, challenge, file, sha256.
    """
    told = show(record, name, number)
    with Delivery(out) as file:
        file.write(camera.table(pl.DataFrame(told["labels"])))
        sha256 = file.sync()
        if sha256 != told["sha256"]:
            raise Damaged(
                "table_differs",
                "The set is not what it was when it was made.",
                where=f"lot {told['lot']}, challenge set {number}",
                expected=f"SHA-256 {told['sha256']}",
                came=f"SHA-256 {sha256}",
                remedy="Check the record: record verify. Make another set.",
            )
        file.deliver()
    return {"lot": told["lot"], "challenge": number, "file": str(out), "sha256": sha256}


def _printed(label: BadLabel, lot: Lot) -> dict[str, Any]:
    order = tuple(lot.ai_order.split())
    told = challenges.printed(
        label.kind, label.code, order, layout_of(lot.layout), lot.minimum_grade
    )
    return {"number": label.number, **told}


# -- a set is shown to the reader ----------------------------------------------------------------


@dataclass(frozen=True)
class _Scene:
    """The set that a reader is shown; `profile` is the camera profile's name and text."""

    lot: Lot
    key: LotKey
    row: Challenge
    labels: list[BadLabel]
    plan: Plan
    profile: tuple[str, str]


def run(
    record: Record, name: str, number: int, path: Path, *, when: str, profile: str = ""
) -> dict[str, Any]:
    """Take in what a reader made of a challenge set, and say what it caught.

    The readings stand in the order of the set; they are judged by the rules for every other
    label. The same bytes again change nothing.

    Args:
        name, number: the lot and the set.
        path: the results file.
        when: one of `rules.challenges.OCCASIONS`.
        profile: the camera profile, as for `inspection.take`.

    Refuses what `outside.devices.read` and `rules.results` refuse of a file, and
    `challenge_unknown`, `challenge_count`, `results_name_taken`, `results_claimed`, `lot_state`.

    Returns:
        What `show` gives of a run, lot, challenge, already_run.
    """
    challenges.check_occasion(when)
    source = camera.Source(path)
    sha256, size, _ = camera.digest(source)
    with record.read() as view:
        scene = _look(record, view, name, number, profile)
        there = _earlier(record, view, scene, path, sha256, when)
        if there:
            return _told(view, scene.lot, there, already=True)
    with camera.Originals() as originals:
        texts, notes = _read(record, source, scene, originals, sha256)
        verdicts = findings.judge(notes.finish(), len(scene.labels))
        order = tuple(scene.lot.ai_order.split())
        words, letters = challenges.outcomes(scene.labels, verdicts.finding, texts, order)
        described, text = scene.profile
        with record.work(scene.key) as work:
            lot = work.lot(scene.lot.full_name)
            check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
            there = _earlier(record, work, scene, path, sha256, when)
            if there:  # somebody was faster
                return _told(work, lot, there, already=True)
            data: dict[str, Any] = {
                "id": len(work.challenge_runs(scene.key)) + 1,
                "challenge": number,
                "occasion": when,
                "name": path.name,
                "profile": described,
                "sha256": sha256,
                "size": size,
                "pieces": originals.count,
                "packed": originals.packed,
                "findings": " ".join(words),
                "outcomes": letters,
            }
            held = _journal(record, work, lot, data, originals)
            if described:
                work.keep_profile(described, text)
    with record.read() as view:
        row = view.challenge_runs(scene.key)[data["id"] - 1]
        return {**_told(view, lot, row, already=False), "hold": held or None}


def _journal(
    record: Record, work: Work, lot: Lot, data: dict[str, Any], originals: camera.Originals
) -> int:
    """Write what a reader made of a set; it counts for the run that is open here.

    Returns:
        the hold that keeps back what was taken since it last passed, 0 for none.
    """
    key = key_of(lot)
    run_here = open_run(work, key, record.station)
    if run_here:
        runs.check_cleared(run_here, lot.full_name)
        runs.check_occasion(run_here, data["occasion"], lot.full_name)
        data["run"] = run_here.run
    work.keep_original(key, data["sha256"], originals.pieces())
    work.write(key, "challenge run", data)
    missed = MISSED in data["outcomes"]
    return hold_after_failure(work, lot, record.station) if run_here and missed else 0


def _look(record: Record, view: View, name: str, number: int, profile: str) -> _Scene:
    lot = view.lot(name)
    check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
    row = _set(view, lot, number)
    numbers = numbers_of(view, lot)
    labels = numbers.labels(row.kinds.split(), row.each, row.first)
    plan = challenges.plan(
        labels,
        numbers.code,
        tuple(lot.ai_order.split()),
        layout_of(lot.layout),
        minimum_grade=lot.minimum_grade,
        this_year=record.now().year,
        latest=round(record.now().timestamp() * 1000) + CLOCKS_APART,
    )
    described = "", ""
    if profile not in ("", profiles.DEFAULT):
        kept = {kept.name: kept.text for kept in view.profiles()}
        described = profile, profiles.choose(profile, kept, devices.shipped())
    return _Scene(lot, key_of(lot), row, labels, plan, described)


def _set(view: View, lot: Lot, number: int) -> Challenge:
    sets = view.challenges(key_of(lot))
    found = next((row for row in sets if row.id == number), None)
    if found is None:
        raise Refused(
            "challenge_unknown",
            "The lot has no such challenge set.",
            where=lot.full_name,
            expected=", ".join(str(row.id) for row in sets) or "none yet",
            came=str(number),
            remedy=f"Look at the lot's sets (challenge list {lot.number}), or make one: "
            f"challenge make {lot.number} --out FILE",
        )
    return found


def _earlier(
    record: Record, view: View, scene: _Scene, path: Path, sha256: str, when: str
) -> ChallengeRun | None:
    """The run that rests on these very bytes. Refuses `results_claimed`, `results_name_taken`."""
    for earlier in view.challenge_runs(scene.key):
        same = earlier.sha256 == sha256
        if same and (earlier.challenge, earlier.occasion) == (scene.row.id, when):
            return earlier
        if same:
            raise Refused(
                "results_claimed",
                "These bytes were given as another challenge run.",
                where=f"{path}, run {earlier.id}",
                expected=f"the file of a run of set {scene.row.id}, {when}",
                came=f"the file of run {earlier.id}: set {earlier.challenge}, {earlier.occasion}",
                remedy="Give the file that the reader wrote this time; let it stamp its readings "
                "with the time, so that two runs never look the same.",
            )
        if (earlier.station, earlier.name) == (record.station, path.name):
            raise Refused(
                "results_name_taken",
                "A file of that name with other content was given before.",
                where=f"{path}, run {earlier.id}",
                expected=f"SHA-256 {earlier.sha256}",
                came=sha256,
                remedy="If the file was changed, find out by whom; if it is another file, "
                "give it another name.",
            )
    return None


def _read(
    record: Record, source: camera.Source, scene: _Scene, originals: camera.Originals, sha256: str
) -> tuple[list[str], Interpretation]:
    """The texts read of the labels, and the readings interpreted, in the order of the set."""
    path, (name, text) = source.path, scene.profile
    profile = profiles.parse(text, f"profile {name}") if name else None
    notes = Interpretation(scene.plan, str(path), unit=profile.unit if profile else "line")
    texts: list[str] = []
    readings = 0
    with source.open() as file:
        for batch in devices.read(path, camera.blocks(file, originals), profile):
            devices.check_rehearsed(batch, path, welcome=record.practice)
            rows = challenges.placed(batch.rows, readings)
            readings += rows.height
            if readings <= len(scene.labels):
                notes.add(rows, batch.first_line)
                texts += [gs1.to_file(seen) for seen in rows["seen"].to_list()]
    challenges.check_count(len(scene.labels), readings, str(path))
    if originals.finish() != sha256:
        raise Refused(
            "results_truncated",
            "The file changed while it was read.",
            where=str(path),
            expected=f"SHA-256 {sha256}",
            came="other bytes",
            remedy="Wait until the reader has written the file, then give it again.",
        )
    return texts, notes


# -- what is known of the reader -----------------------------------------------------------------


def list_challenges(record: Record, name: str) -> dict[str, Any]:
    """A lot's challenge sets, their runs, planted labels, and how the reader did.

    Plants that no take has met yet are shown to those only who may plant; in a practice record to
    everybody.

    Returns:
        lot, sets, runs, plants, plants_hidden (whether some may be left out), practice, occasions,
        reader, doubts (what was missed, and the takes since the reader was last proven).
    """
    knows = rights.may("planted", record.role, practice=record.practice)
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        sets, runs = view.challenges(key), view.challenge_runs(key)
        plants = planted(view, lot)
        proof = proof_of(view, lot)
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            "sets": [_describe_set(row) for row in sets],
            "runs": [_describe_run(view, lot, row) for row in runs],
            "plants": [_describe_plant(one) for one in plants if one.outcome or knows],
            "plants_hidden": not knows,
            "practice": record.practice,
            "occasions": proof["runs"],
            "reader": proof["reader"],
            "doubts": [
                *(_doubt_of_run(view, lot, row) for row in runs if MISSED in row.outcomes),
                *(
                    _doubt(view, lot, one.station, {one.row.challenge_kind}, take=one.found.take)
                    for one in plants
                    if one.outcome == MISSED and one.found
                ),
            ],
        }


def show(record: Record, name: str, number: int) -> dict[str, Any]:
    """One challenge set, its labels, and every run of it with what came out for each label.

    Refuses `challenge_unknown`.
    """
    with record.read() as view:
        lot = view.lot(name)
        row = _set(view, lot, number)
        labels = numbers_of(view, lot).labels(row.kinds.split(), row.each, row.first)
        runs = [run for run in view.challenge_runs(key_of(lot)) if run.challenge == number]
        return {
            "lot": lot.number,
            "gtin": lot.gtin,
            **_describe_set(row),
            "labels": [_printed(one, lot) for one in labels],
            "runs": [
                {**_describe_run(view, lot, run), "results": _results(labels, run)} for run in runs
            ],
        }


def _describe_set(row: Challenge) -> dict[str, Any]:
    kinds = row.kinds.split()
    return {
        "challenge": row.id,
        "kinds": kinds,
        "each": row.each,
        "size": len(challenges.kinds_of(kinds, row.each)),
        "file": row.name,
        "sha256": row.sha256,
        "made": row.at,
    }


def _describe_run(view: View, lot: Lot, row: ChallengeRun) -> dict[str, Any]:
    return {
        "run": row.id,
        "challenge": row.challenge,
        "when": row.occasion,
        "passed": challenges.passed(row.outcomes),
        **{
            word: row.outcomes.count(letter)
            for letter, word in OUTCOMES.items()
            if word is not None
        },
        "in_doubt": _doubt_of_run(view, lot, row)["takes"] if MISSED in row.outcomes else [],
        "file": row.name,
        "station": row.station,
        "profile": row.profile,
        "at": row.at,
    }


def _results(labels: Sequence[BadLabel], row: ChallengeRun) -> list[dict[str, Any]]:
    """What came out for each label of a set; `outcome` is null for the first of a pair."""
    told = zip(labels, row.findings.split(), row.outcomes, strict=True)
    return [
        {"number": one.number, "kind": one.kind, "finding": word, "outcome": OUTCOMES[letter]}
        for one, word, letter in told
    ]


def _told(view: View, lot: Lot, row: ChallengeRun, *, already: bool) -> dict[str, Any]:
    found = _set(view, lot, row.challenge)
    labels = numbers_of(view, lot).labels(found.kinds.split(), found.each, found.first)
    return {
        "lot": lot.number,
        "gtin": lot.gtin,
        **_describe_run(view, lot, row),
        "results": _results(labels, row),
        "reader": measured(view, lot),
        "already_run": already,
        "hold": None,
    }


def _describe_plant(one: Planted) -> dict[str, Any]:
    return {
        "position": one.row.position,
        "kind": one.row.challenge_kind,
        "outcome": OUTCOMES[one.outcome] if one.outcome else None,
        "finding": one.found.word if one.found else None,
        "take": one.found.take if one.found else None,
        "planted": one.row.at,
        "person": one.row.person,
    }


def _doubt_of_run(view: View, lot: Lot, run: ChallengeRun) -> dict[str, Any]:
    row = _set(view, lot, run.challenge)
    told = zip(challenges.kinds_of(row.kinds.split(), row.each), run.outcomes, strict=True)
    kinds = {kind for kind, letter in told if letter == MISSED}
    return _doubt(view, lot, run.station, kinds, run=run.id)


def _doubt(
    view: View, lot: Lot, station: str, kinds: set[str], *, run: int = 0, take: int = 0
) -> dict[str, Any]:
    """What was missed in a run or in a take, and the takes that are in doubt by it."""
    sets = {row.id: row.kinds.split() for row in view.challenges(key_of(lot))}
    entries = view.entries(key_of(lot))
    takes = in_doubt(entries, sets, run=run, take=take, station=station, kinds=kinds)
    return {"run": run or None, "take": take or None, "kinds": sorted(kinds), "takes": takes}
