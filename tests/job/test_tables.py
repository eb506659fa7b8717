"""Tables of a lot as CSV and XLSX: texts stay texts, the same bytes, and what the record says.

Read back by others: Python's csv module and csvw (W3C, Metadata Vocabulary for Tabular Data) for
CSV, python-calamine for XLSX, and the XML itself for the types of cells (ECMA-376 part 1, 18.18.11
ST_CellType: `inlineStr`; from memory).
"""

from __future__ import annotations

import csv
import json
import re
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import csvw
import pytest
from asking import asking
from conftest import EXPIRY, GTIN, Bench, as_seen
from hypothesis import example, given, settings
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

import serialkeeper as sk
from serialkeeper.errors import Refused
from serialkeeper.outside.spreadsheets import write_csv, write_xlsx
from serialkeeper.rules.tables import GUARD, TABLES, Column

FACTS = {"table": "labels", "lot": "L/1", "as_of": "2026-06-01T08:00:00.000Z", "head": "ab" * 32}
COLUMNS = (Column("key"), Column("count", whole=True), Column("told"))
HOSTILE = (
    *("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "'=1", "''", "＝1"),
    *("=cmd|' /C x'!A0", "0012", "1E5", "2026-06-01", 'a"b', "a,b;c", "a\r\nb"),
    *("_x0041_", "\x00\x1f", "<r><t>x</t></r>", "<r></x></r>", "http://localhost/", "{=1}"),
    *("TRUE", " x ", "Ж😀"),
)  # fmt: skip


def sheets(path: Path) -> dict[str, list[list[Any]]]:
    """All sheets of an XLSX file, row by row."""
    book = CalamineWorkbook.from_path(str(path))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


def unguarded(text: str) -> str:
    """What a field of CSV means: the sign that keeps it text is not of it."""
    return text[1:] if text.startswith(GUARD) else text


def rows_of(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file as a program reads them."""
    with path.open(newline="", encoding="utf-8") as file:
        return [{k: unguarded(v) for k, v in row.items()} for row in csv.DictReader(file)]


def texts(some: str) -> list[tuple[str, int, str]]:
    return [(some, 7, some)]


# XML knows no U+FFFE and U+FFFF: XLSX has `_xFFFE_` for them, which not every reader turns back.
signs = st.characters(exclude_categories=["Cs"], exclude_characters="\ufffe\uffff")


@given(st.lists(st.text(signs), max_size=4))
@example(list(HOSTILE))
@settings(max_examples=60, deadline=None)
def test_hostile_texts_come_back_as_they_were_and_run_nothing(some: list[str]) -> None:
    """Whatever a text looks like, each form gives it back; no field of CSV begins a formula."""
    made = [(text, number, text) for number, text in enumerate(some)]
    with tempfile.TemporaryDirectory() as folder:
        plain, book = Path(folder) / "t.csv", Path(folder) / "t.xlsx"
        write_csv(plain, COLUMNS, made, FACTS)
        write_xlsx(book, COLUMNS, made, FACTS)
        with plain.open(newline="", encoding="utf-8") as file:
            fields = list(csv.reader(file))[1:]
        assert not [one for row in fields for one in row if one[:1] in set("=+-@\t\r\n＝")]
        assert [(unguarded(a), int(n), unguarded(b)) for a, n, b in fields] == made
        read = sheets(book)["labels"][1:]
        assert [(str(a), int(n), str(b)) for a, n, b in (row[:3] for row in read)] == made
        with zipfile.ZipFile(book) as members:
            xml = members.read("xl/worksheets/sheet1.xml").decode()
        cells = re.findall(r'<c r="([AC])\d+"[^>]*?( t="\w+")?>', xml)
        assert all(kind == ' t="inlineStr"' for _, kind in cells) and "<f>" not in xml


def test_rows_beyond_a_sheet_go_on_on_the_next(tmp_path: Path) -> None:
    """Nothing is cut off: every sheet has the heading and as many rows as it may."""
    made = [(f"{n:04}", n, "") for n in range(7)]
    told = write_xlsx(tmp_path / "t.xlsx", COLUMNS, made, FACTS, most_rows=4)
    read = sheets(tmp_path / "t.xlsx")
    assert (list(read), told["sheets"]) == (["labels", "labels 2", "labels 3", "about"], 3)
    heading = [one.name for one in COLUMNS]
    assert [read[name][0] for name in list(read)[:3]] == [heading] * 3
    keys = [row[0] for name in list(read)[:3] for row in read[name][1:]]
    assert keys == [key for key, *_ in made]
    assert dict(map(tuple, read["about"])) == {**FACTS, "rows": "7"}
    write_xlsx(tmp_path / "none.xlsx", COLUMNS, [], FACTS)
    assert sheets(tmp_path / "none.xlsx")["labels"] == [heading]


def test_what_fails_leaves_no_file(tmp_path: Path) -> None:
    """A text that no cell holds is refused by its place; nothing is left, nothing overwritten."""
    with pytest.raises(Refused, match="longer than a cell") as caught:
        write_xlsx(tmp_path / "t.xlsx", COLUMNS, texts("x" * 32_768), FACTS)
    assert (caught.value.word, caught.value.where) == ("bad_value", "row 1, column 1")

    def broken() -> Any:
        yield from texts("a")
        raise KeyboardInterrupt

    for writer, name in ((write_csv, "t.csv"), (write_xlsx, "t.xlsx")):
        with pytest.raises(KeyboardInterrupt):
            writer(tmp_path / name, COLUMNS, broken(), FACTS)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "t.csv-metadata.json").write_text("mine")
    with pytest.raises(Refused, match="already"):
        write_csv(tmp_path / "t.csv", COLUMNS, [], FACTS)
    assert [one.name for one in tmp_path.iterdir()] == ["t.csv-metadata.json"]


def test_the_tables_of_a_lot_say_what_the_lists_say(bench: Bench) -> None:
    """Labels, moves, packs and reviews, in both forms and over HTTP; both forms alike, and the same
    bytes again."""
    levels = bench.folder / "packs.toml"
    levels.write_text("[case]\nholds = 4\npart = true\n\n[pallet]\nholds = 3\npart = true\n")
    sk.product.packs(bench.record, GTIN, levels)
    sk.lot.open(bench.record, GTIN, "0/7", expiry=EXPIRY, target=20)
    sk.lot.approve(bench.record, "0/7", second="Second Person")
    bench.lot = "0/7"
    seen = as_seen(bench.printed(20))
    seen[4]["seen"] = ""
    seen[9]["seen"] = seen[9]["seen"].replace("0/7", "0/8")
    sk.inspect.take(bench.record, bench.lot, bench.results(seen))
    sk.label.void(bench.record, bench.lot, "5", reason="waste")
    cases = sk.pack.build(bench.record, bench.lot, "case", in_order=True, count=2)["packs"]
    sk.pack.build(bench.record, bench.lot, "pallet", [cases[0]["key"]], reason="few")
    sk.hold.place(bench.record, bench.lot, positions="1", reason="look")
    group = next(one for one in sk.review.list(bench.record, bench.lot)["groups"] if one["open"])
    sk.review.sign(bench.record, bench.lot, [group["group"]], opened=group["open"])

    def written(what: str) -> tuple[list[dict[str, str]], dict[str, Any]]:
        told = {}
        for form in ("csv", "xlsx"):
            out = bench.folder / f"{what}.{form}"
            told[form] = sk.lot.table(bench.record, bench.lot, what, out=out)
            again = bench.folder / f"again.{what}.{form}"
            assert (
                sk.lot.table(bench.record, bench.lot, what, out=again)["rows"] == told[form]["rows"]
            )
            assert again.read_bytes() == out.read_bytes(), "the same record, the same bytes"
        rows = rows_of(bench.folder / f"{what}.csv")
        heading, *read = sheets(bench.folder / f"{what}.xlsx")[what]
        assert heading == [one.name for one in TABLES[what]]
        for row, cells in zip(rows, read, strict=True):
            for column, cell in zip(TABLES[what], cells, strict=True):
                text = str(int(cell)) if isinstance(cell, float) else cell
                assert isinstance(cell, float) == (column.whole and row[column.name] != "")
                assert text == row[column.name], column.name
        return rows, told["csv"]

    labels, told = written("labels")
    listed = bench.labels()
    assert [row["serial"] for row in labels] == [row["serial"] for row in listed]
    assert [row["state"] for row in labels] == [row["state"] for row in listed]
    assert {row["gtin"] for row in labels} == {GTIN} and {row["lot"] for row in labels} == {"0/7"}
    assert labels[0]["pack"] == cases[0]["key"] and labels[0]["expiry"] == "2028-06-30"
    chain = sk.lot.show(bench.record, bench.lot)["chain"]
    assert (told["entries"], told["head"]) == (chain["entries"], chain["head"])

    # The file beside it is W3C metadata: its own reader finds the table, its types and its notes.
    about = json.loads((bench.folder / "labels.csv-metadata.json").read_text())
    [note] = about["notes"]
    assert (note["lot"], note["head"], note["sha256"]) == ("0/7", chain["head"], told["sha256"])
    assert re.fullmatch("[0-9a-f]{64}", note["record"]) and note["practice"].startswith("yes")
    table = csvw.Table.from_file(bench.folder / "labels.csv-metadata.json")
    typed = list(table.iterdicts())
    assert typed[0]["gtin"] == GTIN and typed[0]["position"] == 1 and len(typed) == 20

    moves, _ = written("moves")
    last = {}
    for row in moves:
        for position in range(int(row["first"]), int(row["last"]) + 1):
            assert last.get(position, "") == row["from"]
            last[position] = row["to"]
    assert [last[row["position"]].split(",")[0] for row in listed] == bench.states()
    single = next(row for row in moves if row["to"] == "voided")
    assert (single["serial"], single["reason"]) == (listed[4]["serial"], "waste")

    packs, _ = written("packs")
    there = sk.pack.list(bench.record, bench.lot)["packs"]
    assert [(row["key"], row["held_by"]) for row in packs] == [
        (row["key"], ", ".join(row["held_by"])) for row in there
    ]
    assert [row["inside"] for row in packs][:3] == [packs[2]["key"], "", ""]

    review, _ = written("review")
    left = sk.review.list(bench.record, bench.lot)
    assert {row["group"] for row in review if row["state"] == "to review"} == {
        one["group"] for one in left["groups"]
    }
    [signed] = [row for row in review if row["state"] == "reviewed"]
    assert (signed["group"], signed["reviewer"]) == (group["group"], "Line Lead")

    with asking(bench.url, acting="Line Lead") as client:
        path = f"/lots/{GTIN}/0%2F7/tables/moves"
        assert client.get(path).content == (bench.folder / "moves.csv").read_bytes()
        book = client.get(path, params={"form": "xlsx"})
        assert book.content == (bench.folder / "moves.xlsx").read_bytes()
        client.refused("GET", f"/lots/{GTIN}/0%2F7/tables/others", 400, "usage")
        for what in TABLES:
            assert client.get(f"/lots/{GTIN}/0%2F7/tables/{what}").status_code == 200
