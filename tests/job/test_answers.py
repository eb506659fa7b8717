"""Every command with `--json`, in one story: each answer has the form that its schema says.

The schemas are strict (no property besides those named), so a form that grows or shrinks unsaid is
found here. What the answers mean is tested where each step is.
"""

from __future__ import annotations

import csv
import json
import shlex
import zipfile
from collections.abc import Iterable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from conftest import GTIN, as_seen
from test_people import ADA, FIRST, SECRETS

from schemas import FOLDER, valid
from serialkeeper.cli.answer import FINDINGS
from serialkeeper.cli.door import app, run
from serialkeeper.errors import WORDS
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.steps.importing import giving

pytestmark = pytest.mark.only_on(
    "sqlite", reason="the form of an answer is made above the database; one story is enough"
)

SECOND, BADGE, PIN = "Second Person", "CARD-7Q2M9X4K1B", "592806"
DOCUMENTS = {
    *("events", "print-manifest", "problem", "record-proof", "refusal", "roll-ticket", "shared"),
    "symbols-manifest",
}
"""Schemas of documents that are no command's answer."""
ALONE = ("demo", "explain", "guide", "init", "scan")
"""Commands of one word."""


def commands() -> set[str]:
    """The name of every command that answers with a document, as its schema is called."""
    alone = {str(command.name) for command in app.registered_commands} - {"serve"}
    return alone | {
        f"{group.name}-{command.name or command.callback.__name__.strip('_')}"
        for group in app.registered_groups
        for command in (group.typer_instance.registered_commands if group.typer_instance else ())
        if command.callback
    }


def test_every_command_has_a_schema() -> None:
    """One file for each, of its name, and no other but those of documents."""
    there = {path.name.removesuffix(".schema.json") for path in FOLDER.iterdir()}
    assert there == commands() | DOCUMENTS
    for path in FOLDER.iterdir():
        jsonschema_rs.meta.validate(json.loads(path.read_text()))  # JSON Schema 2020-12 itself
    refusal = json.loads((FOLDER / "refusal.schema.json").read_text())
    assert set(refusal["$defs"]["word"]["enum"]) == set(WORDS)


class Story:
    """Types commands, and holds each answer against its schema."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        self.told: set[str] = set()
        self.common: list[str] = []

    def say(self, line: str, *more: str) -> Any:
        """The answer of a command; `more` are words with spaces of their own."""
        words = [*shlex.split(line), *more]
        name = words[0] if words[0] in ALONE else "-".join(words[:2])
        ended = run([*words, "--json", *self.common])
        out, told = self._capsys.readouterr()
        assert ended in (0, FINDINGS), f"{line}: {ended}\n{told}"
        documents = out.splitlines() if words[:2] == ["inspect", "follow"] else [out]
        for one in documents:
            valid(name, json.loads(one))
        self.told.add(name)
        return json.loads(documents[-1])

    def file(self, name: str, text: str) -> str:
        """A file of that text."""
        (self.folder / name).write_text(text)
        return name

    def results(self, name: str, rows: Iterable[dict[str, Any]]) -> str:
        """A camera's file."""
        columns = ["position", "row", "lane", "at", "seen", "grade", "verdict", "text"]
        with (self.folder / name).open("w", newline="") as file:
            writer = csv.DictWriter(
                file, columns, restval="", extrasaction="ignore", lineterminator="\n"
            )
            writer.writeheader()
            writer.writerows(rows)
        return name


@pytest.fixture
def story(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Story:
    """A folder to begin in, at a station."""
    monkeypatch.chdir(tmp_path)
    for name in ("RECORD", "PERSON", "SIGNING_KEY", "TOKEN_FILE", "PASSWORD", "SESSIONS"):
        monkeypatch.delenv(f"SERIALKEEPER_{name}", raising=False)
    monkeypatch.setenv("SERIALKEEPER_STATION", "line 1")
    monkeypatch.setenv("SERIALKEEPER_SESSIONS", str(tmp_path / "sessions"))
    return Story(tmp_path, capsys)


def test_every_commands_answer_has_its_form(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """All commands, chapter by chapter, on a few small lots."""
    story.say("demo --labels 100 --out d")
    story.say("explain lot_unbalanced")
    story.say("guide")
    story.say("guide rolls")
    story.common = ["--as", "Line Lead"]
    story.say("init --person 'Line Lead'")
    a_house(story)
    a_lot(story)
    a_run(story)
    its_reader_is_proven(story)
    its_labels_are_inspected(story)
    its_rolls(story)
    its_packs(story)
    its_end(story)
    another_lot_is_closed(story)
    numbers_of_others(story)
    the_record_is_kept(story)
    people_with_passwords(story, monkeypatch)
    assert story.told == commands()


def a_house(story: Story) -> None:
    story.say(f"person add '{SECOND}' --role compliance")
    story.say("person add Third --role operator")
    story.say("person list")
    story.say("station list")
    story.say("location add 9521234000006 --prefix-length 7 --name Depot --zone Europe/Berlin")
    columns = "gln,extension,prefix_length,name,zone,part_of\n"
    part = "9521234000006,R1,7,Ramp,Europe/Berlin,9521234000006\n"
    story.say("location import", story.file("places.csv", columns + part))
    story.say("location list")
    story.say("location show 9521234000006/R1")
    story.say(f"product add {GTIN} --prefix-length 7 --name Tablets")
    columns = "gtin,prefix_length,name,order,serial_length,minimum_grade\n"
    row = "09521234543220,7,Drops,,20,\n"
    story.say("product import", story.file("products.csv", columns + row))
    story.say("product list")
    story.say(f"product show {GTIN}")
    lines = '["GTIN {gtin}", "SN {serial}", "LOT {lot}"]'
    layout = f"lines = {lines}\n[symbol]\nx = 0.38\nspace = [12, 12]\n"
    story.say(f"product layout {GTIN}", story.file("layout.toml", layout))
    levels = "[case]\nholds = 4\npart = true\n\n[pallet]\nholds = 3\npart = true\n"
    story.say(f"product packs {GTIN}", story.file("packs.toml", levels))
    story.say("alarm rules --in-a-row 4")
    long = story.say("serials odds 09521234543220 7")
    assert long["space"] == 32.0**16, "a number that no 64 bits hold is told exactly"


def a_lot(story: Story) -> None:
    story.say(f"lot open {GTIN} LOT24A --expiry 2028-06-30 --target 60")
    story.say(f"lot approve LOT24A --second '{SECOND}'")
    story.say("lot list")
    story.say("serials odds LOT24A")
    story.say("serials allocate LOT24A 80")
    story.say("print fit LOT24A")
    story.say("print write LOT24A --lanes 4 --out job.csv")
    story.say("print again LOT24A 1 --out again.csv")
    story.say("print proof LOT24A --out proof.pdf")
    story.say("print symbols LOT24A --out s.zip --form png --last 3")
    story.say("print sscc 095212340000000013 --out sscc.svg")


def a_run(story: Story) -> None:
    story.say("run start LOT24A")
    for when in ("before", "after"):
        points = ",".join(CLEARANCE[when])
        story.say(f"run clearance LOT24A {when} --checked {points} --second '{SECOND}'")
        story.say(
            f"run challenge LOT24A --when {'start' if when == 'before' else 'end'}"
            " --shown 5 --caught 5"
        )
        if when == "before":
            story.say("run stop LOT24A --reason 'web broke'")
            story.say("run challenge LOT24A --when stop --shown 5 --caught 5")
            shows = datetime.now(UTC).isoformat()
            story.say("run clock LOT24A --of camera --shows", shows)
            grade = f"--grade 2.5/08/660 --instrument v1 --calibrated {date.today()}"
            story.say(f"run grade LOT24A {grade} --position 3")
    story.say("run end LOT24A")
    story.say("run list LOT24A")
    story.say("run show LOT24A 1")


def its_reader_is_proven(story: Story) -> None:
    story.say("challenge make LOT24A --out set.csv --each 1 --kinds foreign,wrong_lot")
    with (story.folder / "set.csv").open(newline="") as file:
        rows = [{"seen": row["scanned"], "grade": "3.5"} for row in csv.DictReader(file)]
    story.say("challenge run LOT24A 1", story.results("shown.csv", rows), "--when", "start")
    story.say("challenge plant LOT24A --kind no_read --position 50")
    story.say("challenge show LOT24A 1")
    story.say("challenge list LOT24A")


def its_labels_are_inspected(story: Story) -> None:
    with zipfile.ZipFile(story.folder / "s.zip") as symbols:
        symbols.extractall(story.folder / "images")
    for path in (story.folder / "images").rglob("*"):
        if path.is_file() and path.suffix != ".png":
            path.unlink()
    pictures = next(path.parent for path in (story.folder / "images").rglob("*.png"))
    story.say(f"inspect images '{pictures}' --out images.csv")
    story.say("inspect rehearse LOT24A --out played.csv --truth truth.csv --seed 3")
    rows = as_seen(story.folder / "job.csv")
    story.say("inspect profile", story.results("sample.csv", rows[:8]), "--out", "ours.toml")
    story.say("inspect profile")
    rows[49]["seen"] = rows[6]["seen"] = rows[16]["seen"] = ""
    rows[8]["grade"] = "0.4"
    rows[10]["seen"] = rows[10]["seen"].replace("LOT24A", "LOT24B")
    story.results("results.csv", rows[:60])
    story.say("inspect follow LOT24A results.csv --idle 1")
    story.results("rest.csv", rows[60:])
    story.say("inspect take LOT24A rest.csv")
    story.say("alarm list LOT24A")
    story.say("alarm acknowledge LOT24A 1-99 --cause lamp --restart-check '20 read'")
    story.say("label list LOT24A --state doubtful")
    story.say("label show LOT24A 7")
    scan = as_seen(story.folder / "job.csv")[6]["seen"]
    story.say(f"label accept LOT24A 7 --reason wiped --second '{SECOND}' --scan", scan)
    story.say("scan", scan)
    story.say("scan 95212345432")


def its_rolls(story: Story) -> None:
    story.say("roll add LOT24A --rows 1-20")
    story.say("roll pulls LOT24A --pitch 40")
    story.say("roll draw LOT24A --roll 1 --out roll.svg")
    seen = as_seen(story.folder / "job.csv")
    story.say("roll neighbour LOT24A 9 --scan", seen[12]["seen"])
    story.say("label void LOT24A 9,11,17,50 --reason waste --count 4")
    story.say("roll slit LOT24A 1")
    story.say("roll removed LOT24A 2 --position 9 --scan", seen[12]["seen"])
    story.say("label replace LOT24A 9 77 --reason spare")
    story.say("roll mark LOT24A 2 splice --row 5 --reason cut")
    story.say("roll turn LOT24A 2 --reason rewound")
    story.say("roll count LOT24A 2 18")
    story.say("roll list LOT24A")
    lane = [seen[76 if place == 8 else place] for place in range(0, 80, 4)]
    lane = [row for row in lane if row["position"] not in ("17",)][::-1]
    again = story.results("again.csv", [{"seen": row["seen"]} for row in lane])
    story.say(f"inspect take LOT24A {again} --pass again --roll 2")
    story.say("roll show LOT24A 2")


def its_packs(story: Story) -> None:
    story.say("pack number LOT24A case 2")
    built = story.say("pack build LOT24A case --in-order --packs 3")
    first, second, third = (one["key"] for one in built["packs"])
    pallet = story.say("pack build LOT24A pallet", first, second, "--reason", "few")["packs"][0][
        "key"
    ]
    story.say("pack list LOT24A")
    story.say(f"pack show {pallet}")
    units = [one["serial"] for one in story.say(f"pack show {third}")["children"]]
    story.say(f"pack check {third}", units[0])
    story.say(f"pack label {third} --out label.svg")
    story.say(f"pack label {third} --scan", f"]C100{third}")
    story.say(f"pack add {pallet}", third)
    story.say(f"pack remove {pallet}", third, "--reason", "heavy")
    seen = story.say("label list LOT24A --state commissioned")
    packed = {row["position"] for row in seen[:14]}
    loose = next(row["serial"] for row in reversed(seen) if row["position"] not in packed)
    story.say(f"pack replace {third}", units[0], loose, "--reason", "torn")
    story.say(f"pack remove {second}", *unit_scans(story, second)[:1], "--reason", "torn")
    story.say("pack move", units[1], "--into", second, "--reason", "filled")
    story.say(f"pack empty {third} --reason mixed")
    story.say(f"pack decommission {third} --reason damaged")
    hold = story.say("hold place LOT24A --positions 70-71 --reason 'odd colour' --case INV-7")
    story.say("label show LOT24A 70")
    story.say("hold list")
    story.say(f"hold lift LOT24A {hold['hold']} --reason fine")
    story.say(f"pack ship {pallet} --to 9521234000006")
    story.say(f"pack unship {pallet} --reason 'still on the dock'")


def unit_scans(story: Story, key: str) -> list[str]:
    return [one["serial"] for one in story.say(f"pack show {key}")["children"]]


def its_end(story: Story) -> None:
    story.say("label decommission LOT24A 79 --reason sampled --count 1")
    story.say("label settle LOT24A 50 --reason 'cut out'")
    story.say(f"label correct LOT24A 79 --reason '97 was meant' --second '{SECOND}'")
    story.say("label decommission LOT24A 79 --reason sampled --count 1")
    story.say("events write LOT24A --out events.jsonld")
    story.say("events read events.jsonld")
    story.say("events check LOT24A")
    for name in ("east", "west"):
        (story.folder / name).mkdir()
        story.say(f"events destination {name} --folder {name} --as-it-happens --most-events 1")
    story.file(f"west/{GTIN}.LOT24A.00001.jsonld", "{}")
    story.say("events send --once --lot LOT24A")
    story.say("events destination far --capture https://localhost:1/capture --knows-ids")
    story.say("events status")
    story.say("events settle west LOT24A --again --reason", "not ours")
    story.say("lot count LOT24A printer_counter 80")
    story.say("lot reconcile LOT24A")
    story.say("lot reconcile LOT24A --hold --pitch 40")
    story.say("lot report LOT24A --out LOT24A.pdf --paper Letter")
    story.say("lot table LOT24A labels --out labels.xlsx")
    story.say("lot table LOT24A moves --out moves.csv")
    story.say("lot history")


def another_lot_is_closed(story: Story) -> None:
    """A lot whose sum comes out, with something to review."""
    story.say(f"lot open {GTIN} SMALL --expiry 2028-06-30 --target 4")
    story.say(f"lot approve SMALL --second '{SECOND}'")
    story.say("serials allocate SMALL 6")
    story.say("print write SMALL --lanes 2 --out small.csv")
    story.results("all.csv", as_seen(story.folder / "small.csv"))
    story.say("inspect take SMALL all.csv")
    story.say("roll add SMALL")
    story.say(f"roll release SMALL 1 --reason done --second '{SECOND}' --out ticket.json")
    valid("roll-ticket", json.loads((story.folder / "ticket.json").read_text()))
    story.say("roll show SMALL 1")
    story.say("label decommission SMALL 6 --reason sampled --count 1")
    for term, count in (("printer_counter", 6), ("rewind_counter", 5), ("samples", 1)):
        story.say(f"lot count SMALL {term} {count}")
    story.say("lot reconcile SMALL")
    [group] = story.say("review list SMALL")["groups"]
    story.say(f"review show SMALL {group['group']}")
    story.say(f"review sign SMALL {group['group']} --opened {group['open'][0]}")
    story.say("review list SMALL --all")
    story.say("lot close SMALL")
    story.say("lot history --by reason --out rates.html")
    story.say(f"lot decide SMALL refused --on {date.today()} --by 'Quality Unit'")
    story.say("lot show SMALL")
    story.say(f"lot reopen SMALL --reason 'two rolls found' --second '{SECOND}'")


def numbers_of_others(story: Story) -> None:
    story.say(f"lot open {GTIN} IMPORT --expiry 2028-07-31 --target 4")
    story.say("lot discard IMPORT --reason 'a wrong expiry'")
    story.say("lot show IMPORT")
    story.say(f"lot open {GTIN} IMPORT --expiry 2028-06-30 --target 4")
    story.say(f"lot approve IMPORT --second '{SECOND}'")
    given = story.file("given.csv", "serial\n" + "".join(f"ABCDEFG{n}\n" for n in range(4)))
    story.say("serials import IMPORT", given, "--issuer", "State Registry")
    story.say(f"lot open {GTIN} LOST --expiry 2028-06-30 --target 4")
    story.say(f"lot approve LOST --second '{SECOND}'")
    lost = story.file("lost.csv", "serial\n" + "".join(f"LOST{n}\n" for n in range(4)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(giving, "_write", lambda *_: None)  # as if it had been cut short
        story.say("serials import LOST", lost)
    story.say("serials abandon LOST --reason 'the file is lost'")
    story.say("label void IMPORT 4 --reason surplus --count 1")
    story.say("label show IMPORT 4")
    story.say("serials return IMPORT --out unused.csv --reason 'market closed'")


def the_record_is_kept(story: Story) -> None:
    key = story.say("record key signing.pem")["public_key"]
    (story.folder / "elsewhere").mkdir()
    made = story.say("record checkpoint --out elsewhere --key signing.pem")["file"]
    story.say("record verify --against", made, "--public-key", key)
    story.say("lot report SMALL --out SMALL.html --key signing.pem")
    story.say("record verify")
    story.say("record prove LOT24A --label 7 --out proof.json --against", made)
    valid("record-proof", json.loads((story.folder / "proof.json").read_text()))
    story.say("record custodian elsewhere --minutes 5")
    story.say("record custodian")
    story.say("record custodian --end")
    story.say("record entries")
    story.say("record entries LOT24A")
    story.say("record entries LOT24A --label 7")
    story.say("record export --out copy")
    story.say("record export --check copy")
    story.say("record backup --out backup.db")
    story.say("record migrate")
    story.say("record restore backup.db sqlite:///restored.db")
    at = story.common
    story.common = ["--as", "Line Lead", "--record", "sqlite:///restored.db"]
    story.say(f"record recover --reason 'the disk is gone' --second '{SECOND}'")
    story.common = at
    story.say("record copy sqlite:///moved.db")


def people_with_passwords(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same at a live record, where people sign in."""
    story.common = ["--record", "sqlite:///live.db"]
    given: list[str] = []
    monkeypatch.setattr("serialkeeper.outside.secrets.line", lambda: given.pop(0))

    def by(person: str, password: str) -> None:
        monkeypatch.setenv("SERIALKEEPER_PERSON", person)
        monkeypatch.setenv("SERIALKEEPER_PASSWORD", password)

    given.append(SECRETS[ADA])
    story.say(f"init --person '{ADA}' --password-stdin")
    by(ADA, SECRETS[ADA])
    given.append(FIRST)
    story.say("person add Bea --role operator --password-stdin")
    given.append(BADGE)
    story.say("person badge Bea --reason 'first day' --badge-stdin")
    by("Bea", FIRST)
    given.extend([FIRST, SECRETS["Bea Operator"]])
    story.say("person password --password-stdin")
    by("Bea", SECRETS["Bea Operator"])
    given.extend([BADGE, PIN])
    story.say("person pin --badge-stdin")
    story.say("person enter")
    monkeypatch.delenv("SERIALKEEPER_PASSWORD")
    story.say("person leave")
    story.say("person leave")
    by("Bea", SECRETS["Bea Operator"])
    story.say("person token --for looking --may look --out t.token")
    story.say("person tokens")
    story.say("person revoke 1 --reason 'not needed'")
    by(ADA, SECRETS[ADA])
    story.say("person rules --failures 3 --reason 'few people'")
    story.say("station add")
    story.say("station list")
    for _ in range(3):
        by("nobody there", "a wrong sentence")
        run(["person", "list", *story.common])
    by(ADA, SECRETS[ADA])
    story.say("person alarms")
    story.say("person unlock --reason 'a new keyboard'")
    story.say("person role Bea 'line lead' --reason promoted")
    story.say("person retire Bea --reason 'left the firm'")
    story.say("person list")
    story.say("record entries")
