"""`demo`: one invented lot goes all the way through, on a practice record."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import answer, call, tally
from serialkeeper.cli.events import check_lines
from serialkeeper.cli.inspect_ import take_lines
from serialkeeper.cli.lot import balance_lines
from serialkeeper.cli.record import verify_lines
from serialkeeper.cli.review import group_line
from serialkeeper.errors import Refused
from serialkeeper.outside import clock
from serialkeeper.rules import gs1
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.steps import (
    agreeing,
    alarms,
    checkpoints,
    contents,
    destinations,
    handoff,
    inspection,
    lot_reports,
    lots,
    numbering,
    pack_labels,
    packing,
    people,
    practice,
    printing,
    products,
    reconciliation,
    reports,
    reviewing,
    runs,
    sending,
    settling,
)
from serialkeeper.store.record import Record

GTIN, LOT, LANES = "09521234543213", "DEMO24A", 4
LEAD, SECOND, REVIEWER = "Line Lead", "Second Person", "Third Person"
DEPOT = "depot"
SPECIMENS, SAMPLES = 2, 2
CASES = 6
LEVELS = f"[case]\nholds = 10\n\n[pallet]\nholds = {CASES}\n"


def demo(
    labels: Annotated[int, typer.Option(min=100, max=10_000_000, help="Labels to print.")] = 2000,
    seed: Annotated[
        int,
        typer.Option(help="The same seed gives the same numbers and faults; times are today's."),
    ] = 1,
    out: Annotated[Path, typer.Option(help="Folder for every file; made if missing.")] = Path(
        "demo"
    ),
) -> None:
    """Tell the whole story of one invented lot, and leave every file to look at."""
    out.mkdir(parents=True, exist_ok=True)
    if any(out.iterdir()):
        raise Refused(
            "file_exists",
            "The demo's folder is not empty.",
            where=str(out),
            expected="an empty folder",
            came="files",
            remedy="Name another folder with --out, or move the old one away.",
        )
    story = _Story(out, labels, seed)
    for line in story.tell():
        if not call.as_json:
            typer.echo(line)
    if call.as_json:
        answer(story.result, [])


class _Story:
    """The demo, chapter by chapter; each yields what it has to say."""

    def __init__(self, out: Path, labels: int, seed: int) -> None:
        self.labels, self.seed = labels, seed
        self.url = f"sqlite:///{out / 'record.db'}"
        self.job, self.results = out / "job.csv", out / "results.csv"
        self.truth, self.events = out / "truth.csv", out / "events.jsonld"
        self.xml, self.waste = out / "events.xml", out / "waste.txt"
        self.levels, self.tree = out / "packs.toml", out / "pallet.svg"
        self.pallet_label = out / "pallet-label.svg"
        self.report, self.sent, self.key = out / "report.pdf", out / "sent", out / "key.pem"
        self.result: dict[str, Any] = {}
        self.chapter = 0

    def tell(self) -> Iterator[str]:
        """Every chapter in order."""
        record = people.init(
            self.url,
            LEAD,
            station="demo line",
            now=clock.now,
            chance=clock.chance(self.seed),
            account=clock.account(),
        )
        call.opened.append(record)
        yield "A practice run with an invented product, lot and camera. To look around in what it"
        yield "leaves, type the next line once, then for example: serialkeeper lot show " + LOT
        yield f"  export SERIALKEEPER_RECORD={self.url} SERIALKEEPER_PERSON='{LEAD}'"
        yield "The commands below show how each step is typed by hand. A record of your own has"
        yield "other numbers, so scan your own labels."
        yield from self._say("A practice record and its people", f'init --person "{LEAD}"')
        people.add(record, SECOND, role="compliance", account=clock.account())
        people.add(record, REVIEWER, role="compliance", account=clock.account())
        for name in (SECOND, REVIEWER):
            yield f'  serialkeeper person add "{name}" --role compliance'
        yield from self._plan(record)
        yield from self._print(record)
        yield from self._begin(record)
        yield from self._inspect(record)
        yield from self._settle(record)
        yield from self._reconcile(record)
        yield from self._pack(record)
        yield from self._finish(record)

    def _say(self, title: str, command: str) -> Iterator[str]:
        self.chapter += 1
        yield ""
        yield f"{self.chapter}. {title}"
        yield f"  serialkeeper {command}"

    def _plan(self, record: Record) -> Iterator[str]:
        products.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
        today = record.now().date()
        expiry = date(today.year + 2, today.month, 28)
        yield from self._say(
            "A product and a lot, approved by a second person",
            f'product add {GTIN} --prefix-length 7 --name "Demo tablets 20 mg"',
        )
        self.levels.write_text(LEVELS)
        products.set_packs(record, GTIN, self.levels)
        yield f"  serialkeeper product packs {GTIN} {self.levels}"
        target = self.labels - self.labels // 40
        lots.open_lot(record, GTIN, LOT, expiry=expiry, target=target)
        yield f"  serialkeeper lot open {GTIN} {LOT} --expiry {expiry} --target {target}"
        lots.approve(record.seen_by(SECOND), LOT, second=LEAD)
        yield f'  serialkeeper lot approve {LOT} --as "{SECOND}" --second "{LEAD}"'
        given = numbering.allocate(record, LOT, self.labels)
        yield from self._say(
            "Numbers that cannot be guessed", f"serials allocate {LOT} {self.labels}"
        )
        yield f"  {given['odds']['arithmetic']}"

    def _print(self, record: Record) -> Iterator[str]:
        made = printing.write(record, LOT, lanes=LANES, out=self.job)
        yield from self._say(
            "The print file", f"print write {LOT} --lanes {LANES} --out {self.job}"
        )
        yield f"  {made['count']:,} labels in {made['rows']:,} rows, SHA-256 {made['sha256']}"
        which = f"1-{SPECIMENS}"
        settling.void(record, LOT, which, reason="specimen", count=SPECIMENS)
        yield f"  The first {SPECIMENS} labels go into the lot's papers as specimens:"
        yield f"  serialkeeper label void {LOT} {which} --reason specimen --count {SPECIMENS}"

    def _begin(self, record: Record) -> Iterator[str]:
        yield from self._say(
            "A run begins: the line is cleared, and the reader proven with bad labels",
            f"run start {LOT}",
        )
        runs.start(record, LOT)
        yield from self._clear(record, "before")
        runs.challenge(record, LOT, when="start", shown=12, caught=12)
        yield f"  serialkeeper run challenge {LOT} --when start --shown 12 --caught 12"

    def _clear(self, record: Record, when: str) -> Iterator[str]:
        points = list(CLEARANCE[when])
        runs.clearance(record, LOT, when, checked=points, second=SECOND)
        yield f"  serialkeeper run clearance {LOT} {when} --checked {','.join(points)} \\"
        yield f'    --second "{SECOND}"'

    def _inspect(self, record: Record) -> Iterator[str]:
        played = practice.rehearse(record, LOT, out=self.results, truth=self.truth, seed=self.seed)
        yield from self._say(
            "A rehearsed run of the line, with known faults",
            f"inspect rehearse {LOT} --seed {self.seed} --out {self.results} --truth {self.truth}",
        )
        yield f"  planted: {tally(played['faults'])}"
        taken = inspection.take(record, LOT, self.results)
        yield from self._say("What the camera saw", f"inspect take {LOT} {self.results}")
        yield from (f"  {line}" for line in take_lines(taken))
        self.result |= {"labels": self.labels, "findings": taken["findings"]}
        raised = [row["id"] for row in alarms.list_alarms(record, LOT)]
        if raised:
            yield from self._acknowledge(record, raised)
        yield from self._say(
            "The run ends as it began",
            f"run challenge {LOT} --when end --shown 12 --caught 12",
        )
        runs.challenge(record, LOT, when="end", shown=12, caught=12)
        yield from self._clear(record, "after")
        runs.end(record, LOT)
        yield f"  serialkeeper run end {LOT}"

    def _acknowledge(self, record: Record, raised: list[int]) -> Iterator[str]:
        ids = " ".join(map(str, raised))
        cause, check = "faults planted by the rehearsal", "20 labels read without fault"
        yield from self._say(
            "Each alarm is acknowledged: what it was, and how the restart was checked",
            f"alarm list {LOT}",
        )
        alarms.acknowledge(record, LOT, raised, cause=cause, restart_check=check)
        yield f'  serialkeeper alarm acknowledge {LOT} {ids} --cause "{cause}" \\'
        yield f'    --restart-check "{check}"'

    def _settle(self, record: Record) -> Iterator[str]:
        doubtful = list(reports.list_labels(record, LOT, state="doubtful"))
        yield from self._say(
            "A person decides each doubtful label", f"label list {LOT} --state doubtful"
        )
        yield from (
            f"  position {row['position']}: {row['finding']} ({row['state']})"
            for row in doubtful[:5]
        )
        if len(doubtful) > 5:
            yield f"  … and {len(doubtful) - 5:,} more"
        waste = [row["position"] for row in doubtful]
        for word, options, evidence in self._acceptable(record, doubtful):
            row = next((row for row in doubtful if row["finding"] == word), None)
            if row:
                settling.accept(record, LOT, row["position"], second=SECOND, **evidence)
                waste.remove(row["position"])
                yield (
                    f"  serialkeeper label accept {LOT} {row['position']} {options} "
                    f'--second "{SECOND}"'
                )
        self.wasted = len(waste)
        which = ",".join(map(str, waste))
        settling.void(record, LOT, which, reason="waste", count=len(waste))
        if len(which) > 300:
            self.waste.write_text("\n".join(map(str, waste)) + "\n")
            which = f"@{self.waste}"
        yield "  The others are cut out, and their numbers voided:"
        yield f"  serialkeeper label void {LOT} {which} --reason waste --count {len(waste)}"

    def _acceptable(
        self, record: Record, doubtful: list[dict[str, Any]]
    ) -> Iterator[tuple[str, str, dict[str, Any]]]:
        """One label for each kind of evidence: (finding, options, arguments)."""
        unread = next((row for row in doubtful if row["finding"] == "unreadable"), None)
        if unread:
            lot = lots.show(record, LOT)
            code = gs1.LabelCode(GTIN, unread["serial"], date.fromisoformat(lot["expiry"]), LOT)
            scan = gs1.to_file(gs1.scanned(code, tuple(lot["order"])))
            reason = "wiped clean and scanned by hand"
            yield (
                "unreadable",
                f"--reason '{reason}' --scan '{scan}'",
                {"reason": reason, "scan": scan},
            )
        reason = "measured on the verifier"
        yield (
            "low_grade",
            f"--reason '{reason}' --instrument 'verifier 1' --calibrated {date.today()} "
            "--grade 2.5/08/660",
            {
                "reason": reason,
                "instrument": "verifier 1",
                "calibrated": date.today(),
                "grade": "2.5/08/660",
            },
        )
        reason = "lamp reflection, label without fault"
        yield "failed_by_camera", f"--reason '{reason}'", {"reason": reason}

    def _reconcile(self, record: Record) -> Iterator[str]:
        good = reports.list_labels(record, LOT, state="commissioned")
        which = ",".join(str(row["position"]) for row in islice(good, SAMPLES))
        good.close()
        settling.decommission(record, LOT, which, reason="sampled", count=SAMPLES)
        yield from self._say(
            "Samples, counts and both ledgers",
            f"label decommission {LOT} {which} --reason sampled --count {SAMPLES}",
        )
        rest = self.labels - SPECIMENS - SAMPLES - self.wasted
        for term, value, witness in (
            ("printer_counter", self.labels, ""),
            ("rewind_counter", rest, ""),
            ("destroyed", self.wasted, SECOND),
            ("specimens", SPECIMENS, ""),
            ("samples", SAMPLES, ""),
        ):
            reconciliation.count(record, LOT, term, value, witness=witness)
            more = f' --witness "{witness}"' if witness else ""
            yield f"  serialkeeper lot count {LOT} {term} {value}{more}"
        yield f"  serialkeeper lot reconcile {LOT}"
        found = reconciliation.reconcile(record, LOT)
        yield from (f"  {line}" for line in balance_lines(found))
        self.result |= {"states": found["states"], "balanced": found["balanced"]}

    def _pack(self, record: Record) -> Iterator[str]:
        made = packing.build_in_order(record, LOT, "case", count=CASES)
        cases = [one["key"] for one in made["packs"]]
        yield from self._say(
            "Good labels into cases, cases onto a pallet",
            f"pack build {LOT} case --in-order --packs {CASES}",
        )
        [pallet] = packing.build_in_order(record, LOT, "pallet", count=1)["packs"]
        yield f"  serialkeeper pack build {LOT} pallet --in-order --packs 1"
        key = pallet["key"]
        tree = contents.show(record, key, out=self.tree)
        yield f"  serialkeeper pack show {key} --out {self.tree}"
        yield f"  pallet {key}: {len(cases)} cases, {tree['units']} units"
        label = pack_labels.make(record, key, out=self.pallet_label)
        yield f"  serialkeeper pack label {key} --out {self.pallet_label}"
        yield f"  {label['bracketed']}"
        self.result["packs"] = {"pallet": key, "cases": cases, "units": tree["units"]}

    def _review(self, record: Record) -> Iterator[str]:
        listed = reviewing.list_groups(record, LOT)["groups"]
        yield from self._say(
            "A second pair of eyes: critical things singly, the others by their reason",
            f"review list {LOT}",
        )
        yield from (f"  {group_line(one)}" for one in listed[:3])
        yield f"  … and {len(listed) - 3:,} more"
        reviewer = record.seen_by(REVIEWER)
        shown = sorted({position for one in listed for position in one["open"]})
        reviewing.sign(reviewer, LOT, [one["group"] for one in listed], opened=shown)
        first = listed[0]
        yield f"  serialkeeper review show {LOT} {first['group']}"
        opened = ",".join(map(str, first["open"]))
        yield f"  serialkeeper review sign {LOT} {first['group']} --opened {opened} \\"
        yield f'    --as "{REVIEWER}"'
        yield "  and so on, until the list is empty."

    def _finish(self, record: Record) -> Iterator[str]:
        yield from self._review(record)
        closed = reconciliation.close(record, LOT)
        yield from self._say("The lot is closed", f"lot close {LOT}")
        yield f"  journal head {closed['head']}"
        yield from self._send(record)
        checkpoints.make_key(record, self.key)
        told = lot_reports.write(record, LOT, out=self.report, key=self.key)
        yield from self._say(
            "For the batch record, with a signed checkpoint", f"record key {self.key}"
        )
        yield f"  serialkeeper lot report {LOT} --key {self.key} --out {self.report}"
        yield f"  {told['pages']} pages, SHA-256 {told['sha256']}"
        yield "  (A real key is not kept beside the record, and checkpoints go to somebody else.)"
        yield from self._verify(record)

    def _send(self, record: Record) -> Iterator[str]:
        agreed = agreeing.check(record, LOT)
        yield from self._say(
            "Before events leave: printed = accepted = recorded = exported?",
            f"events check {LOT}",
        )
        yield from (f"  {line}" for line in check_lines(agreed))
        yield from self._say(
            "Events for the repository downstream",
            f"events write {LOT} --form json --out {self.events}",
        )
        for form, path in (("json", self.events), ("xml", self.xml)):
            made = handoff.write_events(record, LOT, form=form, out=path)
            if form == "xml":
                yield f"  serialkeeper events write {LOT} --form xml --out {path}"
            yield f"  {many(made['events'], 'event')} (units and packs: {made['epcs']:,}): {path}"
        self.sent.mkdir()
        destinations.set_up(record, DEPOT, folder=self.sent)
        yield f"  serialkeeper events destination {DEPOT} --folder {self.sent}"
        [told] = sending.send(record, to=DEPOT)["destinations"]
        yield f"  serialkeeper events send --once --to {DEPOT}"
        [lot] = told["lots"]
        yield (
            f"  {many(lot['events'], 'event')} arrived in {many(lot['documents'], 'document')}: "
            f"{self.sent}"
        )

    def _verify(self, record: Record) -> Iterator[str]:
        checked = reports.verify_record(record)
        yield from self._say("Is the record sound?", "record verify")
        yield from (f"  {line}" for line in verify_lines(checked))
        files = {
            "record": self.url.removeprefix("sqlite:///"),
            "print": str(self.job),
            "manifest": str(self.job.with_name("job.manifest.json")),
            "results": str(self.results),
            "truth": str(self.truth),
            "levels": str(self.levels),
            "pallet": str(self.tree),
            "pallet_label": str(self.pallet_label),
            "events_json": str(self.events),
            "events_xml": str(self.xml),
            "report": str(self.report),
            "checkpoint": f"{self.report}.checkpoint.json",
        }
        self.result |= {
            "lot": f"{GTIN}/{LOT}",
            "files": files,
            "journal": {
                "entries": checked["entries"],
                "heads": {name: head["head"] for name, head in checked["heads"].items()},
            },
        }
        yield ""
        yield "Files:"
        yield from (f"  {name:12} {path}" for name, path in files.items())
        yield CAUTION
