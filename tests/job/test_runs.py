"""Runs: what is inspected and proven at a station before, during and after the work on a lot."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from conftest import GTIN, Bench, Clock, as_seen
from test_challenge import as_good, made, shown
from test_follow import Feeder, text_of

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import growing
from serialkeeper.rules.runs import CLEARANCE, CLOCK_LIMIT
from serialkeeper.steps.inspection import follower

BEFORE, AFTER = list(CLEARANCE["before"]), list(CLEARANCE["after"])
SECOND = "Second Person"


def refused(word: str, step: Any, *args: Any, **more: Any) -> sk.Refused:
    with pytest.raises(sk.Refused) as error:
        step(*args, **more)
    assert error.value.word == word, str(error.value)
    return error.value


def begin(bench: Bench) -> None:
    """A run whose line is cleared and whose reader is proven."""
    sk.run.start(bench.record, bench.lot)
    sk.run.clearance(bench.record, bench.lot, "before", checked=BEFORE, second=SECOND)
    proven(bench, "start")


def proven(bench: Bench, when: str, caught: int = 6) -> dict[str, Any]:
    return sk.run.challenge(bench.record, bench.lot, when=when, shown=6, caught=caught)


def take(bench: Bench, rows: list[dict[str, Any]]) -> dict[str, Any]:
    return sk.inspect.take(bench.record, bench.lot, bench.results(rows))


def kinds(bench: Bench) -> list[str]:
    return [one["kind"] for one in sk.alarm.list(bench.record, bench.lot)]


def test_a_run_from_its_clearance_to_its_end(bench: Bench) -> None:
    """Nothing is skipped: the line first, then the reader, again after a stop and at the end; the
    run tells it all afterwards, and the lot waits for its end."""
    rows = as_seen(bench.printed(40))
    record, lot = bench.record, bench.lot
    refused("run_unknown", sk.run.stop, record, lot, reason="nothing runs")
    told = sk.run.start(record, lot)
    assert list(told["clearance"]) == BEFORE and not told["proven"]
    refused("run_state", sk.run.start, record, lot)
    refused("run_state", proven, bench, "start")
    for some in ([], BEFORE[:-1], [*BEFORE, "roof"]):
        refused("clearance_incomplete", sk.run.clearance, record, lot, "before", checked=some)
    refused("bad_value", sk.run.clearance, record, lot, "meanwhile", checked=BEFORE)
    sk.run.clearance(record, lot, "before", checked=BEFORE[::-1], second=SECOND)
    for too_early in ("stop", "interval"):
        refused("run_state", proven, bench, too_early)
    assert proven(bench, "start")["proven"]
    for not_now in ("start", "stop"):
        refused("run_state", proven, bench, not_now)
    take(bench, rows[:20])
    refused("reason_needed", sk.run.stop, record, lot, reason=" ")
    assert not sk.run.stop(record, lot, reason="web broke")["proven"]
    for not_now in ("start", "interval"):
        refused("run_state", proven, bench, not_now)
    proven(bench, "stop")
    refused("run_state", proven, bench, "stop")
    proven(bench, "interval")
    take(bench, rows[20:])
    assert kinds(bench) == []
    wanted = refused("run_state", sk.run.end, record, lot).expected
    assert "challenge at the end" in wanted and "clearance after" in wanted
    proven(bench, "end")
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(record, lot, term, 40)
    [point] = sk.lot.reconcile(record, lot)["open_points"]
    assert "run end" in point
    refused("lot_open_points", sk.lot.close, record, lot)
    sk.run.clearance(record, lot, "after", checked=AFTER, second=SECOND)
    ended = sk.run.end(record, lot)
    words = [one["what"] for one in ended["events"]]
    assert words == [
        *("started", "cleared", "challenged", "stopped", "challenged", "challenged"),
        *("challenged", "cleared", "ended"),
    ]
    assert sk.run.show(record, lot, 1) == ended
    assert ended["events"][1]["detail"]["checked"] == BEFORE
    assert ended["events"][1]["second"] == SECOND
    assert sk.lot.show(record, lot)["runs"] == sk.run.list(record, lot)["runs"]
    assert sk.lot.close(record, lot)["state"] == "closed"
    refused("lot_state", sk.run.start, record, lot)
    assert bench.heads()


def test_what_a_reader_sees_that_was_not_proven_is_an_alarm(bench: Bench) -> None:
    """After a start, and after a stop; the labels are taken in as they were read, and somebody has
    to say what it was before the lot closes. A lot without any run is asked for none in practice,
    in a live record it is."""
    rows = as_seen(bench.printed(60))
    assert take(bench, rows[:10])["alarms"] == []
    sk.run.start(bench.record, bench.lot)
    [alarm] = take(bench, rows[10:20])["alarms"]
    assert (alarm["kind"], alarm["labels"]) == ("unchallenged", 10)
    sk.run.clearance(bench.record, bench.lot, "before", checked=BEFORE)
    proven(bench, "start")
    assert take(bench, rows[20:30])["alarms"] == []
    sk.run.stop(bench.record, bench.lot, reason="ribbon ran out")
    assert take(bench, rows[30:40])["alarms"][0]["kind"] == "unchallenged"
    # One cause that nobody has looked at yet is one alarm.
    [standing] = sk.alarm.list(bench.record, bench.lot)
    assert standing["labels"] == 20
    assert bench.states()[:40] == ["commissioned"] * 40
    sk.alarm.acknowledge(
        bench.record, bench.lot, [1], cause="forgotten", restart_check="proven now"
    )
    proven(bench, "stop")
    assert take(bench, rows[40:50])["alarms"] == []
    # The reader of another station is another reader.
    elsewhere = replace(bench.record, station="rewinder")
    path = bench.results(rows[50:])
    assert sk.inspect.take(elsewhere, bench.lot, path)["alarms"][0]["kind"] == "unchallenged"


def test_a_live_record_wants_every_reader_proven(bench: Bench) -> None:
    """There no lot goes without a run unnoticed, and no clearance without a second person."""
    live = replace(bench.record, practice=False, role="line lead")
    rows = as_seen(bench.printed(20))
    [alarm] = sk.inspect.take(live, bench.lot, bench.results(rows[:10]))["alarms"]
    assert alarm["kind"] == "unchallenged"
    sk.run.start(live, bench.lot)
    for second in ("", live.person):
        refused(
            "second_person_needed",
            sk.run.clearance,
            *(live, bench.lot, "before"),
            checked=BEFORE,
            second=second,
        )
    for role in ("integrator", "administrator"):
        somebody = replace(live, role=role)
        refused("role_not_allowed", sk.run.stop, somebody, bench.lot, reason="none of theirs")


def test_a_failed_challenge_holds_what_was_taken_since_the_last_pass(bench: Bench) -> None:
    """Not what was taken before; also the file that comes after the failure, of which nobody knows
    when it was read. From the next pass on nothing is held."""
    rows = as_seen(bench.printed(100))
    begin(bench)
    take(bench, rows[:20])
    proven(bench, "interval")
    rows[25]["seen"] = ""
    take(bench, rows[20:40])
    take(bench, rows[40:60])
    told = proven(bench, "end", caught=5)
    assert (told["passed"], told["hold"]) == (False, 1)
    [hold] = sk.hold.list(bench.record, bench.lot)["holds"]
    assert hold["positions"] == [[21, 60, 1]] and "failed" in hold["reason"]
    for position, held in ((20, False), (21, True), (60, True), (61, False)):
        on = sk.label.show(bench.record, bench.lot, position=position)["on_hold"]
        assert bool(on) == held
    take(bench, rows[60:80])
    [_, second] = sk.hold.list(bench.record, bench.lot)["holds"]
    assert second["positions"] == [[61, 80, 1]]
    assert kinds(bench) == ["unchallenged"]
    # A run may end with a reader that cannot pass any more.
    sk.run.clearance(bench.record, bench.lot, "after", checked=AFTER)
    assert not sk.run.end(bench.record, bench.lot)["proven"]
    begin(bench)
    take(bench, rows[80:])
    assert len(sk.hold.list(bench.record, bench.lot)["holds"]) == 2
    assert proven(bench, "end", caught=0)["hold"] == 3
    assert sk.hold.list(bench.record, bench.lot)["holds"][2]["positions"] == [[81, 100, 1]]
    # Nothing is taken since: nothing more to hold.
    proven(bench, "end")
    assert proven(bench, "end", caught=1)["hold"] is None
    assert bench.heads()


def test_a_file_that_spans_a_failure_is_held_although_the_reader_passed_again(bench: Bench) -> None:
    """The shift comes in files at its end: some of them was read while the reader failed, and
    nothing says which; so all of that run is held."""
    rows = as_seen(bench.printed(40))
    begin(bench)
    take(bench, rows[:10])
    proven(bench, "interval", caught=3)
    proven(bench, "interval")
    take(bench, rows[10:30])
    positions = [one["positions"] for one in sk.hold.list(bench.record, bench.lot)["holds"]]
    assert positions == [[[1, 10, 1]], [[11, 30, 1]]]
    take(bench, rows[30:35])
    assert sk.hold.list(bench.record, bench.lot)["holds"][2]["positions"] == [[31, 35, 1]]
    sk.run.clearance(bench.record, bench.lot, "after", checked=AFTER)
    proven(bench, "end")
    sk.run.clearance(bench.record, bench.lot, "after", checked=AFTER)
    sk.run.end(bench.record, bench.lot)
    begin(bench)  # what comes now is of this run
    take(bench, rows[35:])
    assert len(sk.hold.list(bench.record, bench.lot)["holds"]) == 3


def one_a_minute(bench: Bench) -> tuple[list[dict[str, Any]], Clock, datetime]:
    """Sixty readings, one a minute, the first at ten minutes before now; the clock, and now."""
    rows = as_seen(bench.printed(60, lanes=1))
    time = bench.record.now
    assert isinstance(time, Clock)
    begun = time.time.replace(microsecond=0)
    for minute, row in enumerate(rows):
        at = begun + timedelta(minutes=minute - 10, seconds=30)
        row["at"] = at.isoformat().replace("+00:00", "Z")
    return rows, time, begun


@pytest.mark.parametrize("ahead", [0, 59, 61])
def test_where_clocks_agree_times_tell_what_was_read_while_the_reader_failed(
    bench: Bench, ahead: int
) -> None:
    """Of every file of the shift, whatever was taken in before it: from a minute before the last
    pass to a minute after the next, and what has no time. With clocks apart, all of it."""
    rows, time, begun = one_a_minute(bench)
    begin(bench)
    shows = time.time + timedelta(seconds=ahead)
    sk.run.clock(bench.record, bench.lot, of="camera", shows=shows)
    time.time = begun + timedelta(minutes=20)
    proven(bench, "interval", caught=2)
    time.time = begun + timedelta(minutes=25)
    told = proven(bench, "interval")
    assert told["next_held"] and told["hold"] is None
    rows[4]["at"] = ""
    take(bench, rows[:5])
    take(bench, rows[5:30])
    take(bench, rows[30:])
    positions = [one["positions"] for one in sk.hold.list(bench.record, bench.lot)["holds"]]
    if ahead <= CLOCK_LIMIT:
        assert positions == [[[1, 5, 1]], [[10, 30, 1]], [[31, 36, 1]]]
    else:
        assert positions == [[[1, 5, 1]], [[6, 30, 1]], [[31, 60, 1]]]
    assert bench.heads()


@pytest.mark.parametrize("checked", [True, False])
def test_what_was_read_while_nobody_had_proven_the_reader_is_an_alarm_whenever_it_is_entered(
    bench: Bench, checked: bool
) -> None:
    """A file that comes at the end of the shift, when the reader is proven: its times tell what was
    read before the run, and while the line stood; without checked clocks they tell nothing."""
    rows, time, begun = one_a_minute(bench)
    begin(bench)
    if checked:
        sk.run.clock(bench.record, bench.lot, of="camera", shows=time.time)
    time.time = begun + timedelta(minutes=20)
    sk.run.stop(bench.record, bench.lot, reason="web broke")
    time.time = begun + timedelta(minutes=25)
    proven(bench, "stop")
    time.time = begun + timedelta(hours=2)
    alarms = take(bench, rows)["alarms"]
    if not checked:
        assert alarms == []
        return
    # 9 before the run, 3 while the line stood: a minute is granted to either clock.
    assert [(one["kind"], one["labels"]) for one in alarms] == [("unchallenged", 12)]
    assert bench.heads()


def test_a_challenge_set_counts_for_the_run(bench: Bench) -> None:
    """What the reader made of a set is evidence for the run that is open: passed, or a hold."""
    rows = as_seen(bench.printed(40))
    labels = made(bench, each=1)
    sk.run.start(bench.record, bench.lot)
    path = bench.results(shown(labels))
    run_set = (bench.record, bench.lot, 1)
    refused("run_state", sk.challenge.run, *run_set, path, when="start")
    sk.run.clearance(bench.record, bench.lot, "before", checked=BEFORE)
    assert sk.challenge.run(*run_set, path, when="start")["hold"] is None
    [told] = sk.run.list(bench.record, bench.lot)["runs"]
    assert told["proven"]
    take(bench, rows[:20])
    # A label of the set that was spoilt proves nothing: neither passed nor failed.
    spoilt = shown(labels, at="10")
    spoilt[1]["seen"] = ""
    again = sk.challenge.run(*run_set, bench.results(spoilt), when="end")
    assert (again["passed"], again["missed"], again["hold"]) == (False, 0, None)
    [told] = sk.run.list(bench.record, bench.lot)["runs"]
    assert not told["proven"] and "challenge at the end" in told["missing"][0]
    missed = shown(labels, at="11")
    missed[-1] |= as_good(labels, len(labels) - 1)
    told = sk.challenge.run(*run_set, bench.results(missed), when="end")
    assert told["hold"] == 1
    [hold] = sk.hold.list(bench.record, bench.lot)["holds"]
    assert hold["positions"] == [[1, 20, 1]]
    events = sk.run.show(bench.record, bench.lot, 1)["events"]
    assert [one["outcome"] for one in events[2:]] == ["passed", "unproven", "failed"]
    assert bench.heads()


def test_a_follower_alarms_as_soon_as_the_reader_is_not_proven(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at the end of the file: a stop without a challenge is told while labels run on, once;
    and a failure while the file was followed holds it."""
    monkeypatch.setattr(growing, "EVERY", 0.002)
    monkeypatch.setattr(follower, "LOOK_EVERY", 0.0)
    rows = as_seen(bench.printed(60, lanes=4))
    begin(bench)
    whole = text_of(bench, rows)
    lines = whole.splitlines(keepends=True)
    first, rest = b"".join(lines[:21]), b"".join(lines[21:])
    seen: list[int] = []

    def stopped() -> None:
        seen.append(len(sk.alarm.list(bench.record, bench.lot)))
        sk.run.stop(bench.record, bench.lot, reason="web broke")

    def proven_again() -> None:
        seen.append(len(sk.alarm.list(bench.record, bench.lot)))
        proven(bench, "stop", caught=2)
        proven(bench, "stop")

    path = bench.folder / "grow.csv"
    feeder = Feeder(path, [first, b"", stopped, b"", rest, b"", b"", proven_again])
    told = sk.inspect.follow(bench.record, bench.lot, path, onlooker=feeder)
    assert told["finished"] and seen == [0, 1]
    [alarm] = sk.alarm.list(bench.record, bench.lot)
    assert (alarm["kind"], alarm["followed"], alarm["labels"]) == ("unchallenged", True, 40)
    [hold] = sk.hold.list(bench.record, bench.lot)["holds"]
    assert hold["positions"] == [[1, 60, 1]]
    assert bench.heads()


def test_one_lot_at_a_station_and_a_run_for_each_station(bench: Bench) -> None:
    """Two lots are never worked on at one place; one lot may be at two."""
    record = bench.record
    sk.lot.open(record, GTIN, "LOT24B", expiry=date(2028, 6, 30), target=10)
    sk.lot.approve(record, "LOT24B", second=SECOND)
    sk.run.start(record, bench.lot)
    came = refused("run_state", sk.run.start, record, "LOT24B").came
    assert came.endswith(f"{GTIN}/{bench.lot}")
    bench_two = replace(record, station="line 2")
    sk.run.start(bench_two, bench.lot)
    refused("run_state", sk.run.start, bench_two, "LOT24B")
    stations = [one["station"] for one in sk.run.list(record, bench.lot)["runs"]]
    assert stations == [record.station, "line 2"]
    assert refused("run_unknown", sk.run.stop, record, "LOT24B", reason="no").expected.startswith(
        "none"
    )
    refused("run_unknown", sk.run.show, record, bench.lot, 3)


def test_clocks_and_grades_are_noted_and_said_aloud(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock too far apart and a grade too low end with exit code 5; neither decides on labels."""
    bench.printed(10)
    begin(bench)
    record, lot = bench.record, bench.lot
    now: datetime = record.now()
    told = sk.run.clock(record, lot, of="camera", shows=now + timedelta(seconds=CLOCK_LIMIT))
    assert told["within"] and told["seconds"] == CLOCK_LIMIT
    apart = now.astimezone() - timedelta(seconds=CLOCK_LIMIT + 2)
    told = sk.run.clock(record, lot, of="reference", shows=apart)
    assert not told["within"] and told["seconds"] == -CLOCK_LIMIT - 2
    refused("bad_value", sk.run.clock, record, lot, of="camera", shows=datetime(2026, 6, 1))
    refused("reason_needed", sk.run.clock, record, lot, of=" ", shows=now)
    fit = {"instrument": "verifier 1", "calibrated": date(2026, 5, 4)}
    minimum = sk.lot.show(record, lot)["minimum_grade"]
    assert sk.run.grade(record, lot, grade=f"{minimum}/08/660", position=3, **fit)["good"]
    assert not sk.run.grade(record, lot, grade="0.4/08/660", **fit)["good"]
    refused("label_unknown", sk.run.grade, record, lot, grade="3.5/08/660", position=11, **fit)
    for wrong in (
        {"grade": ""},
        {"grade": "9"},
        {"instrument": " "},
        {"calibrated": date(2027, 1, 1)},
    ):
        refused("bad_value", sk.run.grade, record, lot, **{"grade": "3.5/08/660", **fit, **wrong})
    assert set(bench.states()) == {"issued"}
    monkeypatch.setenv("SERIALKEEPER_STATION", bench.record.station)
    common = ["--record", bench.url, "--as", "Line Lead"]
    late = (datetime.now(UTC) - timedelta(seconds=90)).isoformat()
    assert run(["run", "clock", lot, "--of", "camera", "--shows", late, *common]) == 5
    assert "apart" in capsys.readouterr().out
    assert run(["run", "clock", lot, "--of", "camera", "--shows", "ten past", *common]) == 2
    told_grade = ["--grade", "0.4", "--instrument", "v", "--calibrated", "2026-05-04"]
    assert run(["run", "grade", lot, *told_grade, *common]) == 5
    assert "Below" in capsys.readouterr().out
    assert run(["run", "show", lot, "1", *common]) == 0
    shown_text = capsys.readouterr().out
    assert "camera: +60 s, within" in shown_text and "reference: -62 s, apart" in shown_text
    assert "low; Line Lead !" in shown_text
    assert bench.heads()


def test_the_commands_lead_from_one_to_the_next(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each answer names what comes next; a missed label is said aloud, with exit code 5."""
    rows = as_seen(bench.printed(20))
    monkeypatch.setenv("SERIALKEEPER_STATION", bench.record.station)
    common = ["--record", bench.url, "--as", "Line Lead"]

    def typed(*words: str) -> tuple[int, str]:
        code = run(["run", words[0], bench.lot, *words[1:], *common])
        return code, capsys.readouterr().out

    code, out = typed("start")
    assert code == 0 and f"run clearance {bench.lot} before --checked {','.join(BEFORE)}" in out
    assert all(text in out for text in CLEARANCE["before"].values())
    code, out = typed("clearance", "before", "--checked", ",".join(BEFORE), "--second", SECOND)
    assert code == 0 and "run challenge" in out
    code, out = typed("challenge", "--when", "start", "--shown", "6", "--caught", "6")
    assert code == 0 and "The reader passed" in out
    take(bench, rows)
    code, out = typed("stop", "--reason", "shift change")
    assert code == 0 and "--when stop" in out
    code, out = typed("challenge", "--when", "end", "--shown", "6", "--caught", "5")
    assert code == 5 and "MISSED A BAD LABEL" in out and "Hold 1 keeps back" in out
    code, out = typed("clearance", "after", "--checked", ",".join(AFTER), "--second", SECOND)
    assert code == 0 and f"run end {bench.lot}" in out
    assert typed("end")[0] == 0
    code, out = typed("list")
    assert code == 0 and "1 stop, READER NOT PROVEN" in out
