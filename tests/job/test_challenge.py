"""Labels that are bad on purpose: what a reader missed is said aloud and never called good."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import biip
import pytest
from conftest import GTIN, Bench, as_seen
from forms import FORMS

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.serials import ALPHABET
from serialkeeper.steps.inspection import taking as inspection
from serialkeeper.store.view import key_of

Row = dict[str, Any]
STRANGE = {"no_read": "unreadable", "low_grade": "low_grade"}
PLANTED = ("no_read", "wrong_lot", "foreign", "low_grade")


def made(bench: Bench, **more: Any) -> list[Row]:
    """A challenge set as its file tells it."""
    bench.files += 1
    out = bench.folder / f"set{bench.files}.csv"
    sk.challenge.make(bench.record, bench.lot, out=out, **more)
    with out.open(newline="") as file:
        return list(csv.DictReader(file))


def shown(labels: list[Row], *, at: str = "08") -> list[Row]:
    """What a reader that catches everything makes of a set; the hour makes its file another one."""
    rows = []
    for index, label in enumerate(labels):
        row = {"at": f"2026-06-01T{at}:00:{index:02d}.000Z", "seen": label["scanned"]}
        row |= {"grade": "3.5", "verdict": "pass"}
        if label["kind"] == "no_read":
            row |= {"seen": "", "grade": "", "verdict": "fail"}
        if label["kind"] == "low_grade":
            row["grade"] = "1.4"
        rows.append(row)
    return rows


def as_good(labels: list[Row], index: int) -> Row:
    """What the reader would say of a label if it took it for a good one in its place."""
    first = labels[0]
    serial = f"ZY{labels[index]['serial'][2:]}"
    if labels[index]["kind"] == "repeated" and labels[index - 1]["serial"] == serial:
        serial = f"{serial[:-1]}{ALPHABET[ALPHABET.index(serial[-1]) + 1]}"
    seen = first["scanned"].replace(first["serial"], serial)
    return {"seen": seen, "grade": "3.5", "verdict": "pass"}


def ran(bench: Bench, rows: list[Row], when: str = "start", number: int = 1) -> Row:
    path = bench.results(rows)
    return sk.challenge.run(bench.record, bench.lot, number, path, when=when)


def outcomes(result: Row) -> dict[int, str]:
    return {row["number"]: row["outcome"] for row in result["results"]}


def plant(bench: Bench, kind: str = "no_read", **which: Any) -> list[int]:
    made = sk.challenge.plant(bench.record, bench.lot, kind=kind, **which)
    return [row["position"] for row in made["plants"]]


def refused(word: str, step: Any) -> sk.Refused:
    with pytest.raises(sk.Refused) as error:
        step()
    assert error.value.word == word
    return error.value


# -- sets ----------------------------------------------------------------------------------------


def test_a_set_holds_its_kinds_in_order_under_numbers_that_nobody_has(bench: Bench) -> None:
    """Every code is a well-formed GS1 message (biip); no number could be allocated, none comes
    twice but in a pair; only `wrong_lot` names another lot."""
    first, second = made(bench, each=2), made(bench, each=40)
    kinds = [row["kind"] for row in first]
    pairs = ["no_read"] * 2 + ["wrong_lot"] * 2 + ["repeated"] * 4 + ["foreign"] * 2
    assert kinds == pairs + ["low_grade"] * 2
    assert [int(row["number"]) for row in second] == list(range(1, 241))
    numbers = [row["serial"] for row in first + second]
    assert len(set(numbers)) == len(numbers) - 2 - 40
    bench.printed(20)
    for row in first + second:
        message = biip.parse(row["scanned"].replace("{GS}", "\x1d")).gs1_message
        assert message is not None
        values = {one.ai.ai: one.value for one in message.element_strings}
        assert values["01"] == GTIN and values["21"] == row["serial"]
        assert row["bracketed"] == "".join(f"({ai}){value}" for ai, value in values.items())
        assert (values["10"] != bench.lot) == (row["kind"] == "wrong_lot")
        assert row["hri3"] == f"LOT {values['10']}"
        assert not set(row["serial"][:2]) & set(ALPHABET) and len(row["serial"]) == 12
    assert not set(numbers) & {row["serial"] for row in bench.labels()}
    for label in first[4:8:2]:
        after = first[int(label["number"])]
        assert label["serial"] == after["serial"]
    sk.record.verify(bench.record)


def test_a_reader_that_catches_every_label_passes(bench: Bench) -> None:
    """Each kind is caught as what it is; the same bytes again change nothing; the file is kept."""
    labels = made(bench)
    path = bench.results(shown(labels))
    result = sk.challenge.run(bench.record, bench.lot, 1, path, when="start")
    assert result["passed"] and (result["caught"], result["missed"]) == (15, 0)
    found = {row["kind"]: row["finding"] for row in result["results"]}
    assert found == {kind: STRANGE.get(kind, kind) for kind in found} and len(found) == 5
    heads = bench.heads()
    again = sk.challenge.run(bench.record, bench.lot, 1, path, when="start")
    assert again["already_run"] and bench.heads() == heads
    assert again["results"] == sk.challenge.show(bench.record, bench.lot, 1)["runs"][0]["results"]
    with bench.record.read() as view:
        key = key_of(view.lot(bench.lot))
        kept = b"".join(view.original(key, view.challenge_runs(key)[0].sha256))
    assert kept == path.read_bytes()


@pytest.mark.parametrize("kind", ["no_read", "wrong_lot", "repeated", "foreign", "low_grade"])
def test_one_label_called_good_stops_the_run(
    bench: Bench, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever its kind: exit code 5, said aloud, and this label alone is named."""
    labels = made(bench)
    index = max(i for i, row in enumerate(labels) if row["kind"] == kind)
    rows = shown(labels)
    rows[index] |= as_good(labels, index)
    path = bench.results(rows)
    words = ["challenge", "run", bench.lot, "1", str(path), "--when", "stop"]
    assert run([*words, "--record", bench.url, "--as", "Line Lead"]) == 5
    said = capsys.readouterr().out
    assert "STOP, and tell the quality unit: THE READER MISSED A BAD LABEL." in said
    assert "no file was taken in since" in said
    result = sk.challenge.run(bench.record, bench.lot, 1, path, when="stop")
    assert outcomes(result)[index + 1] == "missed" and result["missed"] == 1
    assert result["caught"] == 14 and not result["passed"]
    (row,) = (row for row in result["reader"] if row["kind"] == kind)
    # P(X <= 1 | 3, p) = (1 - p)^2 (1 + 2 p) = 0.05 at p = 0.8647
    assert (row["tried"], row["missed"], row["bound_percent"]) == (3, 1, "86.5")


def test_a_label_caught_for_another_reason_proves_nothing(bench: Bench) -> None:
    """A wrong lot that was not read, and another label's code, are neither caught nor missed."""
    rows = as_seen(bench.printed(4))
    labels = made(bench, kinds=["wrong_lot", "foreign"], each=2)
    seen = shown(labels)
    seen[0] |= {"seen": "", "grade": "", "verdict": "fail"}
    seen[2]["seen"] = rows[0]["seen"]  # a real label was before the reader
    result = ran(bench, seen)
    assert outcomes(result) == {1: "unproven", 2: "caught", 3: "unproven", 4: "caught"}
    assert not result["passed"] and result["missed"] == 0 and result["in_doubt"] == []
    assert [row["tried"] for row in result["reader"]] == [1, 1]
    assert "(1 more prove nothing of it)" in result["reader"][0]["sentence"]


@pytest.mark.parametrize("more", [-1, 1])
def test_another_number_of_readings_than_labels_is_refused(bench: Bench, more: int) -> None:
    """One reading for each label, or nothing is judged and nothing changes."""
    labels = made(bench)
    rows = shown(labels)
    rows = rows[:more] if more < 0 else [*rows, rows[0]]
    heads = bench.heads()
    error = refused("challenge_count", lambda: ran(bench, rows))
    assert error.expected.startswith("18 readings") and error.came == str(18 + more)
    assert bench.heads() == heads
    refused("challenge_unknown", lambda: ran(bench, shown(labels), number=2))
    refused("bad_value", lambda: ran(bench, shown(labels), when="lunch"))


@pytest.mark.parametrize("form", FORMS)
def test_a_set_is_read_by_a_camera_profile_too(bench: Bench, form: str) -> None:
    """Three invented devices tell the same set; the places they count do not matter."""
    labels = made(bench)
    rows = shown(labels)
    for index, row in enumerate(rows):
        row |= {"position": str(400 - index), "row": str(index + 7), "lane": "2", "text": ""}
    path = bench.folder / f"results.{form}"
    FORMS[form](path, rows)
    result = sk.challenge.run(bench.record, bench.lot, 1, path, when="start", profile=form)
    assert result["passed"] and result["profile"] == form
    sk.record.verify(bench.record)


def test_bytes_serve_one_purpose(bench: Bench) -> None:
    """A run's file is no other run's and no take's, and a take's is no run's."""
    labels = made(bench, kinds=["foreign"], each=4)
    path = bench.results(shown(labels))
    sk.challenge.run(bench.record, bench.lot, 1, path, when="start")

    def other(when: str, where: Path = path) -> Any:
        return lambda: sk.challenge.run(bench.record, bench.lot, 1, where, when=when)

    refused("results_claimed", other("end"))
    rows = as_seen(bench.printed(4))
    real = bench.results(rows)
    sk.inspect.take(bench.record, bench.lot, real)
    refused("results_claimed", other("end", real))
    copy = bench.folder / "copy.csv"
    rows = as_seen(bench.printed(4))
    copy.write_bytes(bench.results(rows).read_bytes())
    made(bench, kinds=["foreign"], each=4)
    sk.challenge.run(bench.record, bench.lot, 2, copy, when="end")
    refused("results_claimed", lambda: sk.inspect.take(bench.record, bench.lot, copy))
    path.write_bytes(bench.results(shown(labels, at="09")).read_bytes())
    refused("results_name_taken", other("end"))
    sk.record.verify(bench.record)


# -- what is in doubt ----------------------------------------------------------------------------


def test_labels_since_the_last_passed_run_are_in_doubt(bench: Bench) -> None:
    """From the last run that proved what was missed now, to the next one; not from a run that
    showed other kinds, or stood at another station."""
    labels = made(bench, kinds=["no_read", "foreign"], each=1)
    foreign = made(bench, kinds=["foreign"], each=1)
    printed = as_seen(bench.printed(40))

    def take(first: int, last: int) -> None:
        sk.inspect.take(bench.record, bench.lot, bench.results(printed[first - 1 : last]))

    ran(bench, shown(labels, at="01"))
    take(1, 10)
    ran(bench, shown(labels, at="02"), "stop")
    take(11, 20)
    ran(bench, shown(foreign, at="03"), "stop", 2)
    other = replace(bench.record, station="line 2")
    elsewhere = bench.results(shown(labels, at="04"))
    sk.challenge.run(other, bench.lot, 1, elsewhere, when="stop")
    bad = shown(labels, at="05")
    bad[0] |= as_good(labels, 0)
    missed = ran(bench, bad, "end")
    assert missed["in_doubt"] == [{"take": 2, "first": 11, "last": 20}]
    take(21, 30)  # read before, taken in after
    ran(bench, shown(labels, at="06"), "end")
    take(31, 40)
    (doubt,) = sk.challenge.list(bench.record, bench.lot)["doubts"]
    spans = [{"take": 2, "first": 11, "last": 20}, {"take": 3, "first": 21, "last": 30}]
    assert doubt == {"run": missed["run"], "take": None, "kinds": ["no_read"], "takes": spans}
    told = {row["station"]: row for row in missed["reader"] if row["kind"] == "no_read"}
    assert (told["line 1"]["tried"], told["line 2"]["tried"]) == (3, 1)
    assert told["line 1"]["sentence"].startswith("no_read at line 1: 2 of 3 caught, 1 missed; ")


def test_a_lots_papers_say_which_runs_there_are(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reconciling and closing state what was proven and what was not, and refuse nothing by it."""
    labels = made(bench, each=20)
    ran(bench, shown_long(labels))
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.printed(20))))
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(bench.record, bench.lot, term, 20)
    told = sk.lot.reconcile(bench.record, bench.lot)["challenges"]
    assert [row["passed"] for row in told["runs"].values()] == [True, None, None]
    close = ["lot", "close", bench.lot, "--record", bench.url, "--as", "Line Lead"]
    assert run(close) == 0
    said = capsys.readouterr().out.splitlines()
    assert "challenge at the start of the run: set 1, run 1 passed" in said
    assert "no challenge after a stop" in said
    assert "no challenge at the end of the run" in said
    assert (
        "foreign: 20 of 20 caught; at 95 % confidence the reader misses fewer than 14.0 % of this "
        "kind"
    ) in said
    refused("lot_state", lambda: made(bench))
    refused("lot_state", lambda: ran(bench, shown_long(labels, "07"), "end"))
    refused("lot_state", lambda: plant(bench, count=1))
    sk.record.verify(bench.record)


def shown_long(labels: list[Row], at: str = "06") -> list[Row]:
    """As `shown`, of a set of more than a minute."""
    rows = shown(labels)
    for index, row in enumerate(rows):
        row["at"] = f"2026-06-01T{at}:{index // 60:02d}:{index % 60:02d}.000Z"
    return rows


# -- planted labels ------------------------------------------------------------------------------


@pytest.mark.parametrize("tells", ["positions", "order"])
@pytest.mark.parametrize("kind", PLANTED)
def test_a_planted_label_is_never_called_good(bench: Bench, kind: str, tells: str) -> None:
    """The reader took it for a good one: it is rejected, alarms, is never accepted, causes no
    event, and only its number can go."""
    rows = as_seen(bench.printed(40))
    plant(bench, kind, positions=[17])
    if tells == "order":
        for row in rows:
            row |= {"position": "", "row": "", "lane": ""}
    taken = sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {17: "missed_plant"}
    assert taken["states"] == {"commissioned": 39, "rejected": 1}
    alarm = {"kind": "missed_plant", "lane": None, "first": 17, "last": 17, "labels": 1}
    assert taken["alarms"] == [alarm] and taken["open_findings"] == 1
    scan = rows[16]["seen"]

    def accept() -> Any:
        return sk.label.accept(
            bench.record, bench.lot, 17, reason="it reads", second="Second Person", scan=scan
        )

    refused("never_accepted", accept)
    out = bench.folder / "events.jsonld"
    sk.events.write(bench.record, bench.lot, form="json", out=out)
    serials = [row["serial"] for row in bench.labels()]
    text = out.read_text()
    assert [serial in text for serial in serials] == [place != 17 for place in range(1, 41)]
    (row,) = sk.challenge.list(bench.record, bench.lot)["reader"]
    assert (row["kind"], row["missed"], row["bound_percent"]) == (kind, 1, None)
    sk.label.void(bench.record, bench.lot, "17", reason="waste")
    (line,) = (
        line
        for line in sk.lot.reconcile(bench.record, bench.lot)["lines"]
        if line["name"] == "destroyed"
    )
    assert line["numbers"] == 1
    sk.record.verify(bench.record)


def test_a_missed_plant_is_said_aloud(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """The operator at the line reads it in the answer of the take; exit code 5."""
    rows = as_seen(bench.printed(8))
    plant(bench, positions=[3])
    path = bench.results(rows)
    person = ["--record", bench.url, "--as", "Line Lead"]
    assert run(["inspect", "take", bench.lot, str(path), *person]) == 5
    said = capsys.readouterr().out
    assert "STOP, and tell the quality unit: THE READER CALLED A LABEL GOOD" in said
    assert (
        "ALARM a label made bad on purpose was called good by the reader: 1 label, position 3"
        in said
    )
    assert run(["challenge", "list", bench.lot, *person]) == 0
    said = capsys.readouterr().out
    assert "MISSED in take 1: no_read" in said and "take 1, positions 1 to 8" in said


def test_a_caught_plant_keeps_the_usual_finding(bench: Bench) -> None:
    """What the reader saw stands; each counts for its own kind only, and for no other reason."""
    rows = as_seen(bench.printed(60))
    strange = {"no_read": [3], "wrong_lot": [9], "foreign": [21], "low_grade": [33, 45]}
    for kind, places in strange.items():
        plant(bench, kind, positions=places)
    rows[2] |= {"seen": "", "grade": "", "verdict": "fail"}
    rows[8]["seen"] = rows[8]["seen"].replace("LOT24A", "LOT24B")
    assert all(
        one["outcome"] is None for one in sk.challenge.list(bench.record, bench.lot)["plants"]
    )
    rows[20]["seen"] = f"]d201{GTIN}21YZ001000000N{{GS}}1728063010LOT24A"
    rows[32]["grade"] = "1.0"
    rows[44] |= {"seen": "", "grade": "", "verdict": "fail"}  # no grade was measured
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    found = {3: "unreadable", 9: "wrong_lot", 21: "foreign", 33: "low_grade", 45: "unreadable"}
    assert bench.findings() == found
    plants = sk.challenge.list(bench.record, bench.lot)["plants"]
    assert [row["outcome"] for row in plants] == ["caught"] * 4 + ["unproven"]
    scan = f"]d201{GTIN}21{bench.labels()[2]['serial']}{{GS}}1728063010LOT24A"

    def accept() -> Any:
        return sk.label.accept(bench.record, bench.lot, 3, reason="scanned", scan=scan)

    refused("never_accepted", accept)
    assert sk.label.show(bench.record, bench.lot, position=3)["planted"] == "no_read"


def test_nobody_is_told_of_a_plant_before_the_reader_meets_it(bench: Bench) -> None:
    """Every answer that an operator can ask for is the same with and without plants, until a take
    has read their place."""
    rows = as_seen(bench.printed(40))
    labels = made(bench, kinds=["foreign"], each=1)

    def told() -> list[Any]:
        record = replace(bench.record, practice=False, role="operator")
        lot = sk.lot.show(record, bench.lot)
        lot.pop("chain")
        shown = sk.challenge.show(record, bench.lot, 1)
        return [
            [sk.label.show(record, bench.lot, position=place) for place in range(1, 41)],
            list(sk.label.list(record, bench.lot)),
            sk.lot.reconcile(record, bench.lot),
            sk.challenge.list(record, bench.lot),
            (lot, shown),
        ]

    before = told()
    plant(bench, "foreign", positions=[7, 30])
    assert told() == before
    after = made(bench, kinds=["foreign"], each=1)
    assert int(after[0]["serial"][-1]) == int(labels[0]["serial"][-1]) + 1
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:20]))
    record = replace(bench.record, practice=False, role="operator")
    told_now = sk.challenge.list(record, bench.lot)
    assert [row["position"] for row in told_now["plants"]] == [7]
    planter = replace(record, role="compliance")
    assert [row["position"] for row in sk.challenge.list(planter, bench.lot)["plants"]] == [7, 30]
    assert sk.label.show(bench.record, bench.lot, position=30)["planted"] is None
    refused(
        "role_not_allowed",
        lambda: sk.challenge.plant(record, bench.lot, kind="no_read", count=1),
    )
    sk.challenge.plant(planter, bench.lot, kind="no_read", count=1)


def test_only_labels_that_no_reader_has_met_are_planted(bench: Bench) -> None:
    """Not allocated, read, missing, voided or planted ones, and nothing outside the plan."""
    rows = as_seen(bench.printed(12))
    rows.pop(4)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:9]))
    sk.serials.allocate(bench.record, bench.lot, 1)
    sk.label.void(bench.record, bench.lot, "12", reason="damaged", count=1)
    plant(bench, positions=[11])
    heads = bench.heads()
    for place in (1, 5, 11, 12, 13):
        refused("move_not_allowed", lambda place=place: plant(bench, positions=[place]))
    refused("label_unknown", lambda: plant(bench, positions=[14]))
    refused("move_not_allowed", lambda: plant(bench, count=2))  # label 11 is planted already
    for wrong in ({}, {"count": 1, "positions": [2]}, {"count": -1}, {"count": 10**6}):
        refused("bad_value", lambda wrong=wrong: plant(bench, **wrong))
    refused("bad_value", lambda: plant(bench, "repeated", count=1))
    assert bench.heads() == heads


def test_chance_picks_so_many_labels(bench: Bench) -> None:
    """As many as asked for, all different, from the whole lot; the file tells what is stuck where,
    and prints no second label of a real number."""
    bench.printed(200)
    out = bench.folder / "plants.csv"
    chosen = plant(bench, "wrong_lot", count=50, out=out)
    assert len(set(chosen)) == 50 and min(chosen) < 40 and max(chosen) > 160
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["position"]) for row in rows] == chosen
    assert all("LOT24B" in row["scanned"] for row in rows)
    place = rows[0]
    assert (int(place["row"]) - 1) * 4 + int(place["lane"]) == chosen[0]
    more = sk.challenge.plant(bench.record, bench.lot, kind="no_read", count=150)["plants"]
    assert {row["position"] for row in more} | set(chosen) == set(range(1, 201))
    assert {row["scanned"] + row["serial"] + row["bracketed"] for row in more} == {""}
    refused("move_not_allowed", lambda: plant(bench, count=1))
    sk.record.verify(bench.record)


def test_a_label_planted_while_its_file_is_read_is_not_called_good(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The take looks at the lot again when somebody planted meanwhile; once it has begun to write,
    planting is refused."""
    rows = as_seen(bench.printed(8))
    real, times = inspection._judge, iter(range(9))

    def judge(*what: Any) -> Any:
        made = real(*what)
        if next(times) == 0:
            plant(bench, positions=[2])
        return made

    monkeypatch.setattr(inspection, "_judge", judge)
    start = inspection._start

    def begun(*what: Any) -> Any:
        made = start(*what)
        if made:
            refused("take_unfinished", lambda: plant(bench, positions=[3]))
        return made

    monkeypatch.setattr(inspection, "_start", begun)
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert bench.findings() == {2: "missed_plant"} and next(times) == 2


def test_a_plant_that_a_further_pass_calls_good_is_missed(bench: Bench) -> None:
    """Not seen at first, read good on the roll: found again would be for a person to accept; a
    planted label is not."""
    rows = as_seen(bench.printed(40))
    plant(bench, positions=[18])
    seen = [row for row in rows if row["position"] not in ("14", "18")]
    sk.inspect.take(bench.record, bench.lot, bench.results(seen))
    assert bench.findings() == {14: "not_seen", 18: "not_seen"}
    assert sk.challenge.list(bench.record, bench.lot)["plants"][0]["outcome"] is None
    sk.roll.add(bench.record, bench.lot)
    again = sk.inspect.take(bench.record, bench.lot, bench.results(rows), again_roll=1)
    assert (again["again"]["found_again"], again["again"]["rejected"]) == (1, 1)
    assert bench.findings() == {14: "found_again", 18: "missed_plant"}
    assert [bench.states()[place - 1] for place in (14, 18)] == ["issued", "rejected"]
    assert [alarm["kind"] for alarm in again["alarms"]] == ["missed_plant"]
    sk.record.verify(bench.record)


@pytest.mark.parametrize("tells", [["positions", "times"], ["times"]], ids=["positions", "times"])
def test_a_rehearsal_plays_planted_labels(bench: Bench, tells: list[str]) -> None:
    """Each as its fault, beside other faults; the truth says so, and the record agrees."""
    bench.printed(800)
    played = {kind: plant(bench, kind, count=15) for kind in PLANTED}
    out, truth = bench.folder / "r.csv", bench.folder / "t.csv"
    result = sk.inspect.rehearse(
        bench.record,
        bench.lot,
        out=out,
        truth=truth,
        seed=3,
        faults=["unreadable=0.01"],
        tells=tells,
    )
    assert result["faults"]["low_grade"] == 15
    with truth.open(newline="") as file:
        told = {int(row["position"]): row for row in csv.DictReader(file)}
    fault = {"no_read": "unreadable"}
    sk.inspect.take(bench.record, bench.lot, out)
    states, findings = bench.states(), bench.findings()
    for kind, places in played.items():
        for place in places:
            assert told[place]["fault"] == fault.get(kind, kind)
            assert told[place]["outcome"] == "rejected" == states[place - 1]
            assert findings[place] == fault.get(kind, kind)
    reader = sk.challenge.list(bench.record, bench.lot)["reader"]
    assert [(row["kind"], row["caught"], row["planted"]) for row in reader] == [
        (kind, 15, 15) for kind in PLANTED
    ]
    assert all("15 of 15 caught; at 95 % confidence" in row["sentence"] for row in reader)


def test_plants_and_sets_count_together(bench: Bench) -> None:
    """Thirty of a set and thirty on the web: sixty of sixty, as the lot's papers say it."""
    labels = made(bench, kinds=["no_read"], each=30)
    ran(bench, shown(labels))
    rows = as_seen(bench.printed(400))
    for place in plant(bench, count=30):
        rows[place - 1] |= {"seen": "", "grade": "", "verdict": "fail"}
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    (row,) = sk.lot.reconcile(bench.record, bench.lot)["challenges"]["reader"]
    assert row["sentence"] == (
        "no_read: 60 of 60 caught; at 95 % confidence the reader misses fewer than 4.9 % of this "
        "kind"
    )


EDITS = {
    "a set's kinds": "UPDATE challenge SET each = 1",
    "an outcome": "UPDATE challenge_run SET outcomes = replace(outcomes, 'm', 'c')",
    "a plant taken out": "DELETE FROM plant",
    "the kept file": lambda database: database.rewrite("original.data", lambda _: b"\x00"),
    "the kept file taken out": "DELETE FROM original",
}


@pytest.mark.parametrize("edit", EDITS)
def test_edits_of_what_was_proven_are_found(bench: Bench, edit: str) -> None:
    """`record verify` replays sets, runs and plants, and hashes the kept files."""
    labels = made(bench)
    rows = shown(labels)
    rows[0] |= as_good(labels, 0)
    ran(bench, rows)
    bench.printed(4)
    plant(bench, positions=[2])
    sk.record.verify(bench.record)
    assert bench.database.edit(EDITS[edit]) > 0
    with pytest.raises(sk.Damaged):
        sk.record.verify(bench.record)
