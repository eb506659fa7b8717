"""A lot's whole job, cut short at every step: what `kills.py --rounds` does.

    python tests/bench/kills.py --rounds 500 --seed 1 [--record postgresql://USER@HOST/EMPTY_DATABASE]

Small lots of one record go through their whole job, step by step (`LIFE`). Every step is a round:
it is cut short at a random moment, the record is opened again and checked, and the same step is
given once more, as somebody would who comes back to the station. Where the step is refused because
it is done already, or adds up when it is given twice (`looks`), they look first. The moments are
those of an undisturbed lot that goes before:

    transaction   just before a commit, or just after it
    statement     before one of the statements to the database, or after it
    file          before a file is written to, synced or named, or after it
    kill          a process of its own does the step and gets SIGKILL after a random time

Blocks are cut to ten positions, so that small lots have many transactions. Each round depends on
the seed, its number and the lot's earlier rounds only: `--round K` does that lot alone. Where in
the step a SIGKILL comes depends on the machine, too.
"""

from __future__ import annotations

import csv
import json
import random
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path
from time import monotonic, sleep
from typing import Any
from unittest.mock import patch

from kills import check_lot, check_numbers, must
from sqlalchemy import Engine, event, text
from station import GTIN, PERSON

import serialkeeper as sk
from serialkeeper.outside import files
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.steps import numbering, packing
from serialkeeper.steps.inspection import taking
from serialkeeper.store.record import Record, Work
from serialkeeper.store.view import key_of

SECOND, TO, SHELF = "Second Person", "9521234567899", "shelf"
LABELS, PRINTED = 46, 42
UNREAD, DOUBTED, SAMPLED = (5, 8), 9, (12, 30)
GOOD = PRINTED - len(UNREAD) - len(SAMPLED)
LEVELS = "[case]\nholds = 4\npart = true\n\n[pallet]\nholds = 5\nextension = 1\npart = true\n"
EXPIRY = date.today() + timedelta(days=700)

KILLED = 0.1
"""Share of rounds with a real kill."""


class PowerCut(BaseException):
    """Stands for the plug being pulled."""


@dataclass
class Lot:
    """One lot in its life: the record as it was opened last, and the lot's own folder."""

    record: Record
    folder: Path
    name: str

    @property
    def printed(self) -> Path:
        return self.folder / f"{self.name}.1.csv"

    def events(self) -> Counter[tuple[str, str]]:
        """What happened in the lot's runs, and when, as (what, when)."""
        told = sk.run.list(self.record, self.name)["runs"]
        every = (one for run in told for one in self._events(run["run"]))
        return Counter((one["what"], one["when"] or "") for one in every)

    def _events(self, run: int) -> list[dict[str, Any]]:
        events: list[dict[str, Any]] = sk.run.show(self.record, self.name, run)["events"]
        return events

    def seen(self, part: str, places: range) -> Path:
        """A camera's file of some positions; some labels are doubtful."""
        path = self.folder / f"{self.name}.{part}.seen.csv"
        if not path.exists():
            with self.printed.open(newline="") as file:
                rows = [row for row in csv.DictReader(file) if int(row["position"]) in places]
            columns = ("position", "row", "lane", "at", "seen", "grade", "verdict", "text")
            with path.open("w", newline="") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(columns)
                for row in rows:
                    place = int(row["position"])
                    seen = "" if place in UNREAD else row["scanned"]
                    verdict = "fail" if place == DOUBTED else "pass"
                    at = f"2026-06-01T09:00:{int(row['row']):02d}.000Z"
                    writer.writerow((place, row["row"], row["lane"], at, seen, "3.5", verdict, ""))
        return path


@dataclass(frozen=True)
class Step:
    """A step of the job.

    Attributes:
        name: of the kind of step.
        do: gives it.
        done: refusals that say that it is done already.
        looks: whether it is done, for what adds up when it is given twice.
        after: what may be left to do when it was refused as done, as the refusal says.
    """

    name: str
    do: Callable[[Lot], object]
    done: tuple[str, ...] = ()
    looks: Callable[[Lot], bool] | None = None
    after: Callable[[Lot], object] | None = None


def _print_again(lot: Lot) -> None:
    """Fetch the print file that the record owes; a print file without its manifest is whole."""
    if not lot.printed.exists():
        sk.print.again(lot.record, lot.name, 1, out=lot.printed)


def _take(lot: Lot) -> None:
    path = lot.seen("a", range(1, 22))
    sk.inspect.take(lot.record, lot.name, path)


def _follow(lot: Lot) -> None:
    sk.inspect.follow(lot.record, lot.name, lot.seen("b", range(22, PRINTED + 1)), idle=0.01)


def _count(term: str, value: int) -> Step:
    def do(lot: Lot) -> None:
        witness = SECOND if term == "destroyed" else ""
        sk.lot.count(lot.record, lot.name, term, value, witness=witness)

    def looks(lot: Lot) -> bool:
        with lot.record.read() as view:
            return any(one.term == term for one in view.tallies(key_of(view.lot(lot.name))))

    return Step("count", do, looks=looks)


def _in_run(what: str, when: str, count: int, do: Callable[[Lot], object]) -> Step:
    return Step("run", do, looks=lambda lot: lot.events()[what, when] >= count)


def _challenge(when: str) -> Step:
    def do(lot: Lot) -> None:
        sk.run.challenge(lot.record, lot.name, when=when, shown=6, caught=6)

    return _in_run("challenged", when, 1, do)


def _clearance(when: str) -> Step:
    def do(lot: Lot) -> None:
        points = list(CLEARANCE[when])
        sk.run.clearance(lot.record, lot.name, when, checked=points, second=SECOND)

    return _in_run("cleared", when, 1, do)


def _acknowledge(lot: Lot) -> None:
    for one in sk.alarm.list(lot.record, lot.name):
        if not one["acknowledged"]:
            sk.alarm.acknowledge(
                lot.record, lot.name, [one["id"]], cause="glare", restart_check="20 read"
            )


def _packs(lot: Lot, level: str) -> list[dict[str, Any]]:
    every: list[dict[str, Any]] = sk.pack.list(lot.record, lot.name)["packs"]
    return [one for one in every if one["level"] == level]


def _review(lot: Lot) -> None:
    for one in sk.review.list(lot.record, lot.name)["groups"]:
        sk.review.sign(lot.record, lot.name, [one["group"]], opened=one["open"])


def _ship(lot: Lot) -> None:
    pallets = [one["key"] for one in _packs(lot, "pallet")]
    sk.pack.ship(
        lot.record, pallets, to=TO, transaction=f"desadv:urn:epcglobal:cbv:bt:{TO}:{lot.name}"
    )


def _unship(lot: Lot) -> None:
    pallets = [one["key"] for one in _packs(lot, "pallet")]
    sk.pack.unship(lot.record, pallets, reason="still on the dock")


def _check_events(lot: Lot) -> None:
    told = sk.events.check(lot.record, lot.name)
    must(told["agrees"], f"the accounts differ: {told['difference']}")


def _send(lot: Lot) -> None:
    told = sk.events.send(lot.record, lot=lot.name)["destinations"][0]
    must(told["outcome"] == "sent", f"not sent: {told['why']}")


def _checkpoint(lot: Lot) -> None:
    keys = lot.folder.parent
    sk.record.checkpoint(lot.record, keys / "elsewhere", key=keys / "checkpoints.pem")


LIFE = (
    Step(
        "open",
        lambda lot: sk.lot.open(lot.record, GTIN, lot.name, expiry=EXPIRY, target=30),
        ("lot_exists",),
    ),
    Step(
        "approve", lambda lot: sk.lot.approve(lot.record, lot.name, second=SECOND), ("lot_state",)
    ),
    Step(
        "allocate",
        lambda lot: sk.serials.allocate(lot.record, lot.name, LABELS),
        looks=lambda lot: sum(sk.lot.show(lot.record, lot.name)["states"].values()) == LABELS,
    ),
    Step(
        "print",
        lambda lot: sk.print.write(lot.record, lot.name, lanes=3, last=PRINTED, out=lot.printed),
        ("nothing_to_print", "file_exists"),
        after=_print_again,
    ),
    Step("run", lambda lot: sk.run.start(lot.record, lot.name), ("run_state",)),
    _clearance("before"),
    _challenge("start"),
    Step("take", _take),
    _in_run(
        "stopped", "", 1, lambda lot: sk.run.stop(lot.record, lot.name, reason="the web broke")
    ),
    _challenge("stop"),
    Step("follow", _follow),
    Step(
        "settle",
        lambda lot: sk.label.accept(
            lot.record, lot.name, DOUBTED, reason="lamp reflection", second=SECOND
        ),
        ("move_not_allowed",),
    ),
    Step(
        "settle",
        lambda lot: sk.label.void(
            lot.record, lot.name, ",".join(map(str, UNREAD)), reason="waste", count=len(UNREAD)
        ),
        ("move_not_allowed",),
    ),
    Step(
        "settle",
        lambda lot: sk.label.void(
            lot.record,
            lot.name,
            f"{PRINTED + 1}-{LABELS}",
            reason="surplus",
            count=LABELS - PRINTED,
        ),
        ("move_not_allowed",),
    ),
    Step(
        "settle",
        lambda lot: sk.label.decommission(
            lot.record, lot.name, ",".join(map(str, SAMPLED)), reason="sampled", count=len(SAMPLED)
        ),
        ("move_not_allowed",),
    ),
    Step(
        "correct",
        lambda lot: sk.label.correct(
            lot.record, lot.name, f"{SAMPLED[0]}", reason="not this one", second=SECOND
        ),
        ("move_not_allowed",),
    ),
    Step(
        "settle",
        lambda lot: sk.label.decommission(
            lot.record, lot.name, f"{SAMPLED[0]}", reason="sampled", count=1
        ),
        ("move_not_allowed",),
    ),
    Step("alarm", _acknowledge),
    _challenge("end"),
    _clearance("after"),
    Step("run", lambda lot: sk.run.end(lot.record, lot.name), ("run_unknown",)),
    _count("printer_counter", PRINTED),
    _count("rewind_counter", GOOD),
    _count("destroyed", len(UNREAD)),
    _count("samples", len(SAMPLED)),
    Step(
        "pack",
        lambda lot: sk.pack.build(
            lot.record, lot.name, "case", in_order=True, reason="the last one"
        ),
        ("nothing_to_pack",),
    ),
    Step(
        "pack",
        lambda lot: sk.pack.build(
            lot.record, lot.name, "pallet", in_order=True, reason="the last one"
        ),
        ("nothing_to_pack",),
    ),
    Step(
        "hold",
        lambda lot: sk.hold.place(lot.record, lot.name, reason="counted again", positions="1-3"),
        looks=lambda lot: bool(sk.hold.list(lot.record, lot.name, lifted=True)["holds"]),
    ),
    Step(
        "hold",
        lambda lot: sk.hold.lift(lot.record, lot.name, 1, reason="all there"),
        ("hold_unknown",),
    ),
    Step("ship", _ship, ("pack_state",)),
    Step("unship", _unship, ("pack_state",)),
    Step("ship", _ship, ("pack_state",)),
    Step("review", _review),
    Step("close", lambda lot: sk.lot.close(lot.record, lot.name), ("lot_state",)),
    Step("check", _check_events),
    Step("send", _send),
    Step(
        "events",
        lambda lot: sk.events.write(
            lot.record, lot.name, form="json", out=lot.folder / f"{lot.name}.jsonld"
        ),
        ("file_exists",),
    ),
    Step(
        "report",
        lambda lot: sk.lot.report(lot.record, lot.name, out=lot.folder / f"{lot.name}.html"),
        ("file_exists",),
    ),
    Step("checkpoint", _checkpoint),
)


# -- moments -------------------------------------------------------------------------------------


@dataclass
class Moments:
    """Counts the moments of a step, and cuts it at one of them.

    Attributes:
        kind, at: where to cut: the moment of that kind, from 1; 0 for nowhere.
        passed: moments so far.
    """

    kind: str = ""
    at: int = 0
    passed: Counter[str] = field(default_factory=Counter)

    def __call__(self, kind: str) -> None:
        self.passed[kind] += 1
        if kind == self.kind and self.passed[kind] == self.at:
            raise PowerCut

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Be at every moment of what is done within the block."""

        def statement(*_: object) -> None:
            self("statement")

        real = Record._transaction

        @contextmanager
        def transaction(record: Record) -> Iterator[Work]:
            with real(record) as work:
                yield work
                self("transaction")
            self("transaction")

        with ExitStack() as stack:
            stack.enter_context(patch.object(Record, "_transaction", transaction))
            for module, name in ((files.os, "fsync"), (files.os, "link"), (files.Delivery, "_put")):
                stack.enter_context(patch.object(module, name, self._around(getattr(module, name))))
            for moment in ("before_cursor_execute", "after_cursor_execute"):
                event.listen(Engine, moment, statement)
                stack.callback(event.remove, Engine, moment, statement)
            yield

    def _around(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def done(*given: Any) -> Any:
            self("file")
            result = real(*given)
            self("file")
            return result

        return done


@contextmanager
def small_blocks() -> Iterator[None]:
    """Blocks of ten positions, two at a time, so that small lots have many chunks."""
    every = [module for name, module in sys.modules.items() if name.startswith("serialkeeper.")]
    with ExitStack() as stack:
        for room in [one for one in every if hasattr(one, "BLOCK")]:
            stack.enter_context(patch.object(room, "BLOCK", 10))
        for room in (numbering, taking):
            stack.enter_context(patch.object(room, "BLOCKS_AT_ONCE", 2))
        stack.enter_context(patch.object(packing, "AT_ONCE", 20))
        yield


# -- rounds --------------------------------------------------------------------------------------


@dataclass
class Rounds:
    """Rounds on one record, and what became of them.

    Attributes:
        url, folder, seed: as given.
        usual: moments and seconds of each step of an undisturbed lot.
        told: rounds by kind of step and kind of cut; `done before` where it ended before the cut.
        failed: what went wrong, by round.
    """

    url: str
    folder: Path
    seed: int
    killed: float = KILLED
    usual: list[tuple[Counter[str], float]] = field(default_factory=list)
    told: Counter[tuple[str, str]] = field(default_factory=Counter)
    survived: Counter[tuple[str, str]] = field(default_factory=Counter)
    failed: dict[int, str] = field(default_factory=dict)

    def run(self, first: int, last: int) -> None:
        """The rounds from one to another, both from 1, each in the life of its lot; stops at the
        end of a lot in which one failed."""
        with small_blocks():
            self.prepare()
            self._measure()
            for number in range((first - 1) // len(LIFE), (last - 1) // len(LIFE) + 1):
                self._lot(number, last)

    def prepare(self) -> None:
        """A record for lots."""
        with sk.init(self.url, PERSON) as record:
            sk.person.add(record, SECOND, role="compliance")
            sk.location.add(record, TO, prefix_length=7, name="Store", zone="Europe/Berlin")
            sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
            sk.alarm.rules(record, in_a_row=2)
            levels = self.folder / "packs.toml"
            levels.write_text(LEVELS)
            sk.product.packs(record, GTIN, levels)
            for name in ("elsewhere", SHELF):
                (self.folder / name).mkdir()
            sk.events.destination(record, SHELF, folder=self.folder / SHELF, most_events=5)
            sk.record.key(record, self.folder / "checkpoints.pem")

    def _measure(self) -> None:
        """An undisturbed lot, whose moments are counted."""
        lot = self.new("L0")
        for step in LIFE:
            watch, since = Moments(), monotonic()
            with watch.watching():
                step.do(lot)
            self.usual.append((watch.passed, monotonic() - since))
        check(lot, ended=True)
        lot.record.close()

    def new(self, name: str) -> Lot:
        """A lot that is not opened yet."""
        folder = self.folder / name
        folder.mkdir()
        return Lot(self.open(), folder, name)

    def open(self) -> Record:
        """The record, as a process that begins has it."""
        return sk.open_record(self.url, person=PERSON)

    def _lot(self, number: int, last: int) -> None:
        lot = self.new(f"L{number + 1}")
        for index, step in enumerate(LIFE):
            current = number * len(LIFE) + index + 1
            if current > last:
                break
            try:
                self._round(current, lot, index, step)
            except Exception as error:
                self.failed[current] = f"{step.name}: {error}"
                break
        lot.record.close()

    def _round(self, number: int, lot: Lot, index: int, step: Step) -> None:
        chance = random.Random(f"{self.seed} {number}")
        moments, seconds = self.usual[index]
        kind = "kill"
        if chance.random() >= self.killed:
            kind = chance.choice(sorted(moments))
        if kind == "kill":
            lot.record.close()
            cut = self._kill(lot, index, chance.uniform(0, 1.2 * seconds))
        else:
            cut = self._cut(lot, step, Moments(kind, chance.randint(1, moments[kind])))
        about = (step.name, kind if cut else "done before")
        self.told[about] += 1
        lot.record = self.open()
        check(lot)
        repeat(lot, step)
        check(lot, ended=index == len(LIFE) - 1)
        self.survived[about] += 1

    def _cut(self, lot: Lot, step: Step, moments: Moments) -> bool:
        try:
            with moments.watching():
                step.do(lot)
        except PowerCut:
            return True
        finally:
            lot.record.close()
        return False

    def _kill(self, lot: Lot, index: int, after: float) -> bool:
        words = [self.url, str(lot.folder), lot.name, str(index)]
        with subprocess.Popen(
            [sys.executable, __file__, *words], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout
            must(process.stdout.readline() == "go\n", "the process did not get to the step")
            sleep(after)
            process.send_signal(signal.SIGKILL)
        must(process.returncode in (0, -signal.SIGKILL), f"the process: {process.returncode}")
        for left in self.folder.rglob(".*.part"):
            left.unlink()  # as whoever was killed would have done
        return process.returncode != 0


def repeat(lot: Lot, step: Step) -> None:
    """The same step once more."""
    if step.looks and step.looks(lot):
        return
    try:
        step.do(lot)
    except sk.Refused as refused:
        must(refused.word in step.done, f"given again: {refused.word}: {refused}")
        if step.after:
            step.after(lot)


# -- checks --------------------------------------------------------------------------------------


def check(lot: Lot, *, ended: bool = False) -> None:
    """The design's invariants, by plain SQL and the files on the disk; raises if one is broken."""
    record = lot.record
    marks = sorted((lot.folder.parent / "elsewhere").glob("*.json"))
    verified = sk.record.verify(record, against=marks[-1] if marks else None)
    must(verified["sound"], "record verify does not find the record sound")
    with record.read() as view:
        client = view.connection
        check_numbers(client)
        every = "SELECT product_id, id, number, labels FROM lot WHERE number = :n"
        found = client.execute(text(every), {"n": lot.name}).one_or_none()
        if found is None:
            return
        check_lot(client, lot.folder, tuple(found), ended=False)
        _check_packs(client, found[1])
        entries = client.execute(
            text("SELECT body FROM entry WHERE lot_id = :l"), {"l": found[1]}
        ).scalars()
        written = [json.loads(bytes(one)) for one in entries]
    _check_files(lot, written)
    if ended:
        _check_end(lot)


def _check_packs(client: Any, lot: int) -> None:
    """A unit is in one pack at most, was good when it went in, and its pack is there."""
    loose = client.execute(
        text(
            "SELECT count(*) FROM packed LEFT JOIN pack ON pack.product_id = packed.product_id "
            "AND pack.lot_id = packed.pack_lot AND pack.id = packed.pack "
            "LEFT JOIN label ON label.product_id = packed.product_id "
            "AND label.lot_id = packed.lot_id AND label.position = packed.position "
            "WHERE packed.lot_id = :l AND (pack.id IS NULL OR label.state <> 'c')"
        ),
        {"l": lot},
    ).scalar()
    must(loose == 0, f"{loose} units are in no pack or not good")
    full = text("SELECT count(*) FROM packed WHERE pack_lot = :l GROUP BY pack")
    must(max([0, *client.execute(full, {"l": lot}).scalars()]) <= 4, "a case is too full")
    twice = text("SELECT key FROM pack GROUP BY key HAVING count(*) > 1")
    must(not client.execute(twice).all(), "an SSCC was given twice")


def _check_files(lot: Lot, entries: list[dict[str, Any]]) -> None:
    """What has its name is whole: it is what an entry tells; nothing else is left."""
    verbs = ("issued", "events written", "lot reported")
    told = {one["data"]["sha256"] for one in entries if one["verb"] in verbs}
    for one in (one["data"] for one in entries if one["verb"] == "document prepared"):
        told |= {one["sha256"], one["list_sha256"]}
    must(not list(lot.folder.parent.rglob("*.part")), "a half-written file is left")
    for path in (*lot.folder.iterdir(), *_documents(lot, "*")):
        if path.name.endswith(".manifest.json"):
            must(json.loads(path.read_bytes())["sha256"] in told, f"{path.name} is not whole")
        elif not path.name.endswith(".seen.csv"):
            must(sha256(path.read_bytes()).hexdigest() in told, f"{path.name} is not whole")


def _documents(lot: Lot, kind: str) -> list[Path]:
    """The lot's files at its destination, in order."""
    return sorted((lot.folder.parent / SHELF).glob(f"{GTIN}.{lot.name}.*.{kind}"))


def _ids(path: Path) -> list[str]:
    """The events of a document."""
    return [one["eventID"] for one in json.loads(path.read_bytes())["epcisBody"]["eventList"]]


def _check_end(lot: Lot) -> None:
    """Both ledgers agree, everything happened once, and the same input changes nothing."""
    record = lot.record
    shown = sk.lot.show(record, lot.name)
    must(shown["state"] == "closed", f"the lot is {shown['state']}")
    wanted = {"commissioned": GOOD, "voided": len(UNREAD) + LABELS - PRINTED}
    states = {name: number for name, number in shown["states"].items() if number}
    must(states == {**wanted, "decommissioned": len(SAMPLED)}, f"states {states}")
    before = sk.record.verify(record)["heads"]
    for part in ("a", "b"):
        path = lot.folder / f"{lot.name}.{part}.seen.csv"
        must(sk.inspect.take(record, lot.name, path)["already_taken"], f"{path.name} taken twice")
    must(sk.record.verify(record)["heads"] == before, "the same file changed the record")
    cases, pallets = _packs(lot, "case"), _packs(lot, "pallet")
    must((len(cases), len(pallets)) == (-(-GOOD // 4), 2), f"{len(cases)} cases")
    for one in (
        ("cleared", "before"),
        ("challenged", "stop"),
        ("stopped", ""),
        ("cleared", "after"),
    ):
        must(lot.events()[one] == 1, f"{one} {lot.events()[one]} times")
    must(lot.printed.exists(), "no print file")
    with lot.printed.open(newline="") as file:
        rows = [row["serial"] for row in csv.DictReader(file)]
    labels = [one["serial"] for one in sk.label.list(record, lot.name)]
    must(rows == labels[:PRINTED], "what was printed is not what is recorded")
    whole = lot.folder / f"{lot.name}.jsonld"
    arrived = [one for path in _documents(lot, "jsonld") for one in _ids(path)]
    must(arrived == _ids(whole), "what arrived is not every event once and in order")
    sent = whole.read_text()
    good = {one["serial"] for one in sk.label.list(record, lot.name, state="commissioned")}
    must(all(serial in sent for serial in good), "the event file lacks a good label")


def table(rounds: Rounds) -> str:
    """Rounds by step and kind of cut: survived of how many."""
    kinds = ("transaction", "statement", "file", "kill", "done before")
    names = list(dict.fromkeys(step.name for step in LIFE))
    lines = ["step        " + "".join(f"{kind:>14}" for kind in (*kinds, "survived"))]
    sums: Counter[str] = Counter()
    for name in (*names, "all"):
        cells = []
        for kind in kinds:
            some = [(one, kind) for one in names if name in (one, "all")]
            have, of = (sum(kept[one] for one in some) for kept in (rounds.survived, rounds.told))
            cells.append(f"{have} of {of}" if of else "-")
            sums[name + " have"] += have
            sums[name] += of
        cells.append(f"{sums[name + ' have']} of {sums[name]}")
        lines.append(f"{name:12}" + "".join(f"{cell:>14}" for cell in cells))
    return "\n".join(lines)


def main() -> None:
    """One step, in a process that will be killed."""
    url, folder, name, index = sys.argv[1:]
    with small_blocks(), sk.open_record(url, person=PERSON) as record:
        lot = Lot(record, Path(folder), name)
        print("go", flush=True)
        LIFE[int(index)].do(lot)


if __name__ == "__main__":
    main()
