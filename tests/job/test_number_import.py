"""Numbers of an authority or a customer: taken in, printed, inspected, reported back.

Outside checks: biip (parses element strings), zint's strict GS1 linter, and zxing-cpp (reads the
printed symbol back). Facts of the trade without a source are marked.
"""

from __future__ import annotations

import csv
import random
import re
import string
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zint
import zxingcpp
from biip.gs1_messages import GS1Message
from conftest import EXPIRY, GTIN, Bench, as_seen
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from killing import cuts
from lxml import html
from test_interruption import interrupt

import serialkeeper as sk
from serialkeeper.rules import gs1, imported
from serialkeeper.rules.serials import ALPHABET

SIGNS = "".join(sorted(gs1.SET_82))
KEY = "EE06"


def tail(number: int) -> str:
    """A made-up crypto code of 44 characters (their form is common practice, no source)."""
    chance = random.Random(number)
    return "".join(chance.choices(string.ascii_letters + string.digits + "+/", k=43)) + "="


def code(number: int, serial: str = "") -> str:
    """An element string with a crypto code, as it stands in files."""
    return f"01{GTIN}21{serial or f'IMP{number:010d}'}{{GS}}91{KEY}{{GS}}92{tail(number)}"


def write(bench: Bench, lines: list[str], name: str = "numbers.txt") -> Path:
    path = bench.folder / name
    path.write_text("".join(f"{line}\n" for line in lines))
    return path


def crypto(bench: Bench, labels: int = 20) -> dict[str, Any]:
    """Import numbers with crypto codes into the lot."""
    path = write(bench, [code(number) for number in range(1, labels + 1)])
    return sk.serials.import_(bench.record, bench.lot, path, issuer="State Registry")


def printed(bench: Bench, name: str = "job.csv", **more: Any) -> Path:
    out = bench.folder / name
    sk.print.write(bench.record, bench.lot, lanes=4, out=out, **more)
    return out


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def taken(bench: Bench, rows: list[dict[str, Any]]) -> dict[int, str]:
    """The findings after a results file was taken in."""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    return bench.findings()


def refusal(bench: Bench, path: Path, **more: Any) -> sk.Refused:
    """What an import is refused for; the record stays as it was."""
    heads = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        sk.serials.import_(bench.record, bench.lot, path, **more)
    assert bench.heads() == heads
    assert refused.value.where and refused.value.remedy
    return refused.value


def test_numbers_keep_their_file_order_and_their_crypto_codes(bench: Bench) -> None:
    """File order is position order; codes carry what the file gave, and a label shows it."""
    made = crypto(bench)
    assert (made["first"], made["last"], made["extras"]) == (1, 20, ["91", "92"])
    assert made["order"] == ["01", "21", "17", "10", "+"]
    rows = rows_of(printed(bench))
    assert [row["serial"] for row in rows] == [f"IMP{number:010d}" for number in range(1, 21)]
    assert rows[2]["scanned"] == (
        f"]d201{GTIN}21IMP0000000003{{GS}}1728063010LOT24A{{GS}}91{KEY}{{GS}}92{tail(3)}"
    )
    shown = sk.label.show(bench.record, bench.lot, position=3)
    assert shown["imported"]["issuer"] == "State Registry"
    assert shown["imported"]["extras"] == [["91", KEY], ["92", tail(3)]]
    assert shown["code"] == rows[2]["scanned"]
    assert sk.label.show(bench.record, rows[2]["bracketed"])["position"] == 3


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    serials=st.lists(st.text(SIGNS, min_size=1, max_size=20), min_size=1, max_size=6, unique=True),
    ais=st.lists(st.sampled_from(["91", "92", "240", "95"]), min_size=0, max_size=3, unique=True),
    form=st.sampled_from(["code", "link"]),
    data=st.data(),
)
def test_what_comes_in_is_what_the_print_file_carries(
    bench: Bench, serials: list[str], ais: list[str], form: str, data: st.DataObject
) -> None:
    """Import, print, parse with biip and with zint's strict linter: the same elements."""
    from urllib.parse import quote

    serials = [one for one in serials if not one.startswith(imported.RESERVED)] or ["A1"]
    serials = [one for one in serials if "E+" not in one.upper()] or ["A1"]
    values = [[data.draw(st.text(SIGNS, min_size=1, max_size=30)) for _ in ais] for _ in serials]
    lines = []
    for serial, some in zip(serials, values, strict=True):
        pairs = [("21", serial), *zip(ais, some, strict=True)]
        if form == "code":
            lines.append(f"01{GTIN}" + "{GS}".join(ai + value for ai, value in pairs))
        else:
            query = "&".join(f"{ai}={quote(value, safe='')}" for ai, value in pairs[1:])
            path = f"https://example.org/x/01/{GTIN}/21/{quote(serial, safe='')}"
            lines.append(path + ("?" + query if query else ""))
    bench.files += 1
    lot = f"P{bench.files}"
    product = f"9529{bench.files:08d}"
    gtin = "0" + product + gs1.check_digit(product)
    sk.product.add(bench.record, gtin, prefix_length=7, name="Other")
    sk.lot.open(bench.record, gtin, lot, expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, lot)
    file = write(bench, [line.replace(GTIN, gtin, 1) for line in lines], f"in{bench.files}.txt")
    made = sk.serials.import_(bench.record, lot, file)
    assert made["count"] == len(serials)
    out = bench.folder / f"p{bench.files}.csv"
    sk.print.write(bench.record, lot, lanes=1, out=out)
    for row, serial, some in zip(rows_of(out), serials, values, strict=True):
        wanted = {"01": gtin, "21": serial, "17": "280630", "10": lot}
        wanted |= dict(zip(ais, some, strict=True))
        text = row["scanned"].removeprefix("]d2").replace("{GS}", "\x1d")
        message = GS1Message.parse(text)
        assert {one.ai.ai: one.value for one in message.element_strings} == wanted
        assert list(gs1.elements(gs1.ElementString(text)).items()) == list(wanted.items())
        pairs = {}
        for piece in row["bracketed"].replace("\\(", "\x01").split("(")[1:]:
            ai, _, value = piece.partition(")")
            pairs[ai] = value.replace("\x01", "(")
        assert pairs == wanted
        if not any(set("[]") & set(value) for value in wanted.values()):
            symbol = zint.Symbol()
            symbol.symbology = zint.Symbology.DATAMATRIX
            symbol.input_mode = zint.InputMode.GS1
            symbol.encode("".join(f"[{ai}]{value}" for ai, value in wanted.items()))


def test_an_element_string_that_gives_all_elements_gives_the_order(bench: Bench) -> None:
    """With all four elements in the lot's order, extras are printed where they stood."""
    line = f"01{GTIN}21N0001{{GS}}91{KEY}{{GS}}1728063010LOT24A"
    made = sk.serials.import_(bench.record, bench.lot, write(bench, [line]))
    assert made["order"] == ["01", "21", "+", "17", "10"]
    (row,) = rows_of(printed(bench))
    assert row["scanned"] == f"]d2{line}"
    assert row["bracketed"] == f"(01){GTIN}(21)N0001(91){KEY}(17)280630(10)LOT24A"


def test_the_printed_symbol_reads_back_with_its_crypto_code(bench: Bench) -> None:
    """zxing-cpp writes and reads the bracketed text: what it reads is what inspection expects."""
    import zxingcpp

    crypto(bench, 1)
    (row,) = rows_of(printed(bench))
    made = zxingcpp.create_barcode(row["bracketed"], zxingcpp.BarcodeFormat.DataMatrix, gs1=True)
    (read,) = zxingcpp.read_barcodes(made.to_image(scale=4))
    assert read.content_type == zxingcpp.ContentType.GS1
    assert "]d2" + gs1.to_file(read.bytes.decode()) == row["scanned"]


@pytest.mark.parametrize("tells", ["positions", "nothing"])
def test_labels_with_extras_are_good_when_read_as_planned(bench: Bench, tells: str) -> None:
    """Every label read with its crypto code is commissioned; numbers of our own go beside them."""
    crypto(bench)
    sk.serials.allocate(bench.record, bench.lot, 8)
    rows = as_seen(printed(bench))
    if tells == "nothing":
        rows = [{"seen": row["seen"], "at": row["at"]} for row in rows]
    assert taken(bench, rows) == {}
    assert bench.states() == ["commissioned"] * 28
    out = bench.folder / "events.jsonld"
    sk.events.write(bench.record, bench.lot, form="json", out=out)
    assert KEY not in out.read_text()  # events carry product and number only
    sk.record.verify(bench.record)


@pytest.mark.parametrize("tells", ["positions", "nothing"])
@pytest.mark.parametrize("fault", ["lost", "half", "changed", "another's", "not asked for"])
def test_a_wrong_crypto_code_is_never_good(bench: Bench, fault: str, tells: str) -> None:
    """A label that lacks its extras, or carries other ones, is a finding; its twin is not good."""
    crypto(bench)
    sk.serials.allocate(bench.record, bench.lot, 8)
    rows = as_seen(printed(bench))
    at = 24 if fault == "not asked for" else 9
    text = str(rows[at]["seen"])
    rows[at]["seen"] = {
        "lost": text.partition("{GS}91")[0],
        "half": text.partition("{GS}92")[0],
        "changed": text.replace(tail(10), tail(99)),
        "another's": text.replace(tail(10), tail(11)),
        "not asked for": f"{text}{{GS}}91{KEY}",
    }[fault]
    if tells == "nothing":
        rows = [{"seen": row["seen"], "at": row["at"]} for row in rows]
    assert taken(bench, rows) == {at + 1: "malformed"}
    assert bench.states()[at] == "rejected"
    assert bench.states().count("commissioned") == 27
    with pytest.raises(sk.Refused) as refused:
        sk.label.accept(bench.record, bench.lot, at + 1, reason="looks right")
    assert refused.value.word == "never_accepted"


def test_a_short_number_without_its_crypto_code_still_counts_as_read(bench: Bench) -> None:
    """A twin without the crypto code is found even where numbers are short: neither is good."""
    lines = [code(number, serial=f"N{number}") for number in range(1, 9)]
    sk.serials.import_(bench.record, bench.lot, write(bench, lines))
    rows = as_seen(printed(bench))
    rows[5]["seen"] = str(rows[1]["seen"]).partition("{GS}91")[0]
    found = taken(bench, rows)
    assert set(found) == {2, 6}
    assert bench.states().count("commissioned") == 6


def test_a_label_with_extras_is_accepted_with_a_scan_of_all_of_it_only(bench: Bench) -> None:
    """A fresh scan without the crypto code is no evidence; the whole code is."""
    crypto(bench, 8)
    rows = as_seen(printed(bench))
    whole = str(rows[3]["seen"])
    rows[3]["seen"] = ""
    assert taken(bench, rows) == {4: "unreadable"}
    with pytest.raises(sk.Refused) as refused:
        scan = whole.partition("{GS}91")[0]
        sk.label.accept(bench.record, bench.lot, 4, reason="wiped", scan=scan)
    assert refused.value.word == "evidence_needed"
    sk.label.accept(bench.record, bench.lot, 4, reason="wiped", scan=whole)
    assert bench.states()[3] == "commissioned"


def test_the_human_readable_text_is_checked_beside_extras(bench: Bench) -> None:
    """A text that names another number is a finding, with and without positions in the file."""
    crypto(bench, 8)
    rows = as_seen(printed(bench))
    for number, row in enumerate(rows, 1):
        row["text"] = f"GTIN {GTIN}|SN IMP{number:010d}|LOT LOT24A|EXP 2028-06-30"
    rows[2]["text"] = rows[3]["text"]
    rows = [{"seen": row["seen"], "at": row["at"], "text": row["text"]} for row in rows]
    assert taken(bench, rows) == {3: "text_mismatch"}


def test_a_rehearsal_shows_extras_as_they_are_printed(bench: Bench) -> None:
    """A rehearsed run without faults ends with every label commissioned."""
    crypto(bench, 40)
    printed(bench)
    out, truth = bench.folder / "rehearsed.csv", bench.folder / "truth.csv"
    sk.inspect.rehearse(
        bench.record, bench.lot, out=out, truth=truth, seed=3, faults=["unreadable=0"]
    )
    sk.inspect.take(bench.record, bench.lot, out)
    assert bench.states() == ["commissioned"] * 40


def test_the_same_file_is_taken_once(bench: Bench) -> None:
    """The same bytes again, under another name, change nothing; another lot refuses them."""
    crypto(bench)
    heads = bench.heads()
    again = bench.folder / "other name.csv"
    again.write_bytes((bench.folder / "numbers.txt").read_bytes())
    again = again.rename(again.with_suffix(".txt"))
    assert sk.serials.import_(bench.record, bench.lot, again)["already_taken"]
    assert bench.heads() == heads
    sk.lot.open(bench.record, GTIN, "LOT24B", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "LOT24B")
    bench.lot = "LOT24B"
    refused = refusal(bench, again)
    assert refused.word == "import_claimed" and "LOT24A" in refused.came


BAD = {
    "a sign that GS1 does not allow": ("AB#1", "set 82"),
    "a number that is too long": ("A" * 21, "1 to 20"),
    "an empty line": ("", "take the line out"),
    "powers of ten": ("9.52123E+12", "spreadsheet"),
    "spaces": (" AB1", "spaces"),
    "a challenge number": ("ZY" + ALPHABET[:10], "challenge"),
    "a number twice": ("GOOD1", "line 2"),
}


@pytest.mark.parametrize("bad", BAD)
def test_a_bad_number_refuses_the_whole_file(bench: Bench, bad: str) -> None:
    """Each kind of bad row is told with its line, its column and a remedy; nothing is taken."""
    line, says = BAD[bad]
    refused = refusal(bench, write(bench, ["serial", "GOOD1", line, "GOOD2"], "numbers.csv"))
    assert refused.word == "import_rows"
    assert refused.where.endswith("numbers.csv, line 3, serial")
    assert says in refused.remedy + refused.expected
    assert bench.labels() == []


WRONG = "09521234543220"
BAD_CODES = {
    "another product": (code(2).replace(GTIN, WRONG), f"(01) {GTIN}"),
    "another lot": (code(2).replace("{GS}91", "{GS}10LOT99{GS}91"), "every line"),
    "brackets": (f"(01){GTIN}(21)A2(91){KEY}(92)x", "without brackets"),
    "a lost separator": (code(2).replace("{GS}", ""), "separators are lost"),
    "no crypto code": (f"01{GTIN}21A2", "every line"),
    "another identifier": (code(2).replace("{GS}92", "{GS}93"), "every line"),
    "an identifier that has no place here": (f"01{GTIN}21A2{{GS}}3712", "every line"),
    "another order": (f"01{GTIN}21A2{{GS}}92x{{GS}}91{KEY}", "same order"),
    "a crypto code that is too long": (code(2) + "x" * 80, "(92) has"),
}


@pytest.mark.parametrize("bad", BAD_CODES)
def test_a_bad_code_refuses_the_whole_file(bench: Bench, bad: str) -> None:
    """Codes of another product or form are told with what is wrong about them."""
    line, says = BAD_CODES[bad]
    refused = refusal(bench, write(bench, [code(1), line, code(3)]))
    assert (refused.word, "line 2, code" in refused.where) == ("import_rows", True)
    assert says in refused.remedy + refused.expected


def test_lot_and_expiry_in_a_code_are_held_against_the_lot(bench: Bench) -> None:
    """A code that names another lot or expiry is refused with both."""
    for element, wanted in (("1728063010LOT99", "(10) LOT24A"), ("1728070110LOT24A", "280630")):
        line = f"01{GTIN}21A1{{GS}}{element}"
        refused = refusal(bench, write(bench, [line]))
        assert refused.word == "import_rows" and wanted in refused.expected


def test_every_bad_row_is_told_up_to_a_hundred(bench: Bench) -> None:
    """Faults of different kinds come in order of line; the rest is counted."""
    refused = refusal(bench, write(bench, ["serial", "A1", "A#", "A1", "B#"], "a.csv"))
    assert [line.split(",")[0] for line in refused.more] == ["line 4", "line 5"]
    refused = refusal(bench, write(bench, ["serial", *["A#"] * 250], "b.csv"))
    assert "250 faults in 250 rows" in refused.message
    assert len(refused.more) == 99
    assert refused.more[-1] == "and 151 more"


FILES = {
    "a byte order mark": (b"\xef\xbb\xbfserial\nA1\n", "import_encoding", "byte order mark"),
    "UTF-16": ("serial\nA1\n".encode("utf-16"), "import_encoding", "UTF-8"),
    "Latin-1": (b"serial\nA\xe41\n", "import_encoding", "UTF-8"),
    "semicolons": (b"serial;issuer\nA1;B\n", "import_header", "not semicolons"),
    "another header": (b"number\nA1\n", "import_header", "serial or code"),
    "a second column": (b"serial\nA1,x\n", "import_rows", "one column"),
    "no numbers": (b"serial\n", "import_empty", "right file"),
    "nothing": (b"", "import_empty", "right file"),
    "half a line": (b"serial\nA1\nA", "import_rows", "last line"),
    "an open quote": (b'serial\n"A1\n', "import_rows", "again"),
}


@pytest.mark.parametrize("bad", FILES)
def test_a_file_that_was_harmed_is_refused_with_what_to_do(bench: Bench, bad: str) -> None:
    """Encoding, separator, header and end of the file are checked before any number."""
    data, word, says = FILES[bad]
    path = bench.folder / "numbers.csv"
    path.write_bytes(data)
    refused = refusal(bench, path)
    assert refused.word == word
    assert says in refused.remedy + refused.expected


def test_a_file_with_carriage_returns_and_quotes_is_read(bench: Bench) -> None:
    """RFC 4180 ends lines with CRLF and quotes fields; both are read."""
    path = bench.folder / "numbers.csv"
    path.write_bytes(b'serial\r\n"A,""1"\r\nA2\r\n')
    sk.serials.import_(bench.record, bench.lot, path)
    assert [row["serial"] for row in bench.labels()] == ['A,"1', "A2"]


def test_numbers_of_the_record_are_never_taken_again(bench: Bench) -> None:
    """A number that the product has, in any lot and state, refuses the file and names the lot."""
    sk.serials.allocate(bench.record, bench.lot, 5)
    own = bench.labels()[3]["serial"]
    sk.lot.open(bench.record, GTIN, "LOT24B", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "LOT24B")
    bench.lot = "LOT24B"
    refused = refusal(bench, write(bench, ["serial", "NEW1", own], "n.csv"))
    assert "line 3" in refused.where and "LOT24A" in refused.remedy


def test_numbers_of_our_own_make_way_for_imported_ones(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An allocation that would draw an imported number draws again: no number comes twice."""
    from serialkeeper.steps import numbering

    real = numbering._draw
    drawn = []

    def draw(*args: Any) -> Any:
        part = real(*args)
        if drawn:
            return part
        drawn.append(part)
        numbers = ["A1B2C3D4E5F6", *part.data.decode().split("\n")[1:]]
        return replace(part, data="\n".join(numbers).encode())

    sk.lot.open(bench.record, GTIN, "LOT24B", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "LOT24B")
    sk.serials.import_(bench.record, "LOT24B", write(bench, ["serial", "A1B2C3D4E5F6"], "n.csv"))
    monkeypatch.setattr(numbering, "_draw", draw)
    sk.serials.allocate(bench.record, bench.lot, 5)
    assert drawn
    assert "A1B2C3D4E5F6" not in [row["serial"] for row in bench.labels()]
    assert sk.label.show(bench.record, GTIN, serial="A1B2C3D4E5F6")["lot"] == "LOT24B"
    sk.record.verify(bench.record)


@pytest.fixture
def _small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of ten numbers, two in a transaction."""
    from serialkeeper.rules import chain
    from serialkeeper.steps.importing import giving, looking
    from serialkeeper.store import journal, verify

    monkeypatch.setattr(chain, "BLOCK", 10)
    for room in (giving, looking, journal, verify):
        monkeypatch.setattr(room, "BLOCK", 10)
    monkeypatch.setattr(giving, "BLOCKS_AT_ONCE", 2)


@pytest.mark.usefixtures("_small_blocks")
@pytest.mark.parametrize("before", [True, False], ids=["before", "after"])
@pytest.mark.parametrize("extras", [True, False], ids=["extras", "bare"])
def test_an_interrupted_import_is_finished_by_the_same_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, extras: bool, before: bool
) -> None:
    """Cut at every transaction: nothing of it prints, nothing else is given to the product, verify
    passes; the same file at another station ends it with every number in its place."""
    for transaction in range(20):
        bench.lot = f"I{transaction}"
        sk.lot.open(bench.record, GTIN, bench.lot, expiry=EXPIRY, target=65)
        sk.lot.approve(bench.record, bench.lot)
        numbers = [f"T{transaction}N{n}" for n in range(65)]
        lines = [f"01{GTIN}21{one}{{GS}}91EE06{{GS}}92K{one}" for one in numbers]
        head = "code" if extras else "serial"
        path = write(bench, [head, *(lines if extras else numbers)], f"i{transaction}.csv")

        def take_in(path: Path = path) -> Any:
            return sk.serials.import_(bench.record, bench.lot, path)

        cut = interrupt(monkeypatch, take_in, transaction, before)
        sk.record.verify(bench.record)
        shown = sk.lot.show(bench.record, bench.lot)
        there = len(bench.labels())
        balance = sk.lot.reconcile(bench.record, bench.lot)
        assert shown["allocated"] == balance["allocated"] == there
        if cut and shown["to_come"]:
            assert shown["to_come"] == 65 - there
            assert [(one["done"], one["count"]) for one in shown["imports"]] == [(there, 65)]
            page = bench.folder / f"{bench.lot}.html"
            sk.lot.report(bench.record, bench.lot, out=page)
            told = " ".join(html.fromstring(page.read_bytes()).text_content().split())
            assert f"allocated ever{there}" in told and f"{there} of 65 numbers so far" in told
            with pytest.raises(sk.Refused) as printing:
                printed(bench)
            assert printing.value.word == "allocation_unfinished"
            for lot in (bench.lot, "LOT24A"):
                with pytest.raises(sk.Refused) as allocating:
                    sk.serials.allocate(bench.record, lot, 65)
                assert path.name in allocating.value.remedy
            other = refusal(bench, write(bench, ["serial", "OTHER"], "other.csv"))
            assert (other.word, path.name in other.remedy) == ("allocation_unfinished", True)
            changed = path.read_bytes()
            path.write_bytes(changed.replace(b"N64", b"N99"))
            assert refusal(bench, path).word == "allocation_unfinished"
            path.write_bytes(changed)
        with sk.open_record(bench.url, person="Second Person", station="line 2") as other:
            sk.serials.import_(other, bench.lot, path)
        assert [row["serial"] for row in bench.labels()] == numbers
        if extras:
            code = sk.label.show(bench.record, bench.lot, position=65)["code"]
            assert code.endswith(f"92K{numbers[-1]}")
        sk.record.verify(bench.record)
        if not cut:
            break
    else:
        pytest.fail("the import never ran through without a cut")
    assert transaction >= 5
    printed(bench)


@pytest.mark.usefixtures("_small_blocks")
def test_an_import_whose_file_is_lost_is_given_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Meanwhile other lots print what they have and get nothing new, told which file stands in the
    way, and of which lot; afterwards they do. What is there of it stays; whoever is still at it, or
    brings the file again, is refused; the rest comes in a file of its own; it is reviewed."""
    from serialkeeper.steps.importing import giving

    sk.lot.open(bench.record, GTIN, "HALF", expiry=EXPIRY, target=65)
    sk.lot.approve(bench.record, "HALF")
    path = write(bench, ["serial", *(f"H{n}" for n in range(65))], "half.csv")
    whole, other = giving._chunk, bench.lot

    def give_up(*arguments: Any) -> int:
        done = whole(*arguments)
        with pytest.raises(sk.Refused) as waiting:
            sk.serials.allocate(bench.record, other, 5)
        assert waiting.value.word == "allocation_unfinished"
        assert f"{GTIN}/HALF" in waiting.value.where and "half.csv" in waiting.value.where
        assert f"serials abandon {GTIN}/HALF" in waiting.value.remedy
        sk.print.write(bench.record, other, lanes=1, out=bench.folder / "others.csv")
        sk.inspect.take(bench.record, other, bench.results(rest))
        with pytest.raises(sk.Refused) as wrong:
            sk.serials.abandon(bench.record, "HALF", reason=" ")
        assert wrong.value.word == "reason_needed"
        told = sk.serials.abandon(bench.record, "HALF", reason="the file is lost")
        assert (told["done"], told["of"], told["name"]) == (done, 65, "half.csv")
        return done

    bench.printed(5)
    rest = as_seen(bench.folder / "job1.csv")
    assert sk.serials.allocate(bench.record, other, 3)["count"] == 3
    with monkeypatch.context() as patch:
        patch.setattr(giving, "_chunk", give_up)
        with pytest.raises(sk.Refused) as gone:
            sk.serials.import_(bench.record, "HALF", path)
    assert gone.value.word == "import_claimed"
    shown = sk.lot.show(bench.record, "HALF")
    there = shown["allocated"]
    assert 0 < there < 65 and shown["to_come"] == 0
    for step, word in (
        (lambda: sk.serials.abandon(bench.record, "HALF", reason="twice"), "nothing_to_give_up"),
        (lambda: sk.serials.import_(bench.record, "HALF", path), "import_claimed"),
    ):
        with pytest.raises(sk.Refused) as again:
            step()
        assert again.value.word == word
    sk.serials.allocate(bench.record, other, 2)  # ten in all: a block of own numbers, too
    left = write(bench, ["serial", *(f"H{n}" for n in range(there, 65))], "left.csv")
    sk.serials.import_(bench.record, "HALF", left)
    sk.print.write(bench.record, "HALF", lanes=1, out=bench.folder / "half-job.csv")
    rows = list(sk.label.list(bench.record, "HALF"))
    assert [row["serial"] for row in rows] == [f"H{n}" for n in range(65)]
    [group] = sk.review.list(bench.record, "HALF")["groups"]
    assert (group["kind"], group["reason"]) == ("import given up", "the file is lost")
    assert group["told"] == f"given up: import 1, {there} of 65 numbers of it are there"
    out = bench.folder / "half.html"
    sk.lot.report(bench.record, "HALF", out=out)
    text = html.fromstring(out.read_bytes()).text_content()
    assert group["told"] in text and "imports given up1" in text
    assert "the record was never restored" in text
    assert sk.record.verify(bench.record)["sound"]


@pytest.mark.usefixtures("_small_blocks")
def test_a_file_that_changes_while_it_is_taken_in_gives_no_number_that_was_not_looked_at(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other bytes under the same name, after the look: refused, and the file itself ends it."""
    from serialkeeper.steps.importing import giving

    path = write(bench, ["code", *(f"01{GTIN}21N{n}{{GS}}91EE{n:02}" for n in range(30))], "n.csv")
    before, real = path.read_bytes(), giving._begin

    def begin(*args: Any) -> Any:
        path.write_bytes(before.replace(b"91EE07", b"91EE77"))
        return real(*args)

    with monkeypatch.context() as patch:
        patch.setattr(giving, "_begin", begin)
        with pytest.raises(sk.Refused) as refused:
            sk.serials.import_(bench.record, bench.lot, path)
    assert "changed" in refused.value.remedy
    assert bench.labels() == []
    path.write_bytes(before)
    assert sk.serials.import_(bench.record, bench.lot, path)["resumed"]
    assert sk.label.show(bench.record, bench.lot, position=8)["code"].endswith("91EE07")
    sk.record.verify(bench.record)


def test_a_file_waits_for_an_allocation_of_the_product(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While numbers are drawn for any of its lots, none are taken in: they could be the same."""
    sk.lot.open(bench.record, GTIN, "LOT24B", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "LOT24B")

    def allocate() -> Any:
        return sk.serials.allocate(bench.record, "LOT24B", 5)

    assert interrupt(monkeypatch, allocate, 0, False)
    path = write(bench, ["serial", "A1"], "n.csv")
    refused = refusal(bench, path)
    assert (refused.word, "allocate" in refused.remedy) == ("allocation_unfinished", True)
    allocate()
    assert sk.serials.import_(bench.record, bench.lot, path)["count"] == 1
    sk.record.verify(bench.record)


def test_look_alikes_and_lost_zeros_are_told(bench: Bench) -> None:
    """Numbers that differ in capitals only are taken with a note, as are digits of mixed length."""
    made = sk.serials.import_(
        bench.record, bench.lot, write(bench, ["serial", "abc1", "ABC1"], "a.csv")
    )
    assert len(made["notes"]) == 1 and "capitals" in made["notes"][0]
    made = sk.serials.import_(
        bench.record, bench.lot, write(bench, ["serial", "00123", "1234"], "b.csv")
    )
    assert len(made["notes"]) == 1 and "leading zeros" in made["notes"][0]


def test_numbers_past_their_date_are_not_printed(bench: Bench) -> None:
    """On the last day they are printed, the day after they are refused, first and again."""
    path = write(bench, ["serial", *(f"A{n}" for n in range(8))], "n.csv")
    refused = refusal(bench, path, usable_until=date(2026, 5, 31))
    assert refused.word == "numbers_expired"
    last = date(2026, 6, 1)
    sk.serials.import_(bench.record, bench.lot, path, usable_until=last)
    sk.serials.allocate(bench.record, bench.lot, 4)
    printed(bench, last=4)
    late = sk.open_record(
        bench.url, person="Line Lead", now=lambda: bench.record.now().replace(day=2)
    )
    for again in (False, True):
        with pytest.raises(sk.Refused) as expired:
            if again:
                sk.print.again(late, bench.lot, 1, out=bench.folder / "x.csv")
            else:
                sk.print.write(late, bench.lot, lanes=1, out=bench.folder / "x.csv")
        assert expired.value.word == "numbers_expired"
    sk.print.write(late, bench.lot, lanes=1, first=9, out=bench.folder / "own.csv")
    late.close()
    assert bench.states() == ["issued"] * 4 + ["allocated"] * 4 + ["issued"] * 4


def test_unused_numbers_are_reported_back_once_and_never_printed(bench: Bench) -> None:
    """What was not printed is voided; the same command again makes the same bytes."""
    crypto(bench, 12)
    printed(bench, last=4)
    sk.label.void(bench.record, bench.lot, "2", reason="damaged", count=1)
    sk.label.void(bench.record, bench.lot, "5-6", reason="surplus", count=2)
    one, two = bench.folder / "one.csv", bench.folder / "two.csv"
    made = sk.serials.return_(bench.record, bench.lot, out=one, reason="market closed")
    assert (made["returned"], made["reasons"]) == (6, {"damaged": 1, "returned": 6, "surplus": 2})
    heads = bench.heads()
    assert sk.serials.return_(bench.record, bench.lot, out=two)["returned"] == 0
    assert one.read_bytes() == two.read_bytes()
    assert bench.heads() == heads
    rows = rows_of(one)
    assert [row["position"] for row in rows] == ["2", *(str(n) for n in range(5, 13))]
    assert all(row["code"].endswith(tail(int(row["position"]))) for row in rows)
    assert {row["issuer"] for row in rows} == {"State Registry"}
    with pytest.raises(sk.Refused) as refused:
        printed(bench, "late.csv")
    assert refused.value.word == "nothing_to_print"
    assert bench.states()[6:] == ["voided"] * 6


def test_there_is_nothing_to_return_without_imports(bench: Bench) -> None:
    """Numbers of our own are nobody's to return, and used ones are not unused."""
    sk.serials.allocate(bench.record, bench.lot, 5)
    with pytest.raises(sk.Refused) as refused:
        sk.serials.return_(bench.record, bench.lot, out=bench.folder / "r.csv")
    assert refused.value.word == "nothing_to_return"
    assert not (bench.folder / "r.csv").exists()


EDITS = {
    "an extra": "UPDATE extra SET elements = replace(elements, 'EE06', 'EE07') WHERE position = 4",
    "an extra lost": "DELETE FROM extra WHERE position = 4",
    "an extra too many": "INSERT INTO extra VALUES (1, 1, 99, '91EE06')",
    "the last day": "UPDATE number_import SET usable_until = '2030-01-01'",
    "the order": "UPDATE number_import SET ai_order = '01 + 21 17 10'",
}


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_of_what_was_imported_is_found(bench: Bench, edit: str) -> None:
    """The side tables are what the journal says, or the record is no more sound."""
    crypto(bench)
    assert bench.database.edit(EDITS[edit]) > 0
    with pytest.raises(sk.Damaged) as damaged:
        sk.record.verify(bench.record)
    assert damaged.value.word == "table_differs"


def test_an_import_that_is_killed_leaves_nothing(bench: Bench) -> None:
    """kill -9 at many instants: nothing, or what the file announced, which the same file brings;
    the record stays sound."""
    path = write(bench, ["serial", *(f"K{number:011d}" for number in range(150_000))], "k.csv")
    step = "sk.serials.import_(record, 'LOT24A', Path(sys.argv[2]))"
    cut = 0
    for _ in cuts(random.Random(1), step, bench.url, str(path)):
        cut += 1
        assert sk.record.verify(bench.record)["sound"]
        shown = sk.lot.show(bench.record, bench.lot)
        if there := shown["allocated"] + shown["to_come"]:
            assert there == 150_000
            break
    sk.serials.import_(bench.record, bench.lot, path)
    shown = sk.lot.show(bench.record, bench.lot)
    assert (shown["allocated"], shown["to_come"]) == (150_000, 0)
    assert cut > 1


def test_a_growing_file_of_labels_with_extras_is_followed(bench: Bench) -> None:
    """Following tells good labels from one that lacks its crypto code, while it is written."""
    crypto(bench)
    rows = as_seen(printed(bench))
    rows[9]["seen"] = str(rows[9]["seen"]).partition("{GS}91")[0]
    path = bench.results(rows)
    told: list[sk.Progress] = []

    class Eye(sk.Onlooker):
        def saw(self, progress: sk.Progress) -> None:
            told.append(progress)

    sk.inspect.follow(bench.record, bench.lot, path, idle=0.05, onlooker=Eye())
    assert told[-1].readings == 20
    assert told[-1].outcomes["seen_good"] == 19
    assert bench.findings() == {10: "malformed"}
    assert bench.states().count("commissioned") == 19


def test_a_roll_with_extras_is_read_again(bench: Bench) -> None:
    """A further pass knows labels by their whole code; one that lost its extras is pulled back."""
    crypto(bench)
    rows = as_seen(printed(bench))
    assert taken(bench, rows) == {}
    sk.roll.add(bench.record, bench.lot)
    rows[9]["seen"] = str(rows[9]["seen"]).partition("{GS}91")[0]
    again = [{"seen": row["seen"], "at": row["at"].replace("T09", "T10")} for row in rows]
    sk.inspect.take(bench.record, bench.lot, bench.results(again), again_roll=1)
    assert bench.findings() == {10: "malformed"}
    assert bench.states().count("commissioned") == 19
    sk.record.verify(bench.record)


def test_the_smallest_hold_is_as_small_with_extras(bench: Bench) -> None:
    """The same faults hold the same places of the web, whether codes carry extras or not."""
    held = []
    for number, extras in enumerate((True, False)):
        bench.lot = f"H{number}"
        sk.lot.open(bench.record, GTIN, bench.lot, expiry=EXPIRY, target=40)
        sk.lot.approve(bench.record, bench.lot)
        lines = [code(one, serial=f"H{number}X{one:08d}") for one in range(1, 201)]
        plain = [line if extras else line.partition("{GS}")[0] for line in lines]
        made = sk.serials.import_(bench.record, bench.lot, write(bench, plain))
        assert bool(made["extras"]) is extras
        rows = as_seen(printed(bench, f"h{number}.csv"))
        rows[161]["seen"] = rows[33]["seen"]
        taken(bench, [{"seen": row["seen"], "lane": row["lane"]} for row in rows])
        hold = sk.lot.reconcile(bench.record, bench.lot, hold=True)
        for one in hold["numbers"]:
            one.pop("serials", None)
        held.append((hold["held"], [one["positions"] for one in hold["holds"]]))
    assert held[0] == held[1]
    assert 0 < held[0][0] < 200


def test_a_whole_file_of_repeats_is_refused_at_once(bench: Bench) -> None:
    """Tens of thousands of faults are counted (the last row has two), the first ones are told."""
    sk.serials.import_(bench.record, bench.lot, write(bench, [f"A{n}" for n in range(30_000)]))
    lines = ["serial", *(f"A{n}" for n in range(30_000)), *["B#"] * 30_000, "A7"]
    refused = refusal(bench, write(bench, lines, "again.csv"))
    assert "60,002 faults in 60,001 rows" in refused.message
    assert refused.where.endswith("line 2, serial")
    assert len(refused.more) == 99


def test_extras_are_as_long_as_the_dictionary_says(standards: Path) -> None:
    """Identifiers of extras, their longest values, and that a separator follows them.

    Source: the GS1 Barcode Syntax Dictionary of `SERIALKEEPER_STANDARDS`.
    """
    told: dict[str, tuple[int, bool]] = {}
    for line in (standards / "gs1-syntax-dictionary.txt").read_text().splitlines():
        found = re.match(r"([0-9]+)(?:-([0-9]+))?\s+(\S*)\s+X\.\.([0-9]+)", line)
        if found:
            first, last = int(found[1]), int(found[2] or found[1])
            for ai in range(first, last + 1):
                told[str(ai).zfill(len(found[1]))] = (int(found[4]), "*" in found[3])
    for ai, longest in imported.LENGTHS.items():
        assert told[ai] == (longest, False), ai


@pytest.mark.parametrize("escaped", [True, False])
def test_links_are_read_alike_together_and_one_by_one(bench: Bench, escaped: bool) -> None:
    """Links with needless escapes or another order of the query say the same as plain ones."""
    serial = "".join(f"%{ord(sign):02x}" for sign in "AB/7") if escaped else "AB%2F7"
    query = "92=x%2By%3D&91=EE06" if escaped else "91=EE06&92=x%2By%3D"
    lines = [f"https://example.org/01/{GTIN}/21/{one}?" for one in ("N1", serial)]
    lines = [f"{lines[0]}91=EE06&92=q", lines[1] + query]
    sk.serials.import_(bench.record, bench.lot, write(bench, lines))
    shown = sk.label.show(bench.record, bench.lot, position=2)
    assert (shown["serial"], shown["imported"]["extras"]) == (
        "AB/7",
        [["91", "EE06"], ["92", "x+y="]],
    )
    plus = [lines[0].replace("N1", "N3"), lines[0].replace("N1", "N4").replace("=q", "=a+b")]
    refused = refusal(bench, write(bench, plus, "plus.txt"))
    assert "line 2" in refused.where and "%2B" in refused.remedy


def test_a_scan_is_held_against_the_extras_of_its_number(bench: Bench) -> None:
    """The whole code is good; without its crypto code, or with another number's, it is not."""
    crypto(bench)
    rows = rows_of(printed(bench))
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(bench.folder / "job.csv")))
    own = rows[0]["scanned"]
    assert sk.scan(bench.record, own)["outcome"] == "well formed"
    swapped = own.replace(tail(1), tail(2))
    bare = own.split("{GS}91")[0]
    for text, said in ((swapped, f"(92) {tail(1)} is printed"), (bare, "carries no (91)")):
        answer = sk.scan(bench.record, text)
        assert answer["outcome"] == "not good"
        assert said in " ".join(answer["codes"][0]["against"])


def test_symbols_and_proof_carry_the_extras(bench: Bench) -> None:
    """The symbols of imported numbers read as the print file says, crypto code and all; a lot
    whose layout does not foresee them says so at the import and draws none."""
    layout = bench.folder / "label.toml"
    layout.write_text('[symbol]\nlongest = 13\nextras = { "91" = 4, "92" = 44 }\n')
    sk.product.layout(bench.record, GTIN, layout)
    lot = "LOT24B"
    sk.lot.open(bench.record, GTIN, lot, expiry=EXPIRY, target=10)
    sk.lot.approve(bench.record, lot, second="Second Person")
    path = write(bench, [code(number) for number in range(1, 9)])
    assert sk.serials.import_(bench.record, lot, path)["notes"] == []
    job = bench.folder / "jobb.csv"
    sk.print.write(bench.record, lot, lanes=4, out=job)
    out = bench.folder / "symbols.csv"
    made = sk.print.symbols(bench.record, lot, out=out, form="matrix")
    rows = rows_of(out)
    assert (made["count"], len(rows)) == (8, 8)
    for row, planned in zip(rows, rows_of(job), strict=True):
        dark = np.array([[c == "1" for c in line] for line in row["modules"].split("/")])
        image = np.kron(np.pad(~dark, 2, constant_values=True), np.ones((6, 6))) * 255
        [read] = zxingcpp.read_barcodes(image.astype(np.uint8))
        assert read.symbology_identifier + read.bytes.decode() == gs1.from_file(planned["scanned"])
    proof = sk.print.proof(bench.record, lot, out=bench.folder / "proof.pdf")
    assert proof["bracketed"] == rows_of(job)[0]["bracketed"]
    short = sk.serials.import_(
        bench.record, bench.lot, write(bench, [code(number) for number in range(20, 28)], "n.txt")
    )
    assert "refuse what does not fit" in " ".join(short["notes"])
    sk.print.write(bench.record, bench.lot, lanes=4, out=bench.folder / "joba.csv")
    with pytest.raises(sk.Refused) as refused:
        sk.print.symbols(bench.record, bench.lot, out=bench.folder / "none.csv", form="matrix")
    assert refused.value.word == "symbol_too_small"
    assert not (bench.folder / "none.csv").exists()


@pytest.mark.parametrize(
    ("lines", "word", "said"),
    [
        (["SerialNumber", "A1B2C3D4E5F6"], "import_header", "looks like a header"),
        (['"A1B2C3D4E5F6"'], "import_rows", "write serial as the first line"),
        (["A1B2C3D4E5F6;1"], "import_rows", "write serial as the first line"),
        (["A1B2C3D4E5F6,"], "import_rows", "write serial as the first line"),
        (["serial", f"01{GTIN}21A1"[:20]], "import_rows", "write code as the header"),
    ],
)
def test_lines_that_are_no_numbers_are_not_printed(
    bench: Bench, lines: list[str], word: str, said: str
) -> None:
    """Other files' headers, quotes and separators, and a code where a number should be."""
    error = refusal(bench, write(bench, lines))
    assert error.word == word and said in f"{error.message} {error.remedy}"


def test_a_stray_last_line_is_told(bench: Bench) -> None:
    """A line of another length is taken, since numbers may have it, and the note says so."""
    made = sk.serials.import_(bench.record, bench.lot, write(bench, ["A1B2C3D4E5F6", "EOF"]))
    assert "every line is a number" in " ".join(made["notes"])


def test_symbols_of_numbers_past_their_date_are_not_drawn(bench: Bench) -> None:
    """What `print write` refuses, `print symbols` refuses too."""
    path = write(bench, [f"A1B2C3D4E5F{number}" for number in range(6)])
    last = bench.record.now().date()
    sk.serials.import_(bench.record, bench.lot, path, usable_until=last)
    printed(bench)
    late = sk.open_record(
        bench.url, person="Line Lead", now=lambda: bench.record.now().replace(day=2)
    )
    with pytest.raises(sk.Refused) as refused:
        sk.print.symbols(late, bench.lot, out=bench.folder / "s.zip")
    late.close()
    assert refused.value.word == "numbers_expired"
    assert not (bench.folder / "s.zip").exists()


def test_a_number_that_means_something_else_is_no_evidence(bench: Bench) -> None:
    """An imported number that equals a GTIN or the lot's: typed alone, it vouches for no place."""
    path = write(bench, [GTIN, bench.lot, "A1B2C3D4E5F6", "A1B2C3D4E5F7"])
    sk.serials.import_(bench.record, bench.lot, path)
    sk.print.write(bench.record, bench.lot, lanes=1, out=bench.folder / "one.csv")
    seen = as_seen(bench.folder / "one.csv")
    seen[2]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(seen))
    for text in (GTIN, bench.lot):
        with pytest.raises(sk.Refused) as refused:
            sk.roll.neighbour(bench.record, bench.lot, 3, scan=text)
        assert refused.value.word == "scan_doubtful"
    told = sk.roll.neighbour(bench.record, bench.lot, 3, scan=seen[1]["seen"])
    assert told["scanned"] == 2
