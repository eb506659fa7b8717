"""A results file is followed while it grows: what is seen so far, alarms, and the take at last."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from conftest import GTIN, Bench, Original, as_seen
from databases import Databases
from forms import FORMS

import serialkeeper as sk
from serialkeeper.outside import growing
from serialkeeper.steps import inspection
from serialkeeper.steps.inspection import follower
from serialkeeper.store.view import key_of

LABELS = 120
HEADER = "position,row,lane,at,seen,grade,verdict,text\n"
TIMES = ("at", "raised", "acknowledged")


@pytest.fixture(autouse=True)
def _hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks come quickly one after the other, so that tests do not wait."""
    monkeypatch.setattr(growing, "EVERY", 0.002)
    monkeypatch.setattr(follower, "LOOK_EVERY", 0.0)
    monkeypatch.setattr(follower, "SETTLED", 0.02)


class Feeder(sk.Onlooker):
    """Writes a file piece by piece while it is followed, and keeps what it was told.

    A piece may be a call instead of bytes: something that happens between two pieces.
    """

    def __init__(self, path: Path, pieces: list[Any]) -> None:
        self.path, self.pieces = path, list(pieces)
        self.alarms: list[dict[str, Any]] = []
        self.seen: list[sk.Progress] = []
        self.last = "finish"
        path.touch()

    def saw(self, progress: sk.Progress) -> None:
        self.seen.append(progress)
        if self.pieces:
            piece = self.pieces.pop(0)
            if callable(piece):
                piece()
                return
            with self.path.open("ab") as file:
                file.write(piece)

    def alarm(self, alarm: dict[str, Any]) -> None:
        self.alarms.append(alarm)

    def asked(self) -> str:
        return "" if self.pieces else self.last


def spoiled(bench: Bench) -> list[dict[str, Any]]:
    """What a camera saw of labels of which some are bad: each kind of alarm is among them."""
    rows = as_seen(bench.printed(LABELS, lanes=4))
    for index in (8, 12, 16, 20, 70, 72, 74):
        rows[index]["seen"] = ""
    rows[40]["seen"] = f"]d201{GTIN}21ZZZZ{{GS}}1728063010LOT24A"
    rows[50]["seen"] = rows[30]["seen"]
    rows[60]["seen"] = rows[60]["seen"].replace("LOT24A", "LOT24B")
    rows[90]["grade"] = "0.5"
    return rows


def text_of(bench: Bench, rows: list[dict[str, Any]]) -> bytes:
    return bench.results(rows, name="whole.csv").read_bytes()


def cut(data: bytes, seed: int) -> list[bytes]:
    """The bytes in odd pieces, the first of a single byte."""
    rng = random.Random(seed)
    places = sorted({1, *(rng.randrange(len(data)) for _ in range(rng.randrange(1, 30)))})
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


def alarms_of(bench: Bench) -> list[dict[str, Any]]:
    """The lot's alarms without their times."""
    rows = sk.alarm.list(bench.record, bench.lot)
    return [{name: row[name] for name in row if name not in TIMES} for row in rows]


def told_by_the_journal(bench: Bench) -> list[Any]:
    """What the journal says of takes, without hashes of what differs by time."""
    with bench.record.read() as view:
        entries = list(view.entries(key_of(view.lot(bench.lot))))
    hidden = ("name", "follow", "raised", "grown")
    return [
        (entry.verb, {k: v for k, v in entry.data.items() if k not in hidden}, entry.parts)
        for entry in entries
        if entry.verb in ("take started", "taken", "take finished")
    ]


@pytest.fixture
def another(
    original: Original, databases: Databases, tmp_path: Path
) -> Iterator[Callable[[], Bench]]:
    """Makes further records that are equal to the first to the last number."""
    names = (tmp_path / f"record{number}" for number in range(100))
    with ExitStack() as made:

        def make() -> Bench:
            folder = next(names)
            folder.mkdir()
            return made.enter_context(original.copied(databases, folder))

        yield make


@pytest.mark.parametrize("placed", [True, False], ids=["positions", "order"])
def test_any_pieces_give_what_a_plain_take_gives(
    another: Callable[[], Bench], placed: bool
) -> None:
    """The same bytes in any pieces: the journal tells the same of the take, labels and findings
    are the same, and the alarms are the same as in any other pieces."""
    plain = another()
    rows = spoiled(plain)
    if not placed:
        rows = [{**row, "position": "", "row": ""} for row in rows]
    data = text_of(plain, rows)
    sk.inspect.take(plain.record, plain.lot, plain.folder / "whole.csv")
    wanted: list[dict[str, Any]] | None = None
    for seed in range(4):
        bench = another()
        assert spoiled(bench)[0]["seen"] == rows[0]["seen"]
        path = bench.folder / "grow.csv"
        feeder = Feeder(path, cut(data, seed) if seed else [data])
        told = sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
        assert told["finished"] and told["readings"] == LABELS
        assert bench.labels() == plain.labels()
        assert told_by_the_journal(bench) == told_by_the_journal(plain)
        wanted = wanted or alarms_of(bench)
        assert alarms_of(bench) == wanted
        kinds = {alarm["kind"] for alarm in feeder.alarms}
        assert kinds >= {"foreign", "repeated", "wrong_lot", "in_a_row"}
        assert [alarm["id"] for alarm in feeder.alarms] == [row["id"] for row in wanted]
        sk.record.verify(bench.record)


@pytest.mark.parametrize("form", FORMS)
def test_every_profile_can_be_followed(bench: Bench, form: str) -> None:
    """CSV, JSON Lines and XML of a device, in odd pieces, through their profiles."""
    rows = spoiled(bench)
    FORMS[form](bench.folder / "whole", rows)
    data = (bench.folder / "whole").read_bytes()
    path = bench.folder / "grow"
    feeder = Feeder(path, [piece for part in cut(data, 5) for piece in (part, lambda: None)])
    told = sk.inspect.follow(bench.record, bench.lot, path, profile=form, onlooker=feeder)
    assert told["outcomes"]["unreadable"] == 7
    assert told["takes"][0]["profile"] == form
    assert any(0 < progress.readings < LABELS for progress in feeder.seen)
    sk.record.verify(bench.record)


def test_nothing_is_commissioned_before_the_file_is_finished(bench: Bench) -> None:
    """While it grows every label stays issued; alarms are told and journalled all the same."""
    data = text_of(bench, spoiled(bench))
    states: list[set[str]] = []
    feeder = Feeder(
        bench.folder / "grow.csv", [data, lambda: states.append(set(bench.states())), b""]
    )
    feeder.last = "stop"
    told = sk.inspect.follow(bench.record, bench.lot, feeder.path, onlooker=feeder)
    assert states == [{"issued"}]
    assert not told["finished"] and told["takes"] == []
    assert told["outcomes"]["seen_good"] == LABELS - 11
    assert set(bench.states()) == {"issued"}
    assert told["alarms_open"] == len(feeder.alarms) > 3
    sk.record.verify(bench.record)


def test_a_half_written_line_waits(bench: Bench) -> None:
    """Half a row is neither counted nor refused; if the file ends so, it is not taken in."""
    data = text_of(bench, as_seen(bench.printed(LABELS)))
    path = bench.folder / "grow.csv"
    feeder = Feeder(path, [data[:-10], lambda: None])
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert refused.value.word == "results_truncated"
    assert feeder.seen[-1].readings == LABELS - 1
    assert set(bench.states()) == {"issued"}
    told = sk.inspect.follow(
        bench.record, bench.lot, path, onlooker=Feeder(path, [data[-10:], lambda: None])
    )
    assert told["takes"][0]["states"] == {"commissioned": LABELS}


def test_a_row_that_means_nothing_stops_following_at_once(bench: Bench) -> None:
    """An unknown word is refused with its line; the alarms before it are kept."""
    rows = spoiled(bench)
    rows[80]["verdict"] = "perhaps"
    data = text_of(bench, rows).splitlines(keepends=True)
    path = bench.folder / "grow.csv"
    feeder = Feeder(path, [b"".join(data[:70]), b"".join(data[70:]), lambda: None])
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert refused.value.word == "results_value" and "line 82" in refused.value.where
    assert {alarm["kind"] for alarm in feeder.alarms} >= {"foreign", "wrong_lot"}
    assert len(alarms_of(bench)) == len(feeder.alarms)


def test_following_ends_when_nothing_comes_any_more(bench: Bench) -> None:
    """After the idle time the file is taken in."""
    path = bench.results(as_seen(bench.printed(20)))
    told = sk.inspect.follow(bench.record, bench.lot, path, idle=0.05)
    assert told["takes"][0]["states"] == {"commissioned": 20}
    heads = bench.heads()
    again = sk.inspect.follow(bench.record, bench.lot, path)
    assert again["takes"][0]["already_taken"] and bench.heads() == heads


FOLLOWER = """
import sys
import serialkeeper as sk
from pathlib import Path
from serialkeeper.steps.inspection import follower
follower.SAVED_EVERY = 0.3
class Told(sk.Onlooker):
    def saw(self, progress):
        print(progress.readings, flush=True)
record = sk.open_record(sys.argv[1], person="Line Lead", station="line 1")
sk.inspect.follow(record, "LOT24A", Path(sys.argv[2]), onlooker=Told())
"""

WRITER = """
import sys, time, random
data = open(sys.argv[1], "rb").read()
rng, done = random.Random(4), 0
with open(sys.argv[2], "ab", buffering=0) as file:
    while done < len(data):
        size = rng.randrange(1, 900)
        file.write(data[done : done + size])
        done += size
        time.sleep(0.01)
"""


def test_a_killed_follower_goes_on_where_it_was(another: Callable[[], Bench]) -> None:
    """kill -9 twice while another process writes: every alarm once, every label once, and the
    same alarms as without a kill."""
    smooth = another()
    data = text_of(smooth, spoiled(smooth))
    sk.inspect.follow(
        smooth.record,
        smooth.lot,
        smooth.folder / "grow.csv",
        onlooker=Feeder(smooth.folder / "grow.csv", [data]),
    )
    bench = another()
    path, whole = bench.folder / "grow.csv", bench.folder / "whole.csv"
    assert text_of(bench, spoiled(bench)) == data
    path.touch()
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(whole), str(path)])
    for enough in (30, 75):
        process = subprocess.Popen(
            [sys.executable, "-c", FOLLOWER, bench.url, str(path)], stdout=subprocess.PIPE
        )
        assert process.stdout
        assert any(int(line) >= enough for line in process.stdout)
        process.kill()
        process.wait()
        process.stdout.close()
        sk.record.verify(bench.record)
        assert set(bench.states()) == {"issued"}
    assert writer.wait() == 0
    told = sk.inspect.follow(bench.record, bench.lot, path, idle=0.05)
    assert told["readings"] == LABELS
    assert alarms_of(bench) == alarms_of(smooth)
    assert bench.labels() == smooth.labels()
    with bench.record.read() as view:
        entries = list(view.entries(key_of(view.lot(bench.lot))))
    raised = [one["id"] for entry in entries for one in entry.data.get("raised", ())]
    assert raised == sorted(set(raised)) == [row["id"] for row in alarms_of(bench)]
    assert sum(entry.verb == "take started" for entry in entries) == 1
    sk.record.verify(bench.record)


def stopped_after(bench: Bench, path: Path, data: bytes) -> None:
    """Follow the bytes, then leave them for later."""
    feeder = Feeder(path, [data, lambda: None, lambda: None])
    feeder.last = "stop"
    sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)


def test_a_changed_beginning_is_refused_when_following_goes_on(bench: Bench) -> None:
    """One byte of what was read is another now: refused, and nothing is written."""
    data = text_of(bench, spoiled(bench))
    path = bench.folder / "grow.csv"
    stopped_after(bench, path, data)
    path.write_bytes(data[:500] + b"9" + data[501:])
    heads = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path)
    assert refused.value.word == "results_changed" and bench.heads() == heads
    path.write_bytes(data)
    assert sk.inspect.follow(bench.record, bench.lot, path, idle=0.05)["finished"]


def test_a_file_that_gets_shorter_is_refused(bench: Bench) -> None:
    """A file that is emptied and written anew is no file that grows."""
    data = text_of(bench, as_seen(bench.printed(LABELS)))
    path = bench.folder / "grow.csv"
    feeder = Feeder(
        path, [data, lambda: None, lambda: os.truncate(path, 100), lambda: None, lambda: None]
    )
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert refused.value.word == "results_changed"
    assert set(bench.states()) == {"issued"}


def test_a_byte_changed_behind_the_back_is_found_before_anything_is_taken(bench: Bench) -> None:
    """Same length, other bytes: the take in the end refuses it."""
    data = text_of(bench, as_seen(bench.printed(LABELS)))
    path = bench.folder / "grow.csv"

    def forge() -> None:
        with path.open("r+b") as file:
            file.seek(data.index(b"3.5"))
            file.write(b"3.6")

    feeder = Feeder(path, [data, lambda: None, forge, lambda: None])
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert refused.value.word == "results_changed"
    assert set(bench.states()) == {"issued"}


@pytest.mark.parametrize("way", ["renamed", "replaced"])
def test_a_new_file_under_the_name_ends_the_old_one(bench: Bench, way: str) -> None:
    """The old file is read to its end, lines that came late included, and taken in; then the new
    one is followed. Both takes have a name of their own."""
    rows = as_seen(bench.printed(LABELS))
    first, second = text_of(bench, rows[:60]), text_of(bench, rows[60:])
    path, aside = bench.folder / "grow.csv", bench.folder / "grow.csv.1"
    path.touch()
    handle = path.open("ab", buffering=0)

    def rotate() -> None:
        if way == "renamed":
            path.rename(aside)
            path.write_bytes(HEADER.encode())
        else:
            new = bench.folder / "new"
            new.write_bytes(HEADER.encode())
            new.replace(path)
        handle.write(first[-200:])

    class Rotating(Feeder):
        takes = 0

        def taken(self, _: dict[str, Any]) -> None:
            self.takes += 1
            if self.takes == 1:
                self.pieces = [second[len(HEADER) :], lambda: None]

        def asked(self) -> str:
            return "finish" if self.takes and not self.pieces else ""

    feeder = Rotating(path, [lambda: handle.write(first[:-200]), lambda: None, rotate])
    told = sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    handle.close()
    assert [take["readings"] for take in told["takes"]] == [60, 60]
    assert set(bench.states()) == {"commissioned"}
    with bench.record.read() as view:
        from serialkeeper.store.view import key_of

        key = key_of(view.lot(bench.lot))
        assert [take.name for take in view.takes(key)] == ["grow.csv", "grow.csv (2)"]
        assert [row.state for row in view.follows(key)] == ["finished", "finished"]
    sk.record.verify(bench.record)


def test_the_idle_time_begins_with_the_first_reading(bench: Bench) -> None:
    """A line that has not started yet is no finished file; a new file after a rotation in which
    nothing comes ends quietly."""
    data = text_of(bench, as_seen(bench.printed(8)))
    path = bench.folder / "grow.csv"

    def rotate() -> None:
        path.rename(bench.folder / "grow.csv.1")
        path.write_bytes(HEADER.encode())

    waiting = [lambda: None] * 30
    feeder = Feeder(path, [HEADER.encode(), *waiting, data[len(HEADER) :], lambda: None, rotate])
    feeder.last = ""
    told = sk.inspect.follow(bench.record, bench.lot, path, idle=0.04, onlooker=feeder)
    assert [take["readings"] for take in told["takes"]] == [8]
    assert told["finished"] and set(bench.states()) == {"commissioned"}


@pytest.mark.parametrize("table", ["alarm", "follow", "alarm_rules"])
def test_an_edit_of_what_following_left_is_found(bench: Bench, table: str) -> None:
    """Alarms, followings and rules are what the journal says, or record verify finds it."""
    sk.alarm.rules(bench.record, window=100)
    path = bench.results(spoiled(bench))
    sk.inspect.follow(bench.record, bench.lot, path, idle=0.02)
    sk.record.verify(bench.record)
    assert bench.database.edit(f"UPDATE {table} SET station = 'elsewhere'") > 0
    with pytest.raises(sk.Damaged) as damaged:
        sk.record.verify(bench.record)
    assert damaged.value.where.startswith(f"{table}:")


def test_a_file_that_grew_after_it_was_taken_is_refused(bench: Bench) -> None:
    """What came after the end is named, to be cut out; nothing is taken twice."""
    rows = as_seen(bench.printed(LABELS))
    first, more = text_of(bench, rows[:60]), text_of(bench, rows[60:])[len(HEADER) :]
    path = bench.folder / "grow.csv"
    sk.inspect.follow(bench.record, bench.lot, path, onlooker=Feeder(path, [first, lambda: None]))
    with path.open("ab") as file:
        file.write(more)
    for call in (sk.inspect.follow, sk.inspect.take):
        with pytest.raises(sk.Refused) as refused:
            call(bench.record, bench.lot, path)
        assert refused.value.word == "results_name_taken"
    assert bench.states().count("commissioned") == 60


def test_a_plain_take_ends_the_following_of_the_same_file(bench: Bench) -> None:
    """A follower that is gone is not needed: the take knows the file by its first bytes, whatever
    its name, and raises no alarm again."""
    data = text_of(bench, spoiled(bench))
    path, moved = bench.folder / "grow.csv", bench.folder / "grow.csv.1"
    stopped_after(bench, path, data)
    before = alarms_of(bench)
    path.rename(moved)
    taken = sk.inspect.take(bench.record, bench.lot, moved)
    assert {alarm["kind"] for alarm in taken["alarms"]} >= {"foreign", "in_a_row"}
    assert alarms_of(bench) == before and taken["alarms_open"] == len(before)
    sk.record.verify(bench.record)
    rest = bench.results(as_seen(bench.printed(8)), name="grow.csv")
    assert sk.inspect.follow(bench.record, bench.lot, rest, idle=0.05)["readings"] == 8


def test_two_processes_do_not_follow_one_file(bench: Bench) -> None:
    """The second one to write is refused; alarms are not doubled."""
    data = text_of(bench, spoiled(bench))
    path = bench.folder / "grow.csv"

    def second() -> None:
        feeder = Feeder(path, [data[half:], lambda: None])
        feeder.last = "stop"
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)

    half = data.index(b"\n", 500) + 1
    feeder = Feeder(path, [data[:half], lambda: None, second, lambda: None])
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert refused.value.word == "followed_elsewhere"
    path.write_bytes(data)
    sk.inspect.follow(bench.record, bench.lot, path, idle=0.05)
    assert sum(row["kind"] == "foreign" for row in alarms_of(bench)) == 1
    sk.record.verify(bench.record)


def test_another_profile_does_not_go_on(bench: Bench) -> None:
    """A file begun by one profile is not followed on by another."""
    rows = as_seen(bench.printed(20))
    path = bench.folder / "grow"
    FORMS["example-json-lines"](bench.folder / "whole", rows)
    feeder = Feeder(path, [(bench.folder / "whole").read_bytes(), lambda: None])
    feeder.last = "stop"
    profile = "example-json-lines"
    sk.inspect.follow(bench.record, bench.lot, path, profile=profile, onlooker=feeder)
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.follow(bench.record, bench.lot, path)
    assert refused.value.word == "take_unfinished" and profile in refused.value.expected


def test_labels_printed_meanwhile_are_known(bench: Bench) -> None:
    """Numbers allocated and printed while a file is followed are not foreign."""
    first = as_seen(bench.printed(20))
    path = bench.folder / "grow.csv"
    rows: list[dict[str, Any]] = [{**row, "row": "", "lane": ""} for row in first]
    data = text_of(bench, rows)
    more: list[bytes] = []

    def print_more() -> None:
        new = [{**row, "row": "", "lane": ""} for row in as_seen(bench.printed(20))]
        more.append(bench.results(new).read_bytes()[len(HEADER) :])

    def write_more() -> None:
        with path.open("ab") as file:
            file.write(more[0])

    feeder = Feeder(path, [data, print_more, lambda: None, write_more, lambda: None])
    told = sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert told["outcomes"] == {"seen_good": 40}
    assert told["takes"][0]["states"] == {"commissioned": 40} and not feeder.alarms


def test_an_acknowledged_alarm_rises_again_when_it_goes_on(bench: Bench) -> None:
    """Folded while it is open; once acknowledged, the next bad label is an alarm of its own."""
    rows = as_seen(bench.printed(LABELS, lanes=1))
    for index in range(20, 40):
        rows[index]["seen"] = ""
    lines = text_of(bench, rows).splitlines(keepends=True)

    def acknowledge() -> None:
        ids = [row["id"] for row in alarms_of(bench) if row["state"] == "open"]
        sk.alarm.acknowledge(
            bench.record, bench.lot, ids, cause="lamp", restart_check="read again", held=(21, 31)
        )

    pieces = [b"".join(lines[:31]), acknowledge, lambda: None, b"".join(lines[31:]), lambda: None]
    feeder = Feeder(bench.folder / "grow.csv", pieces)
    sk.inspect.follow(bench.record, bench.lot, feeder.path, onlooker=feeder)
    rows_ = [row for row in alarms_of(bench) if row["kind"] == "in_a_row"]
    assert [(row["first"], row["last"], row["labels"]) for row in rows_] == [
        (21, 30, 10),
        (31, 40, 10),
    ]
    assert [(row["state"], row["held"]) for row in rows_] == [
        ("acknowledged", [21, 31]),
        ("open", None),
    ]
    assert rows_[0]["person"] == "Line Lead" and rows_[0]["restart_check"] == "read again"
    sk.record.verify(bench.record)


def test_acknowledging_says_enough_or_is_refused(bench: Bench) -> None:
    """No cause, no restart check, a stretch outside the lot, an unknown or settled alarm."""
    sk.inspect.take(bench.record, bench.lot, bench.results(spoiled(bench)))
    good: dict[str, Any] = {"cause": "lamp", "restart_check": "read again"}
    for ids, more, word in (
        ([1], {"cause": " "}, "reason_needed"),
        ([1], {"restart_check": ""}, "reason_needed"),
        ([1], {"held": (5, 4)}, "bad_value"),
        ([1], {"held": (5, LABELS + 1)}, "bad_value"),
        ([99], {}, "alarm_unknown"),
        ([], {}, "alarm_unknown"),
    ):
        with pytest.raises(sk.Refused) as refused:
            sk.alarm.acknowledge(bench.record, bench.lot, ids, **(good | more))
        assert refused.value.word == word
    sk.alarm.acknowledge(bench.record, bench.lot, [1], **good)
    with pytest.raises(sk.Refused) as refused:
        sk.alarm.acknowledge(bench.record, bench.lot, [1], **good)
    assert refused.value.word == "alarm_unknown"


def test_the_rules_of_a_station_are_kept_and_hold_there_only(bench: Bench) -> None:
    """Eight in a row at this station: seven do not alarm; another station keeps the defaults."""
    sk.alarm.rules(bench.record, in_a_row=8, share=100, window=50)
    rows = as_seen(bench.printed(LABELS, lanes=1))
    for index in range(20, 27):
        rows[index]["seen"] = ""
    rows[60]["seen"] = rows[61]["seen"] = ""
    data = text_of(bench, rows)
    feeder = Feeder(bench.folder / "grow.csv", [data, lambda: None])
    told = sk.inspect.follow(bench.record, bench.lot, feeder.path, onlooker=feeder)
    assert [alarm["kind"] for alarm in feeder.alarms] == ["share"]
    assert {alarm["kind"] for alarm in told["takes"][0]["alarms"]} == {"share"}
    shown = sk.alarm.rules(bench.record)
    assert [(row["station"], row["in_a_row"]) for row in shown] == [("", 3), ("line 1", 8)]
    with pytest.raises(sk.Refused) as refused:
        sk.alarm.rules(bench.record, station="line 2", in_a_row=1)
    assert refused.value.word == "bad_value"
    sk.record.verify(bench.record)


# -- as typed ------------------------------------------------------------------------------


def typed(bench: Bench, *words: str) -> list[str]:
    return [
        sys.executable,
        "-m",
        "serialkeeper",
        "--record",
        bench.url,
        "--as",
        "Line Lead",
        *words,
    ]


def events(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_as_typed_with_a_command_and_a_word_from_elsewhere(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One JSON line a second and per alarm; the command gets each alarm; --finish ends it; 5."""
    monkeypatch.setenv("SERIALKEEPER_STATION", "line 1")
    path = bench.results(spoiled(bench))
    kept = bench.folder / "kept.txt"
    command = f"{sys.executable} -c \"import sys; open('{kept}', 'a').write(sys.stdin.read())\""
    process = subprocess.Popen(
        typed(bench, "inspect", "follow", bench.lot, str(path), "--on-alarm", command),
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    first = next(line for line in map(json.loads, process.stdout) if line["event"] == "seen")
    assert "nothing is commissioned" in first["note"] and first["readings"] == LABELS
    subprocess.run(typed(bench, "inspect", "follow", bench.lot, str(path), "--finish"), check=True)
    rest = events(process.stdout.read())
    assert process.wait() == 5
    assert [line["event"] for line in rest][-2:] == ["taken", "ended"]
    assert [json.loads(line)["id"] for line in kept.read_text().splitlines()] == [
        row["id"] for row in alarms_of(bench)
    ]


@pytest.mark.parametrize("presses", [1, 2])
def test_ctrl_c_once_leaves_and_twice_finishes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, presses: int
) -> None:
    """Once: nothing is taken in, and the same command goes on; twice: the file is taken in. A
    command that fails is reported and stops nothing."""
    monkeypatch.setenv("SERIALKEEPER_STATION", "line 1")
    path = bench.results(spoiled(bench))
    process = subprocess.Popen(
        typed(bench, "inspect", "follow", bench.lot, str(path), "--on-alarm", "no-such-program"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    assert any(json.loads(line)["event"] == "seen" for line in process.stdout)
    process.send_signal(signal.SIGINT)
    assert process.stderr
    assert any("Ctrl-C again" in line for line in process.stderr)
    if presses == 2:
        process.send_signal(signal.SIGINT)
    rest = events(process.communicate()[0])
    assert process.returncode == 5
    assert rest[-1]["event"] == "ended" and rest[-1]["finished"] is (presses == 2)
    assert (set(bench.states()) == {"issued"}) is (presses == 1)


def test_finishing_a_file_that_nobody_follows_is_refused(bench: Bench) -> None:
    """The name is looked up among the files that are followed at this station."""
    bench.printed(4)
    with pytest.raises(sk.Refused) as refused:
        inspection.finish(bench.record, bench.lot, Path("grow.csv"))
    assert refused.value.word == "file_missing"
