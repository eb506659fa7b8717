"""The command line: the forms that outside scripts use, exit codes, and one JSON document."""

from __future__ import annotations

import csv
import json
import keyword
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from conftest import Bench
from databases import Database
from lxml import etree

import serialkeeper as sk
from schemas import valid
from serialkeeper.cli.door import app, hoist, run


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands run where nothing is, without anybody's settings."""
    monkeypatch.chdir(tmp_path)
    for name in list(os.environ):
        if name.startswith("SERIALKEEPER_") and name != "SERIALKEEPER_STANDARDS":
            monkeypatch.delenv(name)


by_the_demo = pytest.mark.only_on("sqlite", reason="the demo makes its record in a file of its own")


class Typed:
    """What a command answered."""

    def __init__(self, capsys: pytest.CaptureFixture[str], words: str | list[str]) -> None:
        words = words.split() if isinstance(words, str) else words
        self.code = run(words)
        captured = capsys.readouterr()
        self.out, self.err = captured.out, captured.err

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def here(
    _in_an_empty_folder: None, database: Database, monkeypatch: pytest.MonkeyPatch
) -> Database:
    """The database in which commands find and make their record."""
    monkeypatch.setenv("SERIALKEEPER_RECORD", database.url)
    return database


@pytest.fixture
def type_(capsys: pytest.CaptureFixture[str]) -> Iterator[Any]:
    """Type a command; gives its answer."""
    yield lambda words: Typed(capsys, words)


def results_of(print_file: str, name: str) -> None:
    """A faultless camera's file, but for one label that it could not read."""
    with Path(print_file).open(newline="") as file, Path(name).open("w", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["position", "row", "lane", "at", "seen", "grade", "verdict", "text"])
        for row in csv.DictReader(file):
            seen = "" if row["position"] == "7" else row["scanned"]
            writer.writerow(
                [row["position"], row["row"], row["lane"], "", seen, "", "pass" if seen else "", ""]
            )


@pytest.mark.usefixtures("here")
def test_the_main_job_as_typed(type_: Any) -> None:
    """Every form of the design's list, one after the other, on one lot."""
    assert type_(["init", "--person", "Line Lead"]).code == 0
    added = type_(
        ["product", "add", "09521234543213", "--prefix-length", "7", "--name", "Demo tablets 20 mg"]
    )
    assert added.code == 0
    opened = "lot open 09521234543213 LOT24A --expiry 2028-06-30 --target 2000"
    assert "2,052" in type_(opened).out
    assert type_("lot approve LOT24A").code == 0
    assert type_("serials allocate LOT24A 2052 --json").json["last"] == 2052
    printed = type_("print write LOT24A --lanes 4 --out job.csv --json")
    valid("print-manifest", json.loads(Path("job.manifest.json").read_text()))
    assert printed.json["count"] == 2052
    results_of("job.csv", "results.csv")
    taken = type_("inspect take LOT24A results.csv --json")
    assert taken.code == 5, "findings need a person"
    assert valid("inspect-take", taken.json)["findings"] == {"unreadable": 1}
    again = type_("inspect take LOT24A results.csv --json")
    assert valid("inspect-take", again.json)["already_taken"]
    labels = valid("label-list", type_("label list LOT24A --json").json)
    assert len(labels) == 2052
    assert (labels[6]["state"], labels[6]["finding"]) == ("rejected", "unreadable")
    doubtful = type_("label list LOT24A --state doubtful").out
    assert doubtful.splitlines()[1].split()[0] == "7"
    assert type_("label void LOT24A 7 --reason waste").code == 0
    assert type_("lot reconcile LOT24A").code == 5
    for words in ("printer_counter 2052", "rewind_counter 2051", "destroyed 1 --witness W"):
        assert type_(f"lot count LOT24A {words}").code == 0
    assert type_("lot reconcile LOT24A").code == 0
    written = type_("events write LOT24A --form json --out events.jsonld")
    assert written.code == 0
    valid("events", json.loads(Path("events.jsonld").read_text()))
    assert type_("events write LOT24A --form xml --out events.xml").code == 0
    assert type_("events write LOT24A --form xml-1.2 --out events12.xml").code == 0
    listed = type_("review list LOT24A --json")
    assert listed.code == 5
    groups = listed.json["groups"]
    opened = ",".join(str(place) for one in groups for place in one["open"])
    names = " ".join(one["group"] for one in groups)
    assert type_(f"review sign LOT24A {names} --opened {opened}").code == 0
    assert type_("lot close LOT24A").code == 0
    assert valid("record-verify", type_("record verify --json").json)["sound"]
    shown = type_("label show LOT24A 7")
    assert "voided" in shown.out and "waste" in shown.out


@pytest.mark.usefixtures("here")
def test_rolls_as_typed(type_: Any) -> None:
    """A parent roll, its finished rolls, a cut, a further pass and a release: forms, exit codes."""
    type_(["init", "--person", "Line Lead"])
    type_("product add 09521234543213 --prefix-length 7 --name Demo")
    type_("lot open 09521234543213 LOT24A --expiry 2028-06-30 --target 30")
    type_("lot approve LOT24A")
    type_("serials allocate LOT24A 40")
    type_("print write LOT24A --lanes 2 --out job.csv")
    results_of("job.csv", "results.csv")
    assert type_("inspect take LOT24A results.csv").code == 5
    assert type_("roll add LOT24A --rows 1-20 --wound reversed").code == 0
    assert "Roll 3: job 1" in type_("roll slit LOT24A 1").out
    refused = type_("roll release LOT24A 2 --reason done --json")
    assert valid("refusal", refused.json)["refused"]["word"] == "roll_open_points"
    type_("label void LOT24A 7 --reason waste")
    with Path("job.csv").open(newline="") as file:
        rows = {int(row["position"]): row for row in csv.DictReader(file)}
    off = type_(["roll", "removed", "LOT24A", "2", "--position", "7", "--scan", rows[9]["scanned"]])
    assert off.code == 0, off.err
    assert type_("label replace LOT24A 7 40 --reason spare").code == 0
    assert "replaced by position 40" in type_("label show LOT24A 7").out
    lane = [rows[40 if place == 7 else place]["scanned"] for place in range(1, 41, 2)]
    text = "position,row,lane,at,seen,grade,verdict,text\n"
    Path("again.csv").write_text(text + "".join(f",,,,{seen},,,\n" for seen in lane))
    assert type_("inspect take LOT24A again.csv --pass again").code == 2
    again = type_("inspect take LOT24A again.csv --pass again --roll 2 --json")
    assert again.code == 0
    told = valid("inspect-take", again.json)
    assert (told["again"]["confirmed"], told["again"]["absent"]) == (20, 1)
    assert type_("roll count LOT24A 2 19").code == 5
    assert type_("roll mark LOT24A 2 splice --row 4 --reason cut").code == 0
    assert type_("roll turn LOT24A 2 --reason rewound").code == 0
    assert type_("roll release LOT24A 2 --reason done --out roll2.json").code == 0
    valid("roll-ticket", json.loads(Path("roll2.json").read_text()))
    valid("roll-ticket", type_("roll show LOT24A 2 --json").json["ticket"])
    assert "released" in type_("roll list LOT24A").out
    assert type_("record verify").code == 0


@by_the_demo
def test_the_same_record_and_form_give_the_same_event_bytes(type_: Any) -> None:
    """Event files are a function of the record: written twice, they are equal."""
    type_("demo --labels 200 --out d --json")
    record = ["--record", "sqlite:///d/record.db", "--as", "Line Lead"]
    type_(["events", "write", "DEMO24A", "--out", "again.jsonld", *record])
    assert Path("again.jsonld").read_bytes() == Path("d/events.jsonld").read_bytes()


@by_the_demo
def test_the_demo_tells_its_story(type_: Any) -> None:
    """The demo balances, leaves every file it names, and its record verifies."""
    told = type_("demo --labels 2000 --seed 3 --out d --json")
    assert (told.code, told.err) == (0, "")
    story = valid("demo", told.json)
    assert story["balanced"] and story["labels"] == 2000
    assert sum(story["states"].values()) == 2000
    assert all(Path(path).is_file() for path in story["files"].values())
    assert Path("d/record.db").is_file()
    events = valid("events", json.loads(Path("d/events.jsonld").read_text()))
    inside = [row["parentID"] for row in events["epcisBody"]["eventList"] if "parentID" in row]
    packs = story["packs"]
    assert len(inside) == len(packs["cases"]) + 1 == 7 and packs["units"] == 60
    record = sk.open_record("sqlite:///d/record.db", person="Line Lead")
    assert [one["key"] for one in sk.pack.show(record, packs["pallet"])["children"]] == (
        packs["cases"]
    )
    assert sk.record.verify(record)["sound"]


@by_the_demo
def test_the_same_seed_tells_the_same_story(type_: Any) -> None:
    """Numbers, print file, faults and outcome are the seed's; another seed's are not."""
    stories = {}
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        told = type_(f"demo --labels 300 --seed {seed} --out {folder} --json").json
        stories[folder] = (
            told["states"],
            told["findings"],
            Path(folder, "job.csv").read_bytes(),
            Path(folder, "truth.csv").read_bytes(),
        )
    assert stories["a"] == stories["b"] != stories["c"]


@by_the_demo
def test_the_demo_prints_the_commands_that_do_the_same_by_hand(type_: Any) -> None:
    """Each printed command line is one that the command tree understands."""
    told = type_("demo --labels 300 --out d").out
    typed = re.findall(r"^ +serialkeeper (.+)$", told, re.M)
    assert len(typed) >= 18
    for line in typed:
        noun = line.split()[0]
        group = next((g for g in app.registered_groups if g.name == noun), None)
        verbs = [c.name for c in (group.typer_instance.registered_commands if group else [])]
        names = [c.name or c.callback.__name__.strip("_") for c in app.registered_commands]
        if group:
            known = verbs + [
                c.callback.__name__.strip("_")
                for c in group.typer_instance.registered_commands
                if c.callback
            ]
            assert line.split()[1] in known, line
        else:
            assert noun in names, line


@by_the_demo
def test_the_official_schemas_accept_the_demos_events(type_: Any, standards: Path) -> None:
    """EPCIS 2.0 XSD and JSON Schema (formats asserted) accept both files of the demo.

    Source: EPCglobal-epcis-2_0.xsd and EPCIS-JSON-Schema.json of EPCIS 2.0.
    """
    type_("demo --labels 500 --out d --json")
    schema = json.loads((standards / "epcis-2.0" / "EPCIS-JSON-Schema.json").read_text())
    document = json.loads(Path("d/events.jsonld").read_text())
    jsonschema_rs.validator_for(schema, validate_formats=True).validate(document)
    xsd = etree.XMLSchema(file=str(standards / "epcis-2.0" / "EPCglobal-epcis-2_0.xsd"))
    xsd.assertValid(etree.parse("d/events.xml"))


@by_the_demo
def test_event_ids_equal_those_of_the_reference_library(type_: Any) -> None:
    """The CBV 2.0 event hash, by epcis-event-hash-generator over our JSON-LD file; XML too."""
    from epcis_event_hash_generator import hash_generator, json_to_py

    type_("demo --labels 500 --out d --json")
    text = Path("d/events.jsonld").read_text()
    events = json_to_py.event_list_from_epcis_document_str(text)
    hashes = hash_generator.calculate_hashes_from_pre_hashes(
        hash_generator.derive_prehashes_from_events(events)
    )
    ours = [event["eventID"] for event in json.loads(text)["epcisBody"]["eventList"]]
    assert len(hashes) == len(ours) > 3
    assert list(hashes) == ours
    assert [e.text for e in etree.parse("d/events.xml").iter("eventID")] == ours


@by_the_demo
def test_what_was_commissioned_is_what_the_events_say(type_: Any) -> None:
    """The EPCs that ObjectEvents add are exactly the labels ever active, and the packs."""
    type_("demo --labels 500 --out d --json")
    told = json.loads(Path("d/events.jsonld").read_text())["epcisBody"]["eventList"]
    events = [event for event in told if event["type"] == "ObjectEvent"]
    added = [epc for event in events if event["action"] == "ADD" for epc in event["epcList"]]
    gone = [epc for event in events if event["action"] == "DELETE" for epc in event["epcList"]]
    record = sk.open_record("sqlite:///d/record.db", person="Line Lead")
    by_state: dict[str, set[str]] = {}
    for row in sk.label.list(record, "DEMO24A"):
        by_state.setdefault(row["state"], set()).add(
            f"urn:epc:id:sgtin:9521234.054321.{row['serial']}"
        )
    keys = [pack["key"] for pack in sk.pack.list(record, "DEMO24A")["packs"]]
    packs = {f"urn:epc:id:sscc:{key[1:8]}.{key[0]}{key[8:17]}" for key in keys}
    assert len(added) == len(set(added)) and len(packs) == 7
    assert set(added) == by_state["commissioned"] | by_state["decommissioned"] | packs
    assert set(gone) == by_state["decommissioned"]


@pytest.mark.parametrize(
    ("words", "code", "word"),
    [
        ("lot show LOT24A", 1, "record_missing"),
        ("lot show", 2, "usage"),
        ("lot shout LOT24A", 2, "usage"),
        ("nothing", 2, "usage"),
        ("lot open 1 L --expiry 2028-13-01 --target 5", 2, "usage"),
        ("lot open 1 L --expiry 2028-06-31 --target 5", 2, "usage"),
        ("lot show L --record mysql://h/d", 2, "usage"),
        ("lot show L --record postgresql://u:secret@h/d", 2, "usage"),
        ("label list L --state lost", 1, "record_missing"),
        ("label show L 99999999999999999999999", 2, "usage"),
        ("lot show \udcff", 2, "usage"),
        ("lot", 2, "usage"),
    ],
)
def test_refusals_have_a_word_an_exit_code_and_a_remedy(
    type_: Any, words: str, code: int, word: str
) -> None:
    """On stderr for people; with --json one document on stdout, in a form of its own schema."""
    told = type_(words)
    assert (told.code, told.out) == (code, "")
    assert f"[{word}]" in told.err and "what to do:" in told.err
    assert "secret" not in told.err and "Traceback" not in told.err
    as_json = type_(f"{words} --json")
    assert as_json.code == code
    assert valid("refusal", as_json.json)["refused"]["word"] == word


def test_a_damaged_record_is_exit_3(bench: Bench, type_: Any) -> None:
    """A state changed by hand: record verify says where, and leaves with 3."""
    bench.printed(4)
    assert bench.database.edit("UPDATE label SET state = 'c' WHERE position = 1") == 1
    told = type_(["record", "verify", "--record", bench.url, "--as", "Line Lead"])
    assert told.code == 3
    assert "position 1" in told.err


def test_common_options_stand_anywhere() -> None:
    """--record, --as and --json are understood before the noun and after the verb."""
    words = ["lot", "show", "L", "--as", "A B", "--json", "--record=x"]
    assert hoist(words) == ["--as", "A B", "--json", "--record=x", "lot", "show", "L"]
    assert hoist(["label", "show", "--", "--json"]) == ["label", "show", "--", "--json"]


def commands() -> list[tuple[str, str]]:
    """Every noun and verb of the command line."""
    return [
        (str(group.name), str(command.name or command.callback.__name__.strip("_")))
        for group in app.registered_groups
        for command in (group.typer_instance.registered_commands if group.typer_instance else [])
        if command.callback
    ]


def test_every_command_is_a_function_of_the_api_with_the_same_name() -> None:
    """`serialkeeper lot open` is `serialkeeper.lot.open`, and so on, both ways."""
    assert len(commands()) > 20
    for noun, verb in commands():
        # Python keeps a few words for itself: `serials.import_`.
        name = f"{verb}_" if keyword.iskeyword(verb) else verb
        assert callable(getattr(getattr(sk, noun), name)), f"{noun} {verb}"
    for noun in {noun for noun, _ in commands()}:
        verbs = {name.strip("_") for name in vars(getattr(sk, noun)) if not name.startswith("_")}
        assert verbs == {verb for n, verb in commands() if n == noun}, noun


@pytest.mark.parametrize(("noun", "verb"), commands())
def test_every_command_explains_itself(type_: Any, noun: str, verb: str) -> None:
    """Help leaves with 0 and starts with what the command does."""
    told = type_([noun, verb, "--help"])
    assert told.code == 0 and "Usage:" in told.out


@by_the_demo
def test_as_a_process_of_its_own(tmp_path: Path) -> None:
    """`python -m serialkeeper` works, prints one JSON document, and a closed pipe is no error."""
    command = [sys.executable, "-m", "serialkeeper"]
    made = subprocess.run(
        [*command, "demo", "--labels", "150", "--out", "d", "--json"],
        capture_output=True,
        check=True,
        cwd=tmp_path,
    )
    assert json.loads(made.stdout)["balanced"]
    piped = subprocess.run(
        f"{sys.executable} -m serialkeeper label list DEMO24A --as 'Line Lead' "
        "--record sqlite:///d/record.db | head -1",
        shell=True,
        capture_output=True,
        cwd=tmp_path,
    )
    assert piped.stderr.decode().splitlines() == [
        "Practice record: for trying and training, never for a real lot."
    ]
