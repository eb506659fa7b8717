"""The machine fails: a cut at every step of the job, a full or read-only disk, a locked database,
a clock that jumps, a copied file. What failed says so plainly, nothing is half-written, and the
same step works once the fault is gone.
"""

from __future__ import annotations

import errno
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Bench, as_seen
from databases import Database

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import files
from serialkeeper.store import engines

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from rounds import LIFE, Rounds, check, repeat, small_blocks, table

sys.path.pop(0)

LINE_LEAD = ["--as", "Line Lead"]


def typed(capsys: pytest.CaptureFixture[str], url: str, *words: str) -> tuple[int, dict[str, Any]]:
    """A command; gives its exit code and its JSON."""
    code = run([*words, "--record", url, *LINE_LEAD, "--json"])
    return code, json.loads(capsys.readouterr().out)


# -- cuts ----------------------------------------------------------------------------------------


def test_every_step_of_a_lot_is_cut_short_and_given_again(
    database: Database, tmp_path: Path
) -> None:
    """One lot of the long form on each database: whatever the moment, the invariants hold after
    the cut, the same step ends, and the lot closes."""
    rounds = Rounds(database.url, tmp_path, seed=1 if database.kind == "sqlite" else 2, killed=0.05)
    rounds.run(1, len(LIFE))
    assert not rounds.failed, rounds.failed
    assert rounds.survived == rounds.told and sum(rounds.told.values()) == len(LIFE)
    assert f"{len(LIFE)} of {len(LIFE)}" in table(rounds).splitlines()[-1]


# -- disks ---------------------------------------------------------------------------------------


@contextmanager
def longest_file(size: int) -> Iterator[None]:
    """No file of this process grows beyond so many bytes; the system refuses (EFBIG), as a full
    disk does. Python ignores the signal that would come with it."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.only_on("sqlite", reason="a server's disk is its own; it says so by SQLSTATE 53")
def test_a_full_disk_is_told_at_every_step_and_the_step_works_later(
    database: Database, tmp_path: Path
) -> None:
    """A log that cannot grow beyond some size: each step is done, or refused as `record_full`,
    exit 4; the record is sound, and the same step ends when there is room."""
    chance, told = random.Random(4), Counter[str]()
    rounds = Rounds(database.url, tmp_path, seed=0)
    with small_blocks():
        rounds.prepare()
        lot = rounds.new("F1")
        for step in LIFE:
            lot.record.close()
            lot.record = rounds.open()
            try:
                with longest_file(chance.randrange(33_000, 90_000)):
                    step.do(lot)
                told["done"] += 1
            except sk.Unavailable as error:
                words = ("record_full", "file_unwritable" if step.name == "report" else "")
                assert error.word in words and error.exit_code == 4, error
                told[error.word] += 1
            lot.record.close()
            lot.record = rounds.open()
            check(lot)
            repeat(lot, step)
        check(lot, ended=True)
        lot.record.close()
    assert told["done"] > 3 and told["record_full"] > 9, told


@pytest.mark.only_on("sqlite", reason="a server's disk is its own; it says so by SQLSTATE 53")
def test_no_page_more_is_told_and_the_allocation_goes_on_later(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """What SQLite does when the disk has no room (ENOSPC, SQLITE_FULL), by a limit of its own."""
    engine = bench.record.engine
    engines.event.listen(engine, "connect", few_pages := _few_pages)
    engine.dispose()
    with pytest.raises(sk.Unavailable, match="full") as refused:
        sk.serials.allocate(bench.record, bench.lot, 60_000)
    assert refused.value.word == "record_full"
    left = sk.lot.show(bench.record, bench.lot)["states"].get("allocated", 0)
    assert left < 60_000
    engines.event.remove(engine, "connect", few_pages)
    engine.dispose()
    assert bench.heads()
    code, answer = typed(capsys, bench.url, "serials", "allocate", bench.lot, "60000")
    assert (code, answer["last"]) == (0, 60_000)
    assert len(bench.labels()) == 60_000 and bench.heads()


def _few_pages(connection: Any, _: object) -> None:
    connection.execute("PRAGMA max_page_count=60").fetchall()


def _print(bench: Bench) -> Any:
    return sk.print.write(bench.record, bench.lot, lanes=4, last=40, out=bench.folder / "p.csv")


def _events(bench: Bench) -> Any:
    return sk.events.write(bench.record, bench.lot, form="json", out=bench.folder / "e.jsonld")


def _checkpoint(bench: Bench) -> Any:
    keys = bench.folder
    return sk.record.checkpoint(bench.record, keys / "kept", key=keys / "checkpoints.pem")


def _refusing(number: int) -> Callable[..., None]:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return refuse


def test_a_full_disk_leaves_no_half_file_and_promises_none(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A print file, an event file and a checkpoint: where writing, syncing or naming fails, the
    refusal says so, nothing is left in the folder, and the step works later. A checkpoint that
    did not come counts for nothing; a print file that did not is owed, and the refusal says how
    to get it."""
    record = bench.record
    sk.inspect.take(record, bench.lot, bench.results(as_seen(bench.printed(20))))
    sk.serials.allocate(record, bench.lot, 40)
    sk.record.key(record, bench.folder / "checkpoints.pem")
    (bench.folder / "kept").mkdir()
    for step in (_print, _events, _checkpoint):
        for fault in ("write", "fsync", "link"):
            there, before = set(bench.folder.rglob("*")), bench.heads()
            with monkeypatch.context() as patch, pytest.raises(sk.Unavailable) as refused:
                if fault == "fsync":
                    patch.setattr(files.os, "fsync", _refusing(errno.ENOSPC))
                if fault == "link":
                    patch.setattr(files.os, "link", _refusing(errno.ENOSPC))
                    patch.setattr(Path, "rename", _refusing(errno.ENOSPC))
                with longest_file(100 if fault == "write" else resource.RLIM_INFINITY):
                    step(bench)
            assert (refused.value.word, refused.value.exit_code) == ("file_unwritable", 4)
            assert set(bench.folder.rglob("*")) == there, (step, fault)
            if step is _print and fault == "link":
                assert "print again LOT24A 2" in refused.value.remedy
                continue
            # What the event file was to be is told all the same, as it is for one that is lost.
            if not (step is _events and fault == "link"):
                assert bench.heads() == before, (step, fault)
        if step is _print:
            sk.print.again(record, bench.lot, 2, out=bench.folder / "p.csv")
        else:
            step(bench)
    assert sk.record.verify(record)["unprotected"]["entries"] == 1
    assert not list(bench.folder.rglob("*.part"))


CLOSED = """
import os, sys
from serialkeeper.cli.door import run
for words in (["lot", "show"], ["serials", "odds"], ["label", "list"]):
    assert run([*words, "LOT24A", *sys.argv[2:]]) == 0
folder = os.path.dirname(sys.argv[1])
os.chmod(folder, 0o555)
os.chmod(sys.argv[1], 0o444)
if not os.getuid():
    os.setgid(65534)
    os.setuid(65534)
for words in (["serials", "allocate", "LOT24A", "10"], ["lot", "show", "LOT24A"]):
    print("code", run([*words, *sys.argv[2:]]), flush=True)
"""


@pytest.mark.only_on("sqlite", reason="a server's files are its own")
def test_a_folder_for_reading_only_is_refused_plainly(bench: Bench) -> None:
    """By an account that may not write there, as on a disk that is for reading only: refused as
    `file_unwritable`, exit 4, also for looking, which needs SQLite's files beside it. Nothing
    is changed, and with the right to write all goes on."""
    before = bench.heads()
    bench.record.close()
    with tempfile.TemporaryDirectory(prefix="closed-") as name:
        Path(name).chmod(0o755)
        path = Path(name) / "record.db"
        shutil.copy(bench.url.removeprefix("sqlite:///"), path)
        words = ["--record", f"sqlite:///{path}", *LINE_LEAD]
        done = subprocess.run(
            [sys.executable, "-c", CLOSED, str(path), *words], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert [line for line in done.stdout.splitlines() if line.startswith("code")] == [
            "code 4",
            "code 4",
        ], done.stderr
        assert done.stderr.count("[file_unwritable]") == 2
        Path(name).chmod(0o755)
        path.chmod(0o644)
        with sk.open_record(f"sqlite:///{path}", person="Line Lead") as record:
            assert sk.record.verify(record)["heads"] == before
            sk.serials.allocate(record, "LOT24A", 10)


# -- locks ---------------------------------------------------------------------------------------

HOLDING = {
    "sqlite": """
import sqlite3, sys
client = sqlite3.connect(sys.argv[1].removeprefix("sqlite:///"), isolation_level=None)
client.execute("BEGIN IMMEDIATE")
""",
    "postgresql": """
import psycopg, sys
client = psycopg.connect(sys.argv[1])
client.execute("SELECT * FROM chain FOR UPDATE")
""",
}


def test_a_lock_of_another_process_is_told_and_the_command_works_later(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another program holds the database's lock: looking goes on, writing is refused as
    `record_busy`, exit 4, and changes nothing."""
    before = bench.heads()
    monkeypatch.setattr(engines, "WAIT_MILLISECONDS", 200)
    program = HOLDING[bench.database.kind] + "print('held', flush=True)\nsys.stdin.read()\n"
    with subprocess.Popen(
        [sys.executable, "-c", program, bench.url],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout and process.stdout.readline() == "held\n"
        assert typed(capsys, bench.url, "lot", "show", bench.lot)[0] == 0
        words = ("serials", "allocate", bench.lot, "10")
        code, answer = typed(capsys, bench.url, *words)
        assert (code, answer["refused"]["word"]) == (4, "record_busy"), answer
        assert bench.heads() == before
        process.communicate("")
    assert typed(capsys, bench.url, *words)[0] == 0
    assert bench.states() == ["allocated"] * 10 and bench.heads()


OPENED = """
import sys
import serialkeeper as sk
with sk.open_record(sys.argv[1], person="Line Lead") as record:
    print(sum(sk.lot.show(record, "LOT24A")["states"].values()))
"""


def test_a_record_that_one_process_opens_twice_loses_nothing(bench: Bench) -> None:
    """One opening ends, and another process comes and goes: what the first opening writes then
    is still there for everybody. (Closing a file lets go of all locks that a process has on it;
    so nothing may open the record's file beside the database.)"""

    def elsewhere() -> int:
        words = [sys.executable, "-c", OPENED, bench.url]
        return int(subprocess.run(words, stdout=subprocess.PIPE, check=True).stdout)

    for number in (1, 2):
        sk.open_record(bench.url, person="Line Lead").close()
        assert elsewhere() == 10 * (number - 1)
        sk.serials.allocate(bench.record, bench.lot, 10)
        assert elsewhere() == len(bench.labels()) == 10 * number
    assert bench.heads()


# -- clocks --------------------------------------------------------------------------------------


def test_a_clock_that_jumps_moves_no_entry_and_is_told(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two years on, back again, and a little further back: the entries' order is that of the work,
    their times what the clock showed; verify says where it was set back, and by how much. What
    a wrong day forbids is allowed again on the right one."""
    jumps = {"years on": timedelta(days=800), "right": timedelta(), "behind": timedelta(hours=-3)}
    shift = [timedelta()]
    start = bench.record.now()

    def now() -> datetime:
        return start + shift[0]

    rows = as_seen(bench.printed(30))
    assert sk.record.verify(bench.record)["set_back"]["entries"] == 0
    with sk.open_record(bench.url, person="Line Lead", station="line 1", now=now) as record:
        for number, (name, by) in enumerate(jumps.items()):
            shift[0] = by
            some = rows[number * 10 : number * 10 + 10]
            sk.inspect.take(record, bench.lot, bench.results(some))
            assert sk.record.verify(record)["sound"], name
            if name == "years on":
                with pytest.raises(sk.Refused) as refused:
                    sk.lot.open(record, "09521234543213", "LATE", expiry=start.date(), target=9)
                assert refused.value.word == "expiry_past"
        told = sk.record.verify(record)["set_back"]
        assert told["entries"] == 2 and told["seconds"] // 86_400 in (799, 800)
        assert told["first"].startswith("lot 1, entry ")
    assert bench.states() == ["commissioned"] * 30
    assert bench.record.now().tzinfo == UTC
    code = run(["record", "verify", "--record", bench.url, *LINE_LEAD])
    assert code == 0 and "clock was set back 2 times" in capsys.readouterr().out


# -- copies --------------------------------------------------------------------------------------


@pytest.mark.only_on("sqlite", reason="the database is a file that anybody may copy")
def test_a_copied_file_shows_only_against_a_checkpoint(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """`cp`, and both are worked on. Each is sound by itself: nothing in a file says that there is
    another one, and both give out numbers under the same prefix. A checkpoint of the one does not
    hold in the other. A file copied while it is open lacks what is not in it yet: older, but
    sound, and a checkpoint shows that, too."""
    folder, path = bench.folder, Path(bench.url.removeprefix("sqlite:///"))
    key = folder / "checkpoints.pem"
    sk.record.key(bench.record, key)
    bench.record.close()

    def cp(to: str) -> Path:  # in a process of its own: to close a file lets go of all its locks
        subprocess.run(["cp", path, folder / to], check=True)
        return folder / to

    copy = cp("copy.db")
    prefixes = {}
    for name in (path, copy):
        with sk.open_record(f"sqlite:///{name}", person="Line Lead") as record:
            sk.serials.allocate(record, bench.lot, 10)
            prefixes[name] = {one["serial"][:4] for one in sk.label.list(record, bench.lot)}
            assert sk.record.verify(record)["sound"]
    assert prefixes[path] == prefixes[copy]
    first = sk.record.checkpoint(bench.record, folder, key=key)["file"]
    live = cp("live.db")
    sk.label.void(bench.record, bench.lot, "10", reason="surplus", count=1)
    last = sk.record.checkpoint(bench.record, folder, key=key)["file"]
    torn = cp("torn.db")

    def against(file: str, name: object) -> tuple[int, str]:
        code, answer = typed(capsys, f"sqlite:///{name}", "record", "verify", "--against", file)
        return code, answer.get("refused", {}).get("word", "")

    assert against(first, path) == against(last, path) == (0, "")
    assert against(first, copy)[0] == 3 and against(last, copy)[0] == 3
    for name in (live, torn):
        with sk.open_record(f"sqlite:///{name}", person="Line Lead") as record:
            assert sk.record.verify(record)["sound"]
        assert against(last, name)[0] == 3
