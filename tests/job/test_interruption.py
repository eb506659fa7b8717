"""A crash at any instant leaves the record as before or after a chunk (invariant 8)."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from killing import cuts

import serialkeeper as sk
from serialkeeper.rules import chain
from serialkeeper.steps import numbering
from serialkeeper.steps.inspection import taking as inspection
from serialkeeper.store.record import Record, Work

LABELS = 95
"""Labels of these tests; blocks are cut to ten positions, so that a lot has ten of them."""


class PowerCut(BaseException):
    """Stands for the plug being pulled."""


@pytest.fixture(autouse=True)
def _small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of ten positions, two at a time, so that small lots have many chunks."""
    from serialkeeper.rules import lookup, taking
    from serialkeeper.steps import agreeing
    from serialkeeper.store import (
        accounts,
        codes,
        journal,
        listings,
        lot_report,
        plans,
        verify,
        webs,
    )

    monkeypatch.setattr(chain, "BLOCK", 10)
    rooms = (numbering, inspection, codes, listings, taking, verify, journal, plans)
    rooms += (lot_report, webs, accounts, agreeing, lookup)
    for module in rooms:
        monkeypatch.setattr(module, "BLOCK", 10)
    monkeypatch.setattr(numbering, "BLOCKS_AT_ONCE", 2)
    monkeypatch.setattr(inspection, "BLOCKS_AT_ONCE", 2)


@contextmanager
def cut_at(
    monkeypatch: pytest.MonkeyPatch, transaction: int, *, before_commit: bool
) -> Iterator[None]:
    """Cut the power in the given transaction (from 0): before its commit, or right after."""
    real = Record.work
    seen = iter(range(10_000))

    @contextmanager
    def work(self: Record, *chains: int) -> Iterator[Work]:
        number = next(seen)
        with real(self, *chains) as opened:
            yield opened
            if number == transaction and before_commit:
                raise PowerCut
        if number == transaction:
            raise PowerCut

    with monkeypatch.context() as patch:
        patch.setattr(Record, "work", work)
        yield


def interrupt(
    monkeypatch: pytest.MonkeyPatch, step: Callable[[], Any], transaction: int, before: bool
) -> bool:
    """Run a step with a power cut; whether the cut came."""
    try:
        with cut_at(monkeypatch, transaction, before_commit=before):
            step()
    except PowerCut:
        return True
    return False


@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
def test_an_interrupted_allocation_is_finished_by_the_same_command(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, before: bool
) -> None:
    """At every transaction of an allocation: verify passes, repeating ends it."""
    for transaction in range(20):
        sk.lot.open(bench.record, GTIN, f"A{transaction}", expiry=EXPIRY, target=LABELS)
        sk.lot.approve(bench.record, f"A{transaction}")
        bench.lot = f"A{transaction}"

        def allocate() -> Any:
            return sk.serials.allocate(bench.record, bench.lot, LABELS)

        if not interrupt(monkeypatch, allocate, transaction, before):
            break
        sk.record.verify(bench.record)
        lot = sk.lot.show(bench.record, bench.lot)
        page = bench.folder / f"A{transaction}.html"
        sk.lot.report(bench.record, bench.lot, out=page)
        unfinished = bool(lot["to_come"])
        assert lot["allocated"] == len(bench.labels()) == lot["states"].get("allocated", 0)
        assert ("allocation 1 was interrupted" in page.read_text()) == unfinished
        if unfinished:
            assert lot["allocated"] + lot["to_come"] == LABELS
            with pytest.raises(sk.Refused) as refused:
                sk.print.write(bench.record, bench.lot, lanes=1, out=bench.folder / "x.csv")
            assert refused.value.word == "allocation_unfinished"
        if lot["allocated"] < LABELS:
            sk.serials.allocate(bench.record, bench.lot, LABELS)
        assert sk.lot.show(bench.record, bench.lot)["states"] == {"allocated": LABELS}
        assert len({row["serial"] for row in bench.labels()}) == LABELS
        sk.record.verify(bench.record)
    else:
        pytest.fail("the allocation never ran through without a cut")
    assert transaction >= 5


@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
@pytest.mark.parametrize("tells", ["positions", "order"])
def test_an_interrupted_take_goes_on_when_the_same_file_comes_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, tells: str, before: bool
) -> None:
    """At every transaction of a take: verify passes, and taking again ends as if never cut."""
    wanted: tuple[Any, ...] | None = None
    for transaction in range(-1, 20):
        sk.lot.open(bench.record, GTIN, f"T{transaction}", expiry=EXPIRY, target=LABELS)
        sk.lot.approve(bench.record, f"T{transaction}")
        bench.lot = f"T{transaction}"
        rows = as_seen(bench.printed(LABELS))
        rows[7]["seen"] = ""
        rows[30]["grade"] = "0.5"
        rows[51]["seen"] = rows[50]["seen"]
        rows[80]["seen"] = rows[2]["seen"]
        rows.pop(60)
        if tells == "order":
            rows = [{name: row[name] for name in ("seen", "grade")} for row in rows]
        path = bench.results(rows)

        def take(path: Path = path) -> Any:
            return sk.inspect.take(bench.record, bench.lot, path)

        cut = interrupt(monkeypatch, take, transaction, before)
        sk.record.verify(bench.record)
        page = bench.folder / f"T{transaction}.html"
        sk.lot.report(bench.record, bench.lot, out=page)
        unfinished = any(
            one["state"] != "finished" for one in sk.lot.show(bench.record, bench.lot)["takes"]
        )
        assert ("take 1 was interrupted" in page.read_text()) == unfinished
        taken = take()
        sk.record.verify(bench.record)
        outcome = (bench.states(), bench.findings(), taken["states"], taken["findings"])
        wanted = wanted or outcome
        assert outcome == wanted, transaction
        if transaction >= 0 and not cut:
            break
    else:
        pytest.fail("the take never ran through without a cut")
    assert transaction >= 6


class _Pieces(NamedTuple):
    """How a web comes in: as which files, in which order, some of them again, with a cut."""

    tells: str
    order: list[int]
    again: list[int]
    cut: int


@st.composite
def pieces(draw: st.DrawFn) -> _Pieces:
    """Four files, one for each lane or for each quarter of the web."""
    order = draw(st.permutations(range(4)))
    again = draw(st.lists(st.integers(0, 3), max_size=3))
    return _Pieces(
        draw(st.sampled_from(["positions", "order"])), order, again, draw(st.integers(0, 9))
    )


@settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(coming=pieces())
def test_in_any_order_with_any_cut_and_repetition_the_record_ends_the_same(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, coming: _Pieces
) -> None:
    """Files of one web, each lane by its own camera, whenever they come and however often: every
    label ends in the same state as if they had come one after the other."""
    ends = []
    for plain in (True, False):
        bench.files += 1
        bench.lot = f"P{bench.files}"
        sk.lot.open(bench.record, GTIN, bench.lot, expiry=EXPIRY, target=80)
        sk.lot.approve(bench.record, bench.lot)
        rows = as_seen(bench.printed(80, lanes=4))
        rows[7]["seen"] = ""
        rows[30]["grade"] = "0.5"
        rows[51]["seen"] = rows[50]["seen"]
        rows[70]["seen"] = rows[10]["seen"]
        del rows[60]
        if coming.tells == "order":
            rows = [{name: row[name] for name in ("lane", "seen", "grade")} for row in rows]
        files = [
            bench.results([row for row in rows if row["lane"] == str(lane)]) for lane in range(1, 5)
        ]
        for number, index in enumerate(range(4) if plain else [*coming.order, *coming.again]):

            def take(path: Path = files[index]) -> Any:
                return sk.inspect.take(bench.record, bench.lot, path)

            if not plain and number == coming.cut % 4:
                interrupt(monkeypatch, take, coming.cut, before=coming.cut % 2 == 0)
            take()
        sk.record.verify(bench.record)
        ends.append(bench.states())
    assert ends[0] == ends[1]


def test_another_file_waits_for_the_interrupted_one(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a take is unfinished, no other file, no events and no closing of the lot."""
    rows = as_seen(bench.printed(LABELS))
    first, second = bench.results(rows[:50]), bench.results(rows[50:])
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, first), 2, True)
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, second)
    assert refused.value.word == "take_unfinished"
    with pytest.raises(sk.Refused) as refused:
        sk.events.write(bench.record, bench.lot, form="json", out=bench.folder / "e.jsonld")
    assert refused.value.word == "take_unfinished"
    sk.inspect.take(bench.record, bench.lot, first)
    sk.inspect.take(bench.record, bench.lot, second)
    assert set(bench.states()) == {"commissioned"}


def test_a_label_voided_between_two_chunks_stays_voided(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody voids a label while its file is half taken in: the void stands."""
    path = bench.results(as_seen(bench.printed(LABELS)))
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, path), 1, False)
    sk.label.void(bench.record, bench.lot, "90", reason="damaged", count=1)
    sk.inspect.take(bench.record, bench.lot, path)
    assert bench.states()[89] == "voided"
    assert bench.findings() == {90: "voided_number"}
    sk.record.verify(bench.record)


@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
def test_an_interrupted_print_leaves_no_half_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, before: bool
) -> None:
    """Before the commit nothing happened; after it the same bytes can be written again."""
    sk.serials.allocate(bench.record, bench.lot, LABELS)
    out = bench.folder / "job.csv"

    def write() -> Any:
        return sk.print.write(bench.record, bench.lot, lanes=4, out=out)

    assert interrupt(monkeypatch, write, 0, before)
    assert not [path for path in bench.folder.iterdir() if "job" in path.name]
    sk.record.verify(bench.record)
    if before:
        assert set(bench.states()) == {"allocated"}
        write()
    else:
        assert set(bench.states()) == {"issued"}
        sk.print.again(bench.record, bench.lot, 1, out=out)
    assert out.exists()


ALLOCATION = "sk.serials.allocate(record, 'LOT24A', 100_000)"
TAKE = "sk.inspect.take(record, 'LOT24A', Path(sys.argv[2]))"


def test_real_kills_lose_nothing(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """kill -9 at random moments of an allocation and a take; repeating the command ends each."""
    monkeypatch.undo()  # blocks of the real size, as in the killed process
    rng = random.Random(5)
    record = sk.init(database.url, "Line Lead")
    sk.product.add(record, GTIN, prefix_length=7, name="Demo")
    sk.lot.open(record, GTIN, "LOT24A", expiry=EXPIRY, target=1000)
    sk.lot.approve(record, "LOT24A")
    cut = 0
    for _ in cuts(rng, ALLOCATION, record.url):
        cut += 1
        assert sk.record.verify(record)["sound"]
        if sk.lot.show(record, "LOT24A")["states"].get("allocated") == 100_000:
            break  # killed just after its last commit: once more would be another allocation
    assert cut
    assert sk.lot.show(record, "LOT24A")["states"] == {"allocated": 100_000}
    sk.print.write(record, "LOT24A", lanes=4, out=tmp_path / "job.csv")
    results, truth = tmp_path / "results.csv", tmp_path / "truth.csv"
    made = sk.inspect.rehearse(record, "LOT24A", out=results, truth=truth, seed=1)
    for _ in cuts(rng, TAKE, record.url, str(results)):
        cut += 1
        assert sk.record.verify(record)["sound"]
    assert cut > 2
    taken = sk.inspect.take(record, "LOT24A", results)
    assert taken["readings"] == made["readings"]
    wanted = 100_000 - sum(
        count * (2 if fault in ("repeated", "swapped") else 1)
        for fault, count in made["faults"].items()
    )
    assert taken["states"]["commissioned"] == wanted
    sk.record.verify(record)
    record.close()


def test_two_allocations_at_once_are_one(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second process that starts the same allocation joins it; another number is refused."""
    real = Record.work
    started: list[int] = []

    @contextmanager
    def work(self: Record, *chains: int) -> Iterator[Work]:
        if not started:
            started.append(1)
            sk.serials.allocate(other, bench.lot, LABELS)
        with real(self, *chains) as opened:
            yield opened

    other = sk.open_record(bench.url, person="Second Person")
    with monkeypatch.context() as patch:
        patch.setattr(Record, "work", work)
        sk.serials.allocate(bench.record, bench.lot, LABELS)
    sk.record.verify(bench.record)
    rows = bench.labels()
    with bench.record.read() as view:
        from serialkeeper.store.view import key_of

        lot = view.lot(bench.lot)
        assert view.serials(key_of(lot), 1, len(rows)) == [row["serial"] for row in rows]
        there = [view.label_at(key_of(lot), row["position"]) for row in rows]
    assert [label and label.serial for label in there] == [row["serial"] for row in rows]
    other.close()


ALLOCATE = """
import sys
import serialkeeper as sk
record = sk.open_record(sys.argv[1], person="Line Lead", station=sys.argv[2])
print(sk.serials.allocate(record, "LOT24A", 60_000)["resumed"])
"""


def test_two_processes_allocate_for_one_lot(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same command twice at once, for real: whole allocations, a sound record, no refusal; and
    where both got the same numbers, one of them is told that it did not begin them."""
    monkeypatch.undo()
    record = sk.init(database.url, "Line Lead")
    sk.product.add(record, GTIN, prefix_length=7, name="Demo")
    sk.lot.open(record, GTIN, "LOT24A", expiry=EXPIRY, target=1000)
    sk.lot.approve(record, "LOT24A")
    both = [
        subprocess.Popen(
            [sys.executable, "-c", ALLOCATE, record.url, name], stdout=subprocess.PIPE, text=True
        )
        for name in ("a", "b")
    ]
    told = {process.communicate()[0].strip() for process in both}
    assert [process.returncode for process in both] == [0, 0]
    allocated = sk.lot.show(record, "LOT24A")["states"]["allocated"]
    assert (allocated, told) in ((60_000, {"True", "False"}), (120_000, {"False"}))
    sk.record.verify(record)
    record.close()


def test_nothing_is_accepted_while_a_file_is_half_taken(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the rest of the file says may bear on the label; so the decision waits."""
    rows = as_seen(bench.printed(LABELS))
    missing = rows.pop(4)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    scan = missing["seen"]
    path = bench.results([missing])
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, path), 0, False)
    with pytest.raises(sk.Refused) as refused:
        sk.label.accept(bench.record, bench.lot, 5, reason="x", scan=scan, second="Second Person")
    assert refused.value.word == "take_unfinished"
    sk.inspect.take(bench.record, bench.lot, path)
    assert set(bench.states()) == {"commissioned"}


def test_a_second_print_job_does_not_block_an_interrupted_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows and lanes of an interrupted file keep their meaning when more is printed."""
    rows = as_seen(bench.printed(LABELS))
    for row in rows:
        row["position"] = ""
    path = bench.results(rows)
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, path), 1, False)
    bench.printed(7)
    sk.inspect.take(bench.record, bench.lot, path)
    assert bench.states() == ["commissioned"] * LABELS + ["issued"] * 7
    sk.record.verify(bench.record)


def test_a_file_that_cannot_be_delivered_after_the_commit_says_how_to_get_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The labels are issued, the name was taken meanwhile: the refusal names the job."""
    sk.serials.allocate(bench.record, bench.lot, 5)
    out = bench.folder / "job.csv"
    real = Record.work

    @contextmanager
    def work(self: Record, *chains: int) -> Iterator[Work]:
        with real(self, *chains) as opened:
            yield opened
        out.write_text("somebody else's")

    with monkeypatch.context() as patch, pytest.raises(sk.Refused) as refused:
        patch.setattr(Record, "work", work)
        sk.print.write(bench.record, bench.lot, lanes=1, out=out)
    assert "print again LOT24A 1" in refused.value.remedy
    assert out.read_text() == "somebody else's"
    sk.print.again(bench.record, bench.lot, 1, out=bench.folder / "again.csv")


def test_a_link_in_the_place_of_a_file_is_a_file(bench: Bench) -> None:
    """A dangling symbolic link is refused before anything is issued."""
    sk.serials.allocate(bench.record, bench.lot, 5)
    out = bench.folder / "job.csv"
    out.symlink_to(bench.folder / "nowhere.csv")
    with pytest.raises(sk.Refused) as refused:
        sk.print.write(bench.record, bench.lot, lanes=1, out=out)
    assert refused.value.word == "file_exists"
    assert bench.states() == ["allocated"] * 5


def test_a_label_printed_while_a_file_waits_was_seen_too_early(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The interrupted file read a number before it was printed: the label is held for good."""
    rows = as_seen(bench.printed(30))
    sk.serials.allocate(bench.record, bench.lot, 5)
    serial = sk.label.show(bench.record, bench.lot, position=32)["serial"]
    rows.append({"position": 32, "seen": f"]d201{GTIN}21{serial}{{GS}}1728063010LOT24A"})
    path = bench.results(rows)
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, path), 0, False)
    sk.print.write(bench.record, bench.lot, lanes=1, out=bench.folder / "late.csv")
    sk.inspect.take(bench.record, bench.lot, path)
    assert bench.states()[31] == "rejected"
    assert bench.findings() == {32: "not_issued"}


def test_a_label_voided_while_its_file_is_written_is_a_finding(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The void comes between two chunks of a running take: the take still says it was seen."""
    path = bench.results(as_seen(bench.printed(LABELS)))
    real = Record.work
    chunks = iter(range(10_000))

    @contextmanager
    def work(self: Record, *chains: int) -> Iterator[Work]:
        if next(chunks) == 2:
            sk.label.void(other, bench.lot, "90", reason="waste", count=1)
        with real(self, *chains) as opened:
            yield opened

    other = sk.open_record(bench.url, person="Second Person")
    with monkeypatch.context() as patch:
        patch.setattr(Record, "work", work)
        sk.inspect.take(bench.record, bench.lot, path)
    other.close()
    assert (bench.states()[89], bench.findings()) == ("voided", {90: "voided_number"})
    sk.record.verify(bench.record)
