"""Bad input gets a word, a place and a remedy, and the record stays as it was."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Databases
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import serialkeeper as sk
from serialkeeper.rules.fields import COLUMNS

HEADER = ",".join(COLUMNS)


def refusal(bench: Bench, call: Callable[[], Any]) -> sk.Refused:
    """The refusal of a call that changed nothing."""
    before = bench.heads()
    with pytest.raises(sk.Refused) as refused:
        call()
    assert bench.heads() == before
    error = refused.value
    assert error.remedy, f"{error.word} says nothing about what to do"
    return error


SETUP: dict[str, tuple[str, Callable[[Bench], Any]]] = {
    "wrong check digit": (
        "bad_gtin",
        lambda b: sk.product.add(b.record, "09521234543214", prefix_length=7, name="x"),
    ),
    "wrong length": (
        "bad_gtin",
        lambda b: sk.product.add(b.record, "952123454321", prefix_length=7, name="x"),
    ),
    "letters in a GTIN": (
        "bad_gtin",
        lambda b: sk.product.add(b.record, "0952123454321O", prefix_length=7, name="x"),
    ),
    "zeros only": (
        "bad_gtin",
        lambda b: sk.product.add(b.record, "00000000000000", prefix_length=7, name="x"),
    ),
    "prefix length": (
        "bad_value",
        lambda b: sk.product.add(b.record, "9521234000006", prefix_length=13, name="x"),
    ),
    "minimum grade": (
        "bad_value",
        lambda b: sk.product.add(
            b.record, "9521234000006", prefix_length=7, name="x", minimum_grade="4.5"
        ),
    ),
    "product twice": (
        "product_exists",
        lambda b: sk.product.add(b.record, GTIN, prefix_length=7, name="x"),
    ),
    "unknown product": (
        "product_unknown",
        lambda b: sk.lot.open(b.record, "9521234000006", "L", expiry=EXPIRY, target=1),
    ),
    "space in a lot": (
        "bad_value",
        lambda b: sk.lot.open(b.record, GTIN, "LOT 24", expiry=EXPIRY, target=1),
    ),
    "21 characters": (
        "bad_value",
        lambda b: sk.lot.open(b.record, GTIN, "L" * 21, expiry=EXPIRY, target=1),
    ),
    "empty lot": (
        "bad_value",
        lambda b: sk.lot.open(b.record, GTIN, "", expiry=EXPIRY, target=1),
    ),
    "expiry in the past": (
        "expiry_past",
        lambda b: sk.lot.open(b.record, GTIN, "L", expiry=date(2026, 1, 31), target=1),
    ),
    "expiry beyond two digits": (
        "bad_value",
        lambda b: sk.lot.open(b.record, GTIN, "L", expiry=date(2090, 1, 31), target=1),
    ),
    "lot opened twice": (
        "lot_exists",
        lambda b: sk.lot.open(b.record, GTIN, "LOT24A", expiry=EXPIRY, target=1),
    ),
    "approved twice": ("lot_state", lambda b: sk.lot.approve(b.record, "LOT24A")),
    "unknown lot": ("lot_unknown", lambda b: sk.lot.show(b.record, "NONE")),
    "unknown person": (
        "person_unknown",
        lambda b: sk.open_record(b.url, person="Nobody"),
    ),
    "several people, no name": ("person_unknown", lambda b: sk.open_record(b.url)),
    "person twice": (
        "person_exists",
        lambda b: sk.person.add(b.record, "line lead", role="operator"),
    ),
    "unknown role": ("bad_value", lambda b: sk.person.add(b.record, "X", role="boss")),
    "name with a line feed": (
        "bad_value",
        lambda b: sk.person.add(b.record, "X\nY", role="operator"),
    ),
    "no numbers": ("bad_value", lambda b: sk.serials.allocate(b.record, "LOT24A", 0)),
    "nothing to print": (
        "nothing_to_print",
        lambda b: sk.print.write(b.record, "LOT24A", lanes=4, out=b.folder / "j.csv"),
    ),
    "no lanes": (
        "bad_value",
        lambda b: sk.print.write(b.record, "LOT24A", lanes=0, out=b.folder / "j.csv"),
    ),
    "unknown job": (
        "job_unknown",
        lambda b: sk.print.again(b.record, "LOT24A", 1, out=b.folder / "j.csv"),
    ),
    "nothing to send": (
        "nothing_to_send",
        lambda b: sk.events.write(b.record, "LOT24A", form="json", out=b.folder / "e.jsonld"),
    ),
    "unknown form": (
        "bad_value",
        lambda b: sk.events.write(b.record, "LOT24A", form="yaml", out=b.folder / "e.yaml"),
    ),
    "label outside the plan": (
        "label_unknown",
        lambda b: sk.label.show(b.record, "LOT24A", position=1),
    ),
}


def others(bench: Bench) -> set[str]:
    """The files of the folder, without the record's own."""
    return {path.name for path in bench.folder.iterdir() if not path.match("record.db*")}


@pytest.mark.parametrize("case", SETUP)
def test_a_bad_step_is_refused(bench: Bench, case: str) -> None:
    """Each wrong step before the first print has its word; no file and no entry is made."""
    word, call = SETUP[case]
    files = others(bench)
    assert refusal(bench, lambda: call(bench)).word == word
    assert others(bench) == files


def test_an_unapproved_lot_takes_no_numbers(bench: Bench) -> None:
    """Before a second person approved the lot, nothing is allocated."""
    sk.lot.open(bench.record, GTIN, "DRAFT", expiry=EXPIRY, target=5)
    error = refusal(bench, lambda: sk.serials.allocate(bench.record, "DRAFT", 5))
    assert error.word == "lot_not_approved"
    assert "lot approve DRAFT" in error.remedy or "DRAFT" in error.remedy


def test_a_lot_number_of_two_products_has_to_be_named_in_full(bench: Bench) -> None:
    """The same lot number under two products is no guess: GTIN/LOT is asked for."""
    sk.product.add(bench.record, "9521234000006", prefix_length=7, name="Other")
    sk.lot.open(bench.record, "9521234000006", "LOT24A", expiry=EXPIRY, target=5)
    assert refusal(bench, lambda: sk.lot.show(bench.record, "LOT24A")).word == "lot_ambiguous"
    assert sk.lot.show(bench.record, f"{GTIN}/LOT24A")["state"] == "approved"


def test_short_numbers_that_could_be_guessed_are_refused(bench: Bench) -> None:
    """Eight characters bear 104 numbers under a prefix, not more (EU 2016/161 Art 4(c))."""
    sk.product.add(bench.record, "9521234000006", prefix_length=7, name="S", serial_length=8)
    sk.lot.open(bench.record, "9521234000006", "SHORT", expiry=EXPIRY, target=5)
    sk.lot.approve(bench.record, "SHORT")
    error = refusal(bench, lambda: sk.serials.allocate(bench.record, "SHORT", 105))
    assert error.word == "guessing_odds"
    assert sk.serials.allocate(bench.record, "SHORT", 104)["count"] == 104


def test_no_file_is_ever_overwritten(bench: Bench) -> None:
    """Print and event files never replace a file that is there."""
    sk.serials.allocate(bench.record, "LOT24A", 5)
    out = bench.folder / "job.csv"
    out.write_text("mine")
    error = refusal(bench, lambda: sk.print.write(bench.record, "LOT24A", lanes=1, out=out))
    assert (error.word, out.read_text()) == ("file_exists", "mine")
    assert bench.states() == ["allocated"] * 5


def test_a_record_is_never_overwritten(bench: Bench) -> None:
    """`init` on an existing record is refused, and leaves it sound."""
    assert refusal(bench, lambda: sk.init(bench.url, "Somebody")).word == "record_exists"


@pytest.mark.only_on("sqlite", reason="a server keeps no record in a file that one could replace")
@pytest.mark.parametrize("content", [b"", b"hello\n" * 1000, b"SQLite format 3\x00" + b"x" * 5000])
def test_a_file_that_is_no_record_is_refused(tmp_path: Path, content: bytes) -> None:
    """Any other file in the record's place is named as such and left alone."""
    path = tmp_path / "other.db"
    path.write_bytes(content)
    with pytest.raises(sk.SerialKeeperError) as refused:
        sk.open_record(f"sqlite:///{path}")
    assert refused.value.word == "record_unreadable"
    assert path.read_bytes() == content


def test_a_record_that_is_not_there_is_not_made(databases: Databases, tmp_path: Path) -> None:
    """Only `init` and `demo` make records."""
    for _ in range(2):
        with pytest.raises(sk.Refused) as refused:
            sk.open_record(databases.nowhere(tmp_path))
        assert refused.value.word == "record_missing"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("url", ["mysql://u:secret@h/db", "nonsense", "sqlite://", ""])
def test_a_url_of_no_supported_database_is_wrong_usage(url: str) -> None:
    """The message names the expected form and never repeats a password."""
    with pytest.raises(sk.WrongUsage) as refused:
        sk.open_record(url)
    assert "secret" not in str(refused.value)


ROW = "1,1,1,2026-06-01T09:00:00.000Z,,,pass,"

FILES: dict[str, tuple[str, bytes]] = {
    "empty": ("results_empty", b""),
    "header only": ("results_empty", f"{HEADER}\n".encode()),
    "truncated": ("results_truncated", f"{HEADER}\n{ROW}\n2,1,2,2026".encode()),
    "short row": ("results_row", f"{HEADER}\n{ROW}\n2,1,2,,,pass,\n".encode()),
    "long row": ("results_row", f"{HEADER}\n{ROW},x\n".encode()),
    "empty row": ("results_row", f"{HEADER}\n{ROW}\n\n".encode()),
    "byte order mark": ("results_encoding", b"\xef\xbb\xbf" + f"{HEADER}\n{ROW}\n".encode()),
    "UTF-16": ("results_encoding", f"{HEADER}\n{ROW}\n".encode("utf-16")),
    "Latin-1": ("results_encoding", f"{HEADER}\n1,,,,\xe9,,pass,\n".encode("latin-1")),
    "CRLF": ("results_header", f"{HEADER}\r\n{ROW}\r\n".encode()),
    "CR in a row": ("results_encoding", f"{HEADER}\n{ROW}\r\n".encode()),
    "semicolons": ("results_header", f"{HEADER}\n{ROW}\n".replace(",", ";").encode()),
    "a million columns": ("results_header", b"," * 1_000_000 + b"\n"),
    "NUL byte": ("results_encoding", f"{HEADER}\n1,,,,\x00,,pass,\n".encode()),
    "10 MB on one line": ("results_row", f"{HEADER}\n".encode() + b"x" * 10_000_000),
    "10 MB field": ("results_row", f"{HEADER}\n1,,,,{'x' * 10_000_000},,pass,\n".encode()),
    "unclosed quote": ("results_row", f'{HEADER}\n1,,,,"abc,,pass,\n'.encode()),
    "quote within": ("results_row", f'{HEADER}\n1,,,,"a"b,,pass,\n'.encode()),
    "unknown verdict": ("results_value", f"{HEADER}\n1,,,,,,maybe,\n".encode()),
    "no such grade": ("results_value", f"{HEADER}\n1,,,,,4.5,pass,\n".encode()),
    "grade letter E": ("results_value", f"{HEADER}\n1,,,,,E,pass,\n".encode()),
    "time without zone": ("results_value", f"{HEADER}\n1,,,2026-06-01T09:00:00,,,pass,\n".encode()),
    "30 February": ("results_value", f"{HEADER}\n1,,,2026-02-30T09:00:00.000Z,,,pass,\n".encode()),
    "no place, no number": ("results_unplaced", f"{HEADER}\n,,,,,,pass,\n".encode()),
    "place 0": ("results_position", f"{HEADER}\n0,,,,,,pass,\n".encode()),
    "place -1": ("results_position", f"{HEADER}\n-1,,,,,,pass,\n".encode()),
    "place +1": ("results_position", f"{HEADER}\n+1,,,,,,pass,\n".encode()),
    "place 1.5": ("results_position", f"{HEADER}\n1.5,,,,,,pass,\n".encode()),
    "place outside": ("results_position", f"{HEADER}\n21,,,,,,pass,\n".encode()),
    "huge place": ("results_position", f"{HEADER}\n{10**30},,,,,,pass,\n".encode()),
    "lane outside": ("results_position", f"{HEADER}\n,1,9,,,,pass,\n".encode()),
    "two places": ("results_position", f"{HEADER}\n3,1,1,,,,pass,\n".encode()),
}


@pytest.mark.parametrize("case", FILES)
def test_a_bad_results_file_changes_nothing(bench: Bench, case: str) -> None:
    """Each kind of broken file has its word and its place; no label moves."""
    bench.printed(20)
    word, content = FILES[case]
    path = bench.folder / "bad.csv"
    path.write_bytes(content)
    error = refusal(bench, lambda: sk.inspect.take(bench.record, bench.lot, path))
    assert error.word == word, error
    assert str(path) in error.where
    assert len(str(error)) < 2000
    assert set(bench.states()) == {"issued"}


def test_the_line_of_a_bad_row_is_named(bench: Bench) -> None:
    """A bad row far down in a file is named by its line; others of the kind are listed."""
    rows = as_seen(bench.printed(20))
    rows[14]["verdict"] = rows[17]["verdict"] = "ok"
    path = bench.results(rows)
    error = refusal(bench, lambda: sk.inspect.take(bench.record, bench.lot, path))
    assert error.where.endswith("line 16")
    assert error.more == ("line 19",)


def test_results_for_a_lot_without_print_are_refused(bench: Bench) -> None:
    """Nothing was printed, so nothing can have been seen."""
    path = bench.folder / "r.csv"
    path.write_text(f"{HEADER}\n{ROW}\n")
    error = refusal(bench, lambda: sk.inspect.take(bench.record, bench.lot, path))
    assert error.word == "nothing_printed"


@settings(
    max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    header=st.sampled_from([HEADER, HEADER + ",rehearsal", "position,row", ""]),
    body=st.binary(max_size=400)
    | st.text(alphabet='0123456789,\n"]d{}GS.abcZ\r\x00é', max_size=400).map(str.encode),
)
def test_no_file_whatever_breaks_the_reader(bench: Bench, header: str, body: bytes) -> None:
    """Fuzz: any bytes are either taken or refused in words; never an exception of another kind."""
    if not sk.lot.show(bench.record, bench.lot)["allocated"]:
        bench.printed(20)
    bench.files += 1
    path = bench.folder / f"fuzz{bench.files}.csv"
    path.write_bytes(header.encode() + b"\n" + body)
    try:
        sk.inspect.take(bench.record, bench.lot, path)
    except sk.Refused as error:
        assert error.word in ("lot_state",) or error.word.startswith("results_"), error
    sk.record.verify(bench.record)


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60) | st.text(alphabet="()01721]d\x1d{GS}A9", max_size=60))
def test_no_text_whatever_breaks_the_code_readers(text: str) -> None:
    """Fuzz: any text is parsed as a code or refused in words."""
    from serialkeeper.rules import epc, gs1

    for reader in (
        lambda: gs1.parse_scanned(text, this_year=2026),
        lambda: gs1.read_bracketed(text),
        lambda: gs1.parse_gtin(text),
        lambda: epc.read(text),
        lambda: gs1.read_date(text, this_year=2026),
    ):
        try:
            reader()
        except sk.Refused as error:
            assert error.remedy


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="0123456789-, x", max_size=30))
def test_no_list_of_positions_whatever_breaks_its_reader(text: str) -> None:
    """Fuzz: any text is a list of positions within the lot or refused in words."""
    from serialkeeper.steps.settling import parse_which

    try:
        for first, last in parse_which(text, 50):
            assert 1 <= first <= last <= 50
    except sk.Refused as error:
        assert error.word in ("bad_value", "label_unknown")
