"""A crash at any instant leaves the record as before or after a chunk (invariant 8)."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen

import serialkeeper as sk
from serialkeeper.rules import chain
from serialkeeper.steps import inspection, numbering, printing, reports
from serialkeeper.store.record import Record, Work

LABELS = 95
"""Labels of these tests; blocks are cut to ten positions, so that a lot has ten of them."""


class PowerCut(BaseException):
    """Stands for the plug being pulled."""


@pytest.fixture(autouse=True)
def _small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of ten positions, two at a time, so that small lots have many chunks."""
    from serialkeeper.rules import taking
    from serialkeeper.store import verify, view

    monkeypatch.setattr(chain, "BLOCK", 10)
    for module in (numbering, inspection, printing, reports, taking, verify, view):
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
        done = len(bench.labels()) if not lot["allocated"] or transaction else 0
        if lot["allocated"] and lot["states"].get("allocated", 0) < LABELS:
            with pytest.raises(sk.Refused) as refused:
                sk.print.write(bench.record, bench.lot, lanes=1, out=bench.folder / "x.csv")
            assert refused.value.word == "allocation_unfinished"
        if lot["states"].get("allocated", 0) < LABELS:
            sk.serials.allocate(bench.record, bench.lot, LABELS)
        assert done <= LABELS
        assert sk.lot.show(bench.record, bench.lot)["states"] == {"allocated": LABELS}
        assert len({row["serial"] for row in bench.labels()}) == LABELS
        sk.record.verify(bench.record)
    else:
        pytest.fail("the allocation never ran through without a cut")
    assert transaction >= 5


@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
def test_an_interrupted_take_goes_on_when_the_same_file_comes_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, before: bool
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
        path = bench.results(rows)

        def take(path: Path = path) -> Any:
            return sk.inspect.take(bench.record, bench.lot, path)

        cut = interrupt(monkeypatch, take, transaction, before)
        sk.record.verify(bench.record)
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
    assert refused.value.word == "lot_open_points"
    sk.inspect.take(bench.record, bench.lot, first)
    sk.inspect.take(bench.record, bench.lot, second)
    assert set(bench.states()) == {"commissioned"}


def test_a_label_voided_between_two_chunks_stays_voided(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody voids a label while its file is half taken in: the void stands."""
    path = bench.results(as_seen(bench.printed(LABELS)))
    assert interrupt(monkeypatch, lambda: sk.inspect.take(bench.record, bench.lot, path), 1, False)
    sk.label.void(bench.record, bench.lot, "90", reason="damaged")
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


KILLED = """
import sys
import serialkeeper as sk
from pathlib import Path
record = sk.open_record(sys.argv[1], person="Line Lead")
print("ready", flush=True)
if sys.argv[2] == "allocate":
    sk.serials.allocate(record, "LOT24A", 200_000)
else:
    sk.inspect.take(record, "LOT24A", Path(sys.argv[3]))
"""


def killed_after(seconds: float, *arguments: str) -> bool:
    """Run a step in a process of its own and kill it; whether it was still at work."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, *arguments], stdout=subprocess.PIPE, cwd=Path.cwd()
    )
    assert process.stdout and process.stdout.readline() == b"ready\n"
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    return process.wait() == -signal.SIGKILL


def test_real_kills_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """kill -9 at random moments of an allocation and a take; repeating the command ends each."""
    monkeypatch.undo()  # blocks of the real size, as in the killed process
    rng = random.Random(5)
    record = sk.init(f"sqlite:///{tmp_path / 'record.db'}", "Line Lead")
    sk.product.add(record, GTIN, prefix_length=7, name="Demo")
    sk.lot.open(record, GTIN, "LOT24A", expiry=EXPIRY, target=1000)
    sk.lot.approve(record, "LOT24A")
    for _ in range(4):
        killed_after(rng.uniform(0, 0.15), record.url, "allocate")
        sk.record.verify(record)
        if sk.lot.show(record, "LOT24A")["states"].get("allocated", 0) == 200_000:
            break
    if sk.lot.show(record, "LOT24A")["states"].get("allocated", 0) < 200_000:
        sk.serials.allocate(record, "LOT24A", 200_000)
    assert sk.lot.show(record, "LOT24A")["states"] == {"allocated": 200_000}
    sk.print.write(record, "LOT24A", lanes=4, out=tmp_path / "job.csv")
    results, truth = tmp_path / "results.csv", tmp_path / "truth.csv"
    made = sk.inspect.rehearse(record, "LOT24A", out=results, truth=truth, seed=1)
    for _ in range(4):
        killed_after(rng.uniform(0.2, 1.2), record.url, "take", str(results))
        sk.record.verify(record)
    taken = sk.inspect.take(record, "LOT24A", results)
    assert taken["readings"] == made["readings"]
    wanted = 200_000 - sum(
        count * (2 if fault in ("repeated", "swapped") else 1)
        for fault, count in made["faults"].items()
    )
    assert taken["states"]["commissioned"] == wanted
    sk.record.verify(record)
    record.close()
