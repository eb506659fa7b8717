"""Several stations on one record: taking over, hanging, and doing the same thing at once.

What happens at once does so for real: every station has a connection and a thread or a process of
its own. On PostgreSQL their transactions run side by side, in a file one after the other.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from forms import FORMS
from test_follow import Feeder, spoiled, text_of
from test_interruption import PowerCut, interrupt

import serialkeeper as sk
from serialkeeper.outside import growing
from serialkeeper.rules import chain
from serialkeeper.steps import inspection, numbering
from serialkeeper.steps.inspection import follower, taking
from serialkeeper.store import engines, record
from serialkeeper.store.record import Record, Work
from serialkeeper.store.view import key_of

BENCHES = Path(__file__).resolve().parents[1] / "bench"

Step = Callable[[Record], Any]


@pytest.fixture
def others(bench: Bench) -> Iterator[list[Record]]:
    """Four more stations on the bench's record."""
    with ExitStack() as stack:
        yield [
            stack.enter_context(
                sk.open_record(bench.url, person="Line Lead", station=f"line {number}")
            )
            for number in range(2, 6)
        ]


def at_once(stations: list[Record], *steps: Step) -> list[Any]:
    """Each step at a station of its own, all begun at the same moment.

    Gives what each gives, or the word of its refusal.
    """
    gate, gave = threading.Barrier(len(steps)), dict[int, Any]()

    def run(number: int) -> None:
        gate.wait()
        try:
            gave[number] = steps[number](stations[number])
        except sk.SerialKeeperError as error:
            gave[number] = error.word

    threads = [threading.Thread(target=run, args=(number,)) for number in range(len(steps))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(gave) == len(steps), "a station failed, or hangs"
    return [gave[number] for number in range(len(steps))]


def more_lots(bench: Bench, *numbers: str) -> None:
    for number in numbers:
        sk.lot.open(bench.record, GTIN, number, expiry=EXPIRY, target=20)
        sk.lot.approve(bench.record, number)


# -- another station goes on --------------------------------------------------------------------


@pytest.fixture
def _small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of ten positions, so that small lots have many transactions."""
    from serialkeeper.rules import lookup
    from serialkeeper.rules import taking as deciding
    from serialkeeper.store import codes, journal, listings, plans, verify

    monkeypatch.setattr(chain, "BLOCK", 10)
    for room in (numbering, taking, codes, listings, deciding, verify, journal, plans, lookup):
        monkeypatch.setattr(room, "BLOCK", 10)
    for room in (numbering, taking):
        monkeypatch.setattr(room, "BLOCKS_AT_ONCE", 1)


@pytest.mark.usefixtures("_small_blocks")
@pytest.mark.parametrize("step", ["allocate", "take"])
def test_another_station_ends_what_a_dead_one_left(
    bench: Bench, others: list[Record], monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """A station dies in the midst of an allocation or a take: the same command at another one goes
    on where it stopped, and the record ends as if nobody had died."""
    steps: dict[str, Step] = {"allocate": lambda at: sk.serials.allocate(at, bench.lot, 65)}
    if step == "take":
        rows = as_seen(bench.printed(65))
        rows[7]["seen"], rows[50]["grade"] = "", "0.5"
        path = bench.results(rows)
        steps["take"] = lambda at: sk.inspect.take(at, bench.lot, path)
    assert interrupt(monkeypatch, lambda: steps[step](bench.record), 3, False)
    assert sk.station.list(bench.record)[0]["unfinished"]
    steps[step](others[0])
    assert not any(one["unfinished"] for one in sk.station.list(bench.record))
    states = bench.states()
    if step == "allocate":
        assert states == ["allocated"] * 65
    else:
        assert [n for n, state in enumerate(states) if state != "commissioned"] == [7, 50]
        assert bench.findings() == {8: "unreadable", 51: "low_grade"}
    sk.record.verify(bench.record)


@pytest.fixture
def _hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks at a followed file come quickly one after the other."""
    monkeypatch.setattr(growing, "EVERY", 0.002)
    monkeypatch.setattr(follower, "LOOK_EVERY", 0.0)


class Dying(Feeder):
    """Dies once it was told of an alarm and the file was read on; nothing more is written then."""

    def asked(self) -> str:
        if self.alarms and not self.pieces:
            raise PowerCut
        return ""


@pytest.mark.usefixtures("_hasty")
def test_a_followed_file_goes_on_at_another_station(
    bench: Bench, others: list[Record], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A station dies while it follows a file: another one follows it to the end, with every alarm
    once, and the first one, should it come back, is refused."""
    text = text_of(bench, spoiled(bench))
    path = bench.folder / "r.csv"
    half = text.index(b"\n", len(text) * 2 // 3) + 1
    saved = follower.Follower._save
    with monkeypatch.context() as patch:
        # What a killed station had read since it last wrote is lost.
        patch.setattr(follower.Follower, "_save", lambda self: self.pending and saved(self))
        first = Dying(path, [text[:half]])
        with pytest.raises(PowerCut):
            sk.inspect.follow(bench.record, bench.lot, path, onlooker=first)
    assert first.alarms
    back: list[str] = []

    def come_back() -> None:
        with pytest.raises(sk.Refused) as refused:
            inspection.finish(bench.record, bench.lot, path)
        back.append(refused.value.word)

    def go_on() -> None:
        told = inspection.finish(others[0], bench.lot, path)
        back.append(told["state"])

    second = Feeder(path, [come_back, text[half:], go_on])
    second.last = ""
    done = sk.inspect.follow(others[0], bench.lot, path, onlooker=second)
    assert back == ["file_missing", "finishing"]
    assert done["finished"] and len(done["takes"]) == 1
    raised = sk.alarm.list(bench.record, bench.lot)
    assert len({(one["kind"], one["lane"], one["first"]) for one in raised}) == len(raised)
    assert sorted(one["id"] for one in raised) == sorted(
        {one["id"] for one in [*first.alarms, *second.alarms]}
    )
    assert not any(one["unfinished"] for one in sk.station.list(bench.record))
    with bench.record.read() as view:
        follows = view.follows(key_of(view.lot(bench.lot)))
    assert [(one.station, one.state) for one in follows] == [("line 2", "finished")]
    sk.record.verify(bench.record)


@pytest.mark.usefixtures("_hasty")
def test_a_file_of_the_same_name_at_another_station_is_another_file(
    bench: Bench, others: list[Record]
) -> None:
    """Two cameras call their files alike: each is followed by its own station, none is mistaken
    for what the other one left."""
    rows = as_seen(bench.printed(40))
    for name, some in (("a", rows[:20]), ("b", rows[20:])):
        (bench.folder / name).mkdir()
        bench.results(some, name=f"{name}/r.csv")
    left = Feeder(bench.folder / "grown.csv", [])
    left.last = "stop"
    sk.inspect.follow(bench.record, bench.lot, bench.folder / "a" / "r.csv", onlooker=left)
    sk.inspect.follow(others[0], bench.lot, bench.folder / "b" / "r.csv", idle=0.02)
    with bench.record.read() as view:
        follows = view.follows(key_of(view.lot(bench.lot)))
    assert [(one.station, one.state) for one in follows] == [
        ("line 1", "following"),
        ("line 2", "finished"),
    ]
    sk.inspect.follow(bench.record, bench.lot, bench.folder / "a" / "r.csv", idle=0.02)
    assert bench.states() == ["commissioned"] * 40
    sk.record.verify(bench.record)


# -- a station hangs ----------------------------------------------------------------------------

HANGING = """
import sys
import serialkeeper as sk
from serialkeeper.store import engines
from serialkeeper.store.view import key_of
engines.IDLE_MILLISECONDS = 700
record = sk.open_record(sys.argv[1], person="Line Lead", station="line 9")
with record.read() as view:
    key = key_of(view.lot("LOT24A"))
try:
    with record.work(key) as work:
        row = {"id": 1, "term": "printer_counter", "value": 7, "witness": ""}
        work.write(key, "counted", row)
        print("at it", flush=True)
        sys.stdin.readline()
        work.write(key, "counted", row | {"id": 2})
except sk.SerialKeeperError as error:
    print(error.word, flush=True)
"""


@contextmanager
def hanging(url: str) -> Iterator[subprocess.Popen[str]]:
    """A station that is stopped in the midst of a transaction."""
    process = subprocess.Popen(
        [sys.executable, "-c", HANGING, url],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    assert process.stdout.readline() == "at it\n"
    process.send_signal(signal.SIGSTOP)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.mark.only_on("postgresql", reason="a file's lock is the system's; nobody can take it away")
def test_a_station_that_hangs_loses_its_lock(bench: Bench) -> None:
    """Stopped in the midst of a work: another station waits for no longer than the server was
    told, and the hung one, going on, is refused and has changed nothing."""
    with hanging(bench.url) as process:
        start = time.monotonic()
        sk.serials.allocate(bench.record, bench.lot, 20_000)
        assert time.monotonic() - start < 20
        process.send_signal(signal.SIGCONT)
        told, _ = process.communicate("\n")
    assert told.split() in (["record_busy"], ["record_unreachable"])
    assert bench.states() == ["allocated"] * 20_000
    with bench.record.read() as view:
        assert not view.tallies(key_of(view.lot(bench.lot)))
    sk.record.verify(bench.record)


def test_the_server_takes_a_lock_away_before_others_give_up() -> None:
    """A station that waits for a hung one gets its turn, it is not refused."""
    assert engines.IDLE_MILLISECONDS < engines.WAIT_MILLISECONDS


@pytest.mark.only_on("sqlite", reason="on a server the hung station loses its lock")
def test_nobody_waits_for_ever_for_a_hung_process(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a file the others are refused after a while, as busy; once it goes on, all goes on."""
    with hanging(bench.url) as process:
        with monkeypatch.context() as patch, pytest.raises(sk.Unavailable) as refused:
            patch.setattr(record, "WAIT_MILLISECONDS", 300)
            sk.serials.allocate(bench.record, bench.lot, 20)
        assert refused.value.word == "record_busy"
        process.send_signal(signal.SIGCONT)
        told, _ = process.communicate("\n")
    assert told == ""
    sk.serials.allocate(bench.record, bench.lot, 20)
    sk.record.verify(bench.record)


# -- the same thing at once ---------------------------------------------------------------------


def test_lots_opened_at_once_have_ids_and_chains_of_their_own(
    bench: Bench, others: list[Record]
) -> None:
    """Four stations open three lots each: none is lost, none stands in another one's chain."""

    def opening(station: int) -> Step:
        def opens(at: Record) -> None:
            for number in range(3):
                lot = f"L{station}-{number}"
                sk.lot.open(at, GTIN, lot, expiry=EXPIRY, target=20)
                sk.lot.approve(at, lot)

        return opens

    assert at_once(others, *map(opening, range(4))) == [None] * 4
    with bench.record.read() as view:
        lots = view.lots()
        assert sorted(lot.id for lot in lots) == list(range(1, 14))
        assert len(view.chains()) == 14
    sk.record.verify(bench.record)


def test_a_lot_opened_twice_at_once_is_opened_once(bench: Bench, others: list[Record]) -> None:
    """All but one are refused in plain words."""

    def opens(at: Record) -> str:
        return str(sk.lot.open(at, GTIN, "SAME", expiry=EXPIRY, target=20)["lot"])

    assert sorted(at_once(others, *[opens] * 4)) == ["SAME", *["lot_exists"] * 3]
    sk.record.verify(bench.record)


def test_allocations_at_once_share_no_prefix(bench: Bench, others: list[Record]) -> None:
    """Four lots of one product get numbers at the same time, each under prefixes of its own."""
    lots = [f"A{number}" for number in range(4)]
    more_lots(bench, *lots)

    def gives(lot: str) -> Step:
        return lambda at: sk.serials.allocate(at, lot, 12_000)["count"]

    assert at_once(others, *map(gives, lots)) == [12_000] * 4
    with bench.record.read() as view:
        ranges = [one for lot in view.lots() for one in view.allocations(key_of(lot))]
        used = [
            n
            for one in ranges
            for n in range(one.prefix_first, one.prefix_first + one.prefix_count)
        ]
    assert len(used) == len(set(used)) == 8
    sk.record.verify(bench.record)


def test_one_file_of_numbers_for_two_lots_at_once_goes_into_one(
    bench: Bench, others: list[Record]
) -> None:
    """Two files with a number in common come for two lots: one is taken in, the other one is
    refused, and named as what it is when it comes again."""
    more_lots(bench, "N1", "N2")
    paths = [bench.folder / "n1.csv", bench.folder / "n2.csv"]
    for path in paths:
        some = [f"{path.stem.upper()}{number:05}" for number in range(15_000)]
        path.write_text("\n".join(["serial", *some, "SHARED", ""]))

    def imports(number: int) -> Step:
        return lambda at: sk.serials.import_(at, f"N{number + 1}", paths[number])["count"]

    gave = at_once(others, imports(0), imports(1))
    assert 15_001 in gave
    refused = next(one for one in gave if one != 15_001)
    assert refused in ("allocation_unfinished", "import_rows")
    again = gave.index(refused)
    with pytest.raises(sk.Refused) as told:
        imports(again)(others[again])
    assert (told.value.word, "15002" in told.value.where) == ("import_rows", True)
    sk.record.verify(bench.record)


def test_own_numbers_and_imported_ones_at_once_never_meet(
    bench: Bench, others: list[Record]
) -> None:
    """An allocation and an import for two lots of a product: both are done, or one waits."""
    more_lots(bench, "N1", "N2")
    path = bench.folder / "n.csv"
    path.write_text("\n".join(["serial", *(f"N{number:05}" for number in range(15_000)), ""]))
    gave = at_once(
        others,
        lambda at: sk.serials.allocate(at, "N1", 15_000)["count"],
        lambda at: sk.serials.import_(at, "N2", path)["count"],
    )
    assert 15_000 in gave and set(gave) <= {15_000, "allocation_unfinished"}
    sk.record.verify(bench.record)


def test_two_files_of_one_lot_at_once(bench: Bench, others: list[Record]) -> None:
    """Each half of a web in a file of its own: whoever is second waits or is told to; the labels
    end as if the files had come one after the other."""
    rows = as_seen(bench.printed(200))
    paths = [bench.results(rows[:100]), bench.results(rows[100:])]

    def takes(number: int) -> Step:
        return lambda at: sk.inspect.take(at, bench.lot, paths[number])["readings"]

    gave = at_once(others, takes(0), takes(1))
    assert 100 in gave and set(gave) <= {100, "take_unfinished"}
    for number in range(2):
        takes(number)(others[number])
    assert bench.states() == ["commissioned"] * 200
    sk.record.verify(bench.record)


def test_one_file_at_two_stations_at_once_is_one_take(bench: Bench, others: list[Record]) -> None:
    """Both write what is not written yet; nothing is written twice."""
    rows = as_seen(bench.printed(200))
    rows[7]["seen"] = ""
    path = bench.results(rows)

    def takes(at: Record) -> int:
        return int(sk.inspect.take(at, bench.lot, path)["readings"])

    assert at_once(others, *[takes] * 4) == [200] * 4
    assert bench.findings() == {8: "unreadable"}
    with bench.record.read() as view:
        assert len(view.takes(key_of(view.lot(bench.lot)))) == 1
    sk.record.verify(bench.record)


def test_a_label_is_printed_by_one_of_two_stations(bench: Bench, others: list[Record]) -> None:
    """Both want to print the whole lot: one does, the other is told that there is nothing left."""
    sk.serials.allocate(bench.record, bench.lot, 200)

    def prints(number: int) -> Step:
        out = bench.folder / f"p{number}.csv"
        return lambda at: sk.print.write(at, bench.lot, lanes=4, out=out)["count"]

    gave = at_once(others, *map(prints, range(4)))
    assert gave.count(200) == 1
    assert set(gave) <= {200, "print_changed", "nothing_to_print"}
    assert len(list(bench.folder.glob("p?.csv"))) == 1
    sk.record.verify(bench.record)


def test_a_profile_used_first_by_two_stations_is_kept_once(
    bench: Bench, others: list[Record]
) -> None:
    """Two lots, two files of the same camera, at once: both are taken in, one profile stands."""
    lots, paths = [bench.lot, "LOT24B"], []
    more_lots(bench, "LOT24B")
    for number, bench.lot in enumerate(lots):
        paths.append(bench.folder / f"r{number}.jsonl")
        FORMS["example-json-lines"](paths[number], as_seen(bench.printed(40)))

    def takes(number: int) -> Step:
        return lambda at: sk.inspect.take(
            at, lots[number], paths[number], profile="example-json-lines"
        )["states"]

    assert at_once(others, takes(0), takes(1)) == [{"commissioned": 40}] * 2
    with bench.record.read() as view:
        assert [one.name for one in view.profiles()] == ["example-json-lines"]
    sk.record.verify(bench.record)


def test_facts_of_the_house_at_once(bench: Bench, others: list[Record]) -> None:
    """People, alarm rules and stations entered at the same moment: each gets an id of its own, and
    a name stays with the one who had it first."""
    steps: list[Step] = [
        lambda at: sk.person.add(at, "Third Person", role="operator")["name"],
        lambda at: sk.person.add(at, "third person", role="operator")["name"].title(),
        lambda at: len(sk.alarm.rules(at, in_a_row=7)),
        lambda at: len(sk.alarm.rules(at, in_a_row=8)),
    ]
    gave = at_once(others, *steps)
    assert {gave[0], gave[1]} == {"Third Person", "person_exists"}
    with bench.record.read() as view:
        assert [one.id for one in view.people()] == [1, 2, 3]
        assert [one.id for one in view.alarm_rules()] == [1, 2]
    sk.record.verify(bench.record)


def test_nobody_who_holds_the_house_waits_for_a_lot(
    bench: Bench, others: list[Record], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lots are locked first: while an allocation waits for a busy lot, others open lots."""
    real, order = Work.lock, list[list[str]]()

    def lock(self: Work, chains: Any) -> None:
        before = set(self._heads)
        real(self, chains)
        order.append(
            ["house" if one == chain.HOUSE else "lot" for one in self._heads if one not in before]
        )

    monkeypatch.setattr(Work, "lock", lock)
    sk.serials.allocate(others[0], bench.lot, 5)
    assert order[0] == ["lot", "house"]


# -- kills, and the bench ------------------------------------------------------------------------


def test_stations_are_killed_and_others_go_on(database: Database, tmp_path: Path) -> None:
    """Six kills of stations on mixed work: the invariants of the design hold, verify passes."""
    sys.path.insert(0, str(BENCHES))
    try:
        import kills
    finally:
        sys.path.remove(str(BENCHES))
    figures = kills.run(
        database.url,
        tmp_path,
        kills=6,
        seed=random.Random(3).randrange(99),
        stations=2,
        labels=6_000,
        every=3,
        pause=0.5,
    )
    assert figures["sound"] and figures["kills"] == 6


def test_four_writers_of_one_file_are_never_refused(tmp_path: Path) -> None:
    """The bench of several stations ends without a refusal, with every label taken in; how long
    they wait is not asked here."""
    program = BENCHES / "stations.py"
    words = ["--sqlite", str(tmp_path / "r"), "--stations", "4", "--labels", "1200"]
    out = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, str(program), *words, "--files", "1", "--repeat", "1", "--json", str(out)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "mixed" in done.stdout and out.exists()
