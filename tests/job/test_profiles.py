"""Any device's results, by a camera profile: the same run ends the same however it is told."""

from __future__ import annotations

import csv
import json
from typing import Any

import pytest
from conftest import Bench, as_seen
from databases import Database, Databases
from forms import FORMS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import serialkeeper as sk
from serialkeeper.outside.devices import shipped
from serialkeeper.rules.profiles import parse
from serialkeeper.rules.spelling import to_toml


def a_run(bench: Bench) -> list[dict[str, Any]]:
    """What a camera saw of 24 labels with some faults, in the default columns."""
    job = bench.printed(24)
    rows = as_seen(job)
    with job.open(newline="") as file:
        for row, printed in zip(rows, csv.DictReader(file), strict=True):
            row["text"] = "|".join(printed[f"hri{line}"] for line in (1, 2, 3, 4))
            row["at"] = row["at"].replace(".000Z", ".125Z")
    rows[3]["seen"] = ""
    rows[5]["grade"] = "1.0"
    rows[7]["verdict"] = "fail"
    rows[8]["verdict"] = rows[9]["grade"] = ""
    rows[10]["text"] = rows[10]["text"].replace("|", "|X", 1)
    rows[11]["seen"], rows[12]["seen"] = rows[12]["seen"], rows[11]["seen"]
    rows[14]["seen"] = rows[13]["seen"]
    rows[16]["seen"] = rows[16]["seen"].replace("LOT24A", "LOT24B")
    del rows[20]
    return rows


def outcome(bench: Bench) -> list[dict[str, Any]]:
    """What the record says of each label in the end."""
    return [{**row, "serial": ""} for row in bench.labels()]


@pytest.mark.parametrize("name", FORMS)
def test_the_same_run_told_in_any_form_ends_the_same(
    bench: Bench, databases: Databases, tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    """Our own file and each example profile give the same labels, findings and counts."""
    rows = a_run(bench)
    own = bench.results(rows)
    other = bench.folder / "device.txt"
    FORMS[name](other, rows)
    folder = tmp_path_factory.mktemp("twin")
    with bench.kept().copied(databases, folder) as twin:
        record = twin.record
        expected = sk.inspect.take(bench.record, bench.lot, own)
        assert len(expected["findings"]) >= 6
        told = sk.inspect.take(record, twin.lot, other, profile=name)
        assert told == {**expected, "profile": name}
        assert outcome(twin) == outcome(bench)
        sk.record.verify(record)
        kept = sk.inspect.profile(record)["profiles"]
        assert [row["name"] for row in kept if row["kept"]] == [name]
        again = sk.inspect.take(record, twin.lot, other, profile=name)
        assert again == {**told, "already_taken": True}


@pytest.mark.parametrize("name", FORMS)
def test_a_proposal_understands_the_examples(bench: Bench, name: str) -> None:
    """From a sample alone: each field is found, and what could not be told is said."""
    rows = a_run(bench)
    path = bench.folder / "sample.txt"
    FORMS[name](path, rows)
    told = sk.inspect.profile(bench.record, path)
    ours = sk.inspect.profile(bench.record, path, profile=name)
    assert told["readings"] == ours["readings"] == 23
    assert told["understood"]["read"] == ours["understood"]["read"] == 22
    assert parse(told["toml"]).fields.keys() >= parse(ours["toml"]).fields.keys() - {"identifier"}
    for mine, proposed in zip(ours["rows"], told["rows"], strict=True):
        for field in ("position", "row", "lane", "seen", "grade", "verdict", "text"):
            assert mine[field] == proposed[field], field
    assert told["unsure"], "a symbology identifier or a zone is never told by these samples"
    assert ("UTC was put in" in " ".join(told["unsure"])) == (name == "example-csv")


def test_our_own_file_is_proposed_as_it_is(bench: Bench) -> None:
    """A proposal for a file of the default form maps every column, with nothing to ask."""
    rows = a_run(bench)
    told = sk.inspect.profile(bench.record, bench.results(rows))
    assert list(parse(told["toml"]).fields) == list(rows[0])
    assert (told["unsure"], told["not_given"]) == ([], [])


def test_a_profile_is_tried_corrected_kept_and_never_edited(bench: Bench) -> None:
    """The way of a person: propose, write, correct, try, keep; the name then stays as it is."""
    rows = a_run(bench)
    sample, draft = bench.folder / "sample.csv", bench.folder / "line4.toml"
    FORMS["example-csv"](sample, rows)
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.profile(bench.record, sample, keep="line4")
    assert refused.value.word == "profile_invalid" and "zone" in refused.value.came
    sk.inspect.profile(bench.record, sample, out=draft)
    draft.write_text(draft.read_text().replace('"UTC"', '"Europe/Berlin"'))
    told = sk.inspect.profile(bench.record, sample, profile=str(draft), keep="line4")
    assert told["kept"] == "line4"
    assert told["rows"][0]["at"] == rows[0]["at"]
    for name in ("line4", "example-csv", "default"):
        with pytest.raises(sk.Refused) as refused:
            sk.inspect.profile(bench.record, sample, profile=str(draft), keep=name)
        assert refused.value.word == "profile_exists"
    taken = sk.inspect.take(bench.record, bench.lot, sample, profile="line4")
    assert taken["profile"] == "line4"
    assert sk.record.verify(bench.record)
    listed = sk.inspect.profile(bench.record)["profiles"]
    assert [row["name"] for row in listed] == ["line4", *shipped()]
    assert listed[0]["toml"] == draft.read_text()


def test_an_unknown_profile_is_refused(bench: Bench) -> None:
    """A name that is neither kept nor shipped is told beside those that are."""
    bench.printed(4)
    path = bench.folder / "r.csv"
    path.write_text("x\n")
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, path, profile="line9")
    assert refused.value.word == "profile_unknown"
    assert "example-xml" in refused.value.expected


def test_an_interrupted_take_goes_on_with_its_own_profile(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file begun by one profile is not finished by another."""
    from serialkeeper.steps.inspection import taking as inspection

    path = bench.folder / "r.jsonl"
    FORMS["example-json-lines"](path, a_run(bench))
    with monkeypatch.context() as patch:
        patch.setattr(inspection, "_chunk", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            sk.inspect.take(bench.record, bench.lot, path, profile="example-json-lines")
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, path, profile="example-xml")
    assert refused.value.word == "take_unfinished"
    assert "example-json-lines" in refused.value.expected
    sk.inspect.take(bench.record, bench.lot, path, profile="example-json-lines")
    sk.record.verify(bench.record)


CSV = b"label;web row;lane;day;time of day;code;class;result;print\r\n"
ROW = b"1;1;1;01.06.2026;11:00:00,000;NO CODE;-;good;\r\n"
JSON = (
    b'{"label":1,"place":{"row":1,"lane":1},"t":1780304400000,'
    b'"code":{"data":"","kind":""},"ok":true}\n'
)
READING = (
    b"<reading label='1' row='1' lane='1'><at>2026-06-01T09:00:00.0Z</at>"
    b"<symbol grade=''><data/></symbol></reading>"
)
XML = b"<run><readings>" + READING + b"</readings></run>"

BAD: dict[str, tuple[str, str, bytes, str]] = {
    "csv: empty": ("example-csv", "results_empty", b"", ""),
    "csv: header only": ("example-csv", "results_empty", CSV, ""),
    "csv: missing column": (
        "example-csv",
        "results_header",
        CSV.replace(b"lane", b"x") + ROW,
        "line 1",
    ),
    "csv: column twice": (
        "example-csv",
        "results_header",
        CSV.replace(b"print", b"code") + ROW,
        "line 1",
    ),
    "csv: short row": ("example-csv", "results_row", CSV + ROW + b"2;1;2\r\n", "line 3"),
    "csv: empty row": ("example-csv", "results_row", CSV + ROW + b"\r\n" + ROW, "line 3"),
    "csv: cut": ("example-csv", "results_truncated", CSV + ROW + b"2;1", "line 3"),
    "csv: bare line feed": (
        "example-csv",
        "results_encoding",
        CSV + ROW + ROW[:-2] + b"\n",
        "line 3",
    ),
    "csv: NUL": ("example-csv", "results_encoding", CSV + ROW.replace(b"-", b"\0"), "line 2"),
    "csv: Latin-1": ("example-csv", "results_encoding", CSV + ROW.replace(b"-", b"\xe9"), "line 2"),
    "csv: mark": ("example-csv", "results_encoding", b"\xef\xbb\xbf" + CSV + ROW, "line 1"),
    "csv: long": ("example-csv", "results_row", CSV + b"x" * 100_000, "line 2"),
    "csv: quote": ("example-csv", "results_row", CSV + ROW.replace(b"good", b'"go"od'), "line 2"),
    "csv: unknown verdict": (
        "example-csv",
        "results_value",
        CSV + ROW + ROW.replace(b"good", b"fair"),
        "line 3",
    ),
    "csv: decimal point": (
        "example-csv",
        "results_value",
        CSV + ROW.replace(b"-", b"3.5"),
        "line 2",
    ),
    "csv: grade as a letter": (
        "example-csv",
        "results_value",
        CSV + ROW.replace(b"-", b"A"),
        "line 2",
    ),
    "csv: another time": (
        "example-csv",
        "results_value",
        CSV + ROW + ROW.replace(b"01.06.", b"6/1/"),
        "line 3",
    ),
    "csv: 31 June": (
        "example-csv",
        "results_value",
        CSV + ROW + ROW.replace(b"01.06", b"31.06"),
        "line 3",
    ),
    "csv: an hour that is twice": (
        "example-csv",
        "results_value",
        CSV + ROW.replace(b"01.06.2026;11", b"26.10.2025;02"),
        "line 2",
    ),
    "csv: an hour that is not": (
        "example-csv",
        "results_value",
        CSV + ROW + ROW.replace(b"01.06.2026;11", b"29.03.2026;02"),
        "line 3",
    ),
    "csv: an identifier after all": (
        "example-csv",
        "results_value",
        CSV + ROW.replace(b"NO CODE", b"]d20109"),
        "line 2",
    ),
    "csv: no place": ("example-csv", "results_position", CSV + ROW + b";;" + ROW[4:], "line 3"),
    "json: empty line": ("example-json-lines", "results_row", JSON + b"\n" + JSON, "line 2"),
    "json: no object": ("example-json-lines", "results_row", JSON + b"[1]\n", "line 2"),
    "json: two objects": ("example-json-lines", "results_row", JSON + JSON[:-1] + JSON, "line 2"),
    "json: key twice": (
        "example-json-lines",
        "results_row",
        JSON + JSON.replace(b'"ok"', b'"label":2,"ok"'),
        "line 2",
    ),
    "json: inner key twice, spaced": (
        "example-json-lines",
        "results_row",
        JSON + JSON.replace(b'"row":1', b'"row"  :1,"r\\u006fw"  :2'),
        "line 2",
    ),
    "json: missing field": (
        "example-json-lines",
        "results_row",
        JSON + JSON.replace(b'"t"', b'"u"'),
        "line 2",
    ),
    "json: object for a text": (
        "example-json-lines",
        "results_row",
        JSON + JSON.replace(b"true", b"{}"),
        "line 2",
    ),
    "json: cut": ("example-json-lines", "results_truncated", JSON + JSON[:40], "line 2"),
    "json: cut at the brace": (
        "example-json-lines",
        "results_truncated",
        JSON + JSON[:-1],
        "line 2",
    ),
    "json: unknown verdict": (
        "example-json-lines",
        "results_value",
        JSON + JSON.replace(b"true", b'"ok"'),
        "line 2",
    ),
    "json: unknown symbology": (
        "example-json-lines",
        "results_value",
        JSON + JSON.replace(b'"data":"","kind":""', b'"data":"x","kind":"y"'),
        "line 2",
    ),
    "json: NaN": ("example-json-lines", "results_row", JSON.replace(b"true", b"NaN"), "line 1"),
    "xml: empty": ("example-xml", "results_empty", b"", ""),
    "xml: no reading": ("example-xml", "results_empty", b"<run><readings/></run>", ""),
    "xml: another root": ("example-xml", "results_row", b"<walk/>", "record 1"),
    "xml: cut": ("example-xml", "results_truncated", XML[:-10], "record 2"),
    "xml: cut in a reading": ("example-xml", "results_truncated", XML[:60], "record 1"),
    "xml: broken": ("example-xml", "results_row", XML.replace(b"<data/>", b"<data>"), "record 1"),
    "xml: missing attribute": (
        "example-xml",
        "results_row",
        XML.replace(b"lane", b"lone"),
        "record 1",
    ),
    "xml: an element twice": (
        "example-xml",
        "results_row",
        XML.replace(b"<data/>", b"<data/><data/>"),
        "record 1",
    ),
    "xml: elements in a text": (
        "example-xml",
        "results_row",
        XML.replace(b"<data/>", b"<data><b/></data>"),
        "record 1",
    ),
    "xml: a reading elsewhere": (
        "example-xml",
        "results_row",
        XML.replace(b"readings>", b"others>"),
        "record 1",
    ),
    "xml: a document type": (
        "example-xml",
        "results_row",
        b"<!DOCTYPE run [<!ENTITY a 'b'>]>" + XML,
        "",
    ),
    "xml: an entity": (
        "example-xml",
        "results_row",
        XML.replace(b"<data/>", b"<data>&a;</data>"),
        "record 1",
    ),
    "xml: deep": (
        "example-xml",
        "results_row",
        XML.replace(b"<data/>", b"<x>" * 200 + b"</x>" * 200),
        "record 1",
    ),
    "xml: huge": (
        "example-xml",
        "results_row",
        XML.replace(b"<data/>", b"<data>" + b"x" * 3_000_000 + b"</data>"),
        "record 1",
    ),
    "xml: unknown verdict": (
        "example-xml",
        "results_value",
        XML.replace(b"</symbol>", b"</symbol><verdict>ok</verdict>"),
        "record 1",
    ),
    "xml: a place outside": (
        "example-xml",
        "results_position",
        XML.replace(b"label='1'", b"label='99'"),
        "record 1",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_file_that_is_not_as_its_profile_says_changes_nothing(bench: Bench, case: str) -> None:
    """Each kind of broken file has its word and its place, and no label moves."""
    profile, word, content, where = BAD[case]
    bench.printed(20)
    before = bench.heads()
    path = bench.folder / "bad.txt"
    path.write_bytes(content)
    with pytest.raises(sk.Refused) as refused:
        sk.inspect.take(bench.record, bench.lot, path, profile=profile)
    error = refused.value
    assert error.word == word, error
    assert error.where.startswith(str(path)) and error.where.endswith(where), error
    assert error.remedy and error.expected and len(str(error)) < 2000
    assert bench.heads() == before
    assert set(bench.states()) == {"issued"}


def test_the_two_kinds_of_lost_hours_are_told_apart(bench: Bench) -> None:
    """An hour that the clock shows twice, and one that it skips, are named as such."""
    bench.printed(20)
    path = bench.folder / "bad.txt"
    for day, words in ((b"26.10.2025", "shows once, not twice"), (b"29.03.2026", "does not skip")):
        path.write_bytes(CSV + ROW.replace(b"01.06.2026;11", day + b";02"))
        with pytest.raises(sk.Refused) as refused:
            sk.inspect.take(bench.record, bench.lot, path, profile="example-csv")
        assert words in refused.value.expected and "Europe/Berlin" in refused.value.expected


def test_separators_written_out_in_the_symbol_are_no_separators(bench: Bench) -> None:
    """A printer that encodes the signs {GS} themselves makes a bad code, and it is found out."""
    rows = as_seen(bench.printed(8))
    path = bench.folder / "r.jsonl"
    FORMS["example-json-lines"](path, rows)
    told = path.read_text().splitlines()
    told[2] = told[2].replace("\\u001d", "{GS}")
    path.write_text("\n".join(told) + "\n")
    sk.inspect.take(bench.record, bench.lot, path, profile="example-json-lines")
    assert bench.findings() == {3: "malformed"}


def test_a_code_without_fnc1_is_no_gs1_code(bench: Bench) -> None:
    """Where the device writes the first FNC1, its absence is seen."""
    rows = as_seen(bench.printed(8))
    path = bench.folder / "r.xml"
    FORMS["example-xml"](path, rows)
    path.write_text(path.read_text().replace("<data>{F1}", "<data>", 1))
    sk.inspect.take(bench.record, bench.lot, path, profile="example-xml")
    assert bench.findings() == {1: "wrong_symbology"}


def test_control_signs_in_a_reading_break_nothing(bench: Bench) -> None:
    """A foreign code with line feeds and NUL is a finding, shown with its signs written out."""
    rows = as_seen(bench.printed(8))
    rows[0]["seen"] = "]d2a\nb\x00c"
    path = bench.folder / "r.jsonl"
    FORMS["example-json-lines"](path, rows)
    sk.inspect.take(bench.record, bench.lot, path, profile="example-json-lines")
    assert bench.findings() == {1: "malformed"}
    assert "a\\x0ab\\x00c" in json.dumps(
        sk.label.show(bench.record, bench.lot, position=1)
    ).replace("\\\\", "\\")
    sk.record.verify(bench.record)


def test_what_a_device_never_tells_is_no_finding(bench: Bench) -> None:
    """A device that writes codes and places only: no grade, verdict or text is missed."""
    rows = as_seen(bench.printed(8))
    profile = bench.folder / "p.toml"
    profile.write_text(
        'format = "csv"\n[csv]\nheader = false\ndelimiter = "\\t"\n'
        '[fields]\nposition = 2\nseen = 1\n[code]\nseparator = "\\u001d"\n'
    )
    path = bench.folder / "r.txt"
    lines = [f"{row['seen'].replace('{GS}', chr(29))}\t{row['position']}\n" for row in rows]
    path.write_text("".join(lines))
    told = sk.inspect.profile(bench.record, path, profile=str(profile), keep="bare")
    assert told["not_given"] == ["row", "lane", "at", "grade", "verdict", "text"]
    sk.inspect.take(bench.record, bench.lot, path, profile="bare")
    assert bench.states() == ["commissioned"] * 8


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-bom", "latin-1", "utf-16"])
@pytest.mark.parametrize("line_end", ["lf", "crlf"])
def test_encodings_and_line_ends(bench: Bench, encoding: str, line_end: str) -> None:
    """The same rows in every encoding and with both line ends; column names with accents."""
    rows = as_seen(bench.printed(8))
    text = f'format = "csv"\nencoding = "{encoding}"\nline_end = "{line_end}"\n'
    profile = bench.folder / "p.toml"
    profile.write_text(
        text + '[csv]\nskip = 2\n[fields]\nrow = "r\u00e9"\nlane = "l"\nseen = "s"\n'
    )
    end = {"lf": "\n", "crlf": "\r\n"}[line_end]
    lines = ["Results", "", "r\u00e9,l,s", *(f"{r['row']},{r['lane']},{r['seen']}" for r in rows)]
    codec = {"utf-8-bom": "utf-8-sig"}.get(encoding, encoding)
    path = bench.folder / "r.txt"
    path.write_bytes("".join(line + end for line in lines).encode(codec))
    sk.inspect.profile(bench.record, path, profile=str(profile), keep="p")
    sk.inspect.take(bench.record, bench.lot, path, profile="p")
    assert bench.states() == ["commissioned"] * 8


def test_a_lane_of_its_own(bench: Bench) -> None:
    """Four cameras, one a lane: the lane comes from the profile, not from the file."""
    rows = as_seen(bench.printed(8))
    for lane in "1234":
        profile = bench.folder / f"p{lane}.toml"
        profile.write_text(
            'format = "csv"\n[fields]\nrow = "row"\nseen = "seen"\nroll = "roll"\n'
            f"[constant]\nlane = {lane}\n"
        )
        path = bench.folder / f"lane{lane}.csv"
        mine = [row for row in rows if row["lane"] == lane]
        path.write_text("row,seen,roll\n" + "".join(f"{r['row']},{r['seen']},R7\n" for r in mine))
        told = sk.inspect.profile(bench.record, path, profile=str(profile), keep=f"lane-{lane}")
        assert {row["lane"] for row in told["rows"]} == {lane}
        assert {row["roll"] for row in told["rows"]} == {"R7"}


def test_a_large_file_is_read_block_by_block(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are the same however the blocks fall, for every form."""
    from serialkeeper.outside import devices, trees

    rows = as_seen(bench.printed(200))
    for name, write in FORMS.items():
        path = bench.folder / f"{name}.txt"
        write(path, rows)
        profile = parse(shipped()[name])
        data = path.read_bytes()
        whole = [r for b in devices.read(path, [data], profile) for r in b.rows.rows()]
        for size in (97, 1021):
            cut = [data[start : start + size] for start in range(0, len(data), size)]
            with monkeypatch.context() as patch:
                patch.setattr(trees, "_AT_ONCE", 3)
                batches = list(devices.read(path, cut, profile))
            assert [row for batch in batches for row in batch.rows.rows()] == whole
            assert len(batches) > 10
            offset = 1 if name == "example-csv" else 0
            assert batches[-1].first_line + batches[-1].rows.height - 1 == 200 + offset


PIECES = {
    "example-csv": (
        CSV,
        [ROW, ROW[:-1], b'"', b";", b"\r\n", b"26.10.2025", b"\xff", b"\0", b"3,5"],
    ),
    "example-json-lines": (
        b"",
        [
            JSON,
            JSON[:-2],
            b"{",
            b"}",
            b"\n",
            b'"label":',
            b"1e999",
            b"9" * 30,
            b"[" * 2000,
            b'"\\ud800"',
            b"null",
            b"\xff",
        ],
    ),
    "example-xml": (
        b"<run><readings>",
        [
            READING,
            READING[:30],
            b"</readings>",
            b"</run>",
            b"&a;",
            b"<!-- -->",
            b"<![CDATA[x]]>",
            b"<?x?>",
            b"<!DOCTYPE a>",
            b"<reading>",
            b"<x:y xmlns:x='u'/>",
            b"\xff",
            b"\0",
        ],
    ),
}


@pytest.mark.parametrize("name", PIECES)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_bytes_whatever_break_a_reader(bench: Bench, name: str, data: st.DataObject) -> None:
    """Fuzz: any bytes are read or refused in words, by the readers and by the proposal."""
    start, pieces = PIECES[name]
    chosen = data.draw(st.lists(st.sampled_from(pieces) | st.binary(max_size=20), max_size=8))
    path = bench.folder / "fuzz.txt"
    path.write_bytes((start if data.draw(st.booleans()) else b"") + b"".join(chosen))
    for profile in (name, ""):
        try:
            sk.inspect.profile(bench.record, path, profile=profile)
        except sk.Refused as error:
            assert error.word.startswith("results_") or error.word == "profile_invalid", error
            assert error.remedy


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_no_text_whatever_breaks_the_profiles_parser(text: str) -> None:
    """Fuzz: any text is a profile or refused as one."""
    for tail in ("", '\n[fields]\nseen = "x"\n'):
        try:
            profile = parse(text + tail)
        except sk.Refused as error:
            assert error.word == "profile_invalid" and error.remedy
        else:
            assert parse(to_toml(profile)) == profile


def test_a_record_from_before_profiles_is_brought_up(database: Database) -> None:
    """The migration keeps the takes there are, and replay gives them the same empty profile."""
    from importlib.resources import as_file, files

    from alembic import command
    from alembic.config import Config
    from sqlalchemy import text

    from serialkeeper.rules.chain import Entry, LotKey
    from serialkeeper.rules.changes import Insert
    from serialkeeper.rules.replay import changes
    from serialkeeper.store.migrations import upgrade
    from serialkeeper.store.opening import open_engine

    engine = open_engine(database.url, create=True)
    data = {"id": 1, "name": "r.csv", "station": "s", "sha256": "00", "size": 1, "jobs": 1}
    data |= {"readings": 1}
    row = {"product_id": 1, "lot_id": 2, **data, "state": "unfinished", "through": 0, "at": "t"}
    with as_file(files("serialkeeper.store.migrations")) as folder:
        config = Config()
        config.set_main_option("script_location", str(folder))
        with engine.connect() as connection, connection.begin():
            config.attributes["connection"] = connection
            command.upgrade(config, "0001")
            names = ", ".join(f'"{name}"' for name in row)
            marks = ", ".join(f":{name}" for name in row)
            connection.execute(text(f"INSERT INTO take ({names}) VALUES ({marks})"), row)
    with engine.begin() as connection:
        upgrade(connection)
    with engine.connect() as connection:
        there = [dict(found) for found in connection.execute(text("SELECT * FROM take")).mappings()]
    engine.dispose()
    assert there == [{**row, "profile": "", "roll": 0}]
    entry = Entry(
        chain=2,
        seq=1,
        verb="take started",
        at="t",
        offset=0,
        person="p",
        role="r",
        second="",
        station="s",
        reason="",
        data={**data, "pieces": 1, "packed": "00"},
        parts=(),
    )
    (change,) = changes(entry, LotKey(1, 2))
    assert isinstance(change, Insert) and [change.row] == there
