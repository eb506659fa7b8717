"""`scan` on a real record: what is known, what is held against a code, what it likely was."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import resvg_py
import segno
import zxingcpp
from conftest import GTIN, Bench, Original, as_seen
from databases import Databases
from PIL import Image

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.errors import Refused
from serialkeeper.rules import digital_link, epc, gs1

SCHEMA = jsonschema_rs.validator_for(
    json.loads((Path(__file__).resolve().parents[2] / "schemas" / "scan.schema.json").read_text())
)


@pytest.fixture(scope="module")
def _web(
    original: Original, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Original]:
    """Twenty labels: 3 unreadable, 7 decommissioned, two more never printed."""
    with original.copied(databases, tmp_path_factory.mktemp("web")) as bench:
        rows = as_seen(bench.printed(20))
        rows[2]["seen"] = ""
        rows[2]["verdict"] = ""
        sk.inspect.take(bench.record, bench.lot, bench.results(rows))
        sk.serials.allocate(bench.record, bench.lot, 2)
        sk.label.decommission(bench.record, bench.lot, "7", reason="sampled", count=1)
        yield bench.kept()


@pytest.fixture
def web(_web: Original, databases: Databases, tmp_path: Path) -> Iterator[Bench]:
    """A copy of that record, and of its files."""
    with _web.copied(databases, tmp_path) as bench:
        yield bench


def row(web: Bench, position: int) -> dict[str, str]:
    """The label's line of the print file."""
    with (web.folder / "job1.csv").open(newline="") as file:
        return next(line for line in csv.DictReader(file) if line["position"] == str(position))


def scan(web: Bench | None, what: str | Path) -> dict[str, Any]:
    """The answer's only code, after the schema has looked at the whole."""
    answer = sk.scan(web.record if web else None, what)
    SCHEMA.validate(json.loads(json.dumps(answer)))
    (code,) = answer["codes"]
    assert code["outcome"] == answer["outcome"]
    assert isinstance(code, dict)
    return code


def test_a_good_label_is_known_in_every_form(web: Bench) -> None:
    """Scanned, spelt, bracketed, as link, URN and number alone: the same label, nothing against."""
    line = row(web, 1)
    serial = line["serial"]
    for text in (
        line["scanned"],
        line["scanned"].replace("{GS}", "\x1d"),
        line["scanned"].removeprefix("]d2").replace("{GS}", "^"),
        line["bracketed"],
        f"https://id.gs1.org/01/{GTIN}/21/{serial}",
        epc.sgtin_urn(GTIN, 7, serial),
        serial,
    ):
        code = scan(web, text)
        assert code["outcome"] == "well formed", text
        label = code["known"]["label"]
        assert (label["position"], label["state"], label["lot"]) == (1, "commissioned", "LOT24A")
        assert label["place"] == {"job": 1, "row": 1, "lane": 1, "rolls": []}
        assert [move["to"] for move in label["last_moves"]] == [
            "allocated",
            "issued",
            "commissioned",
        ]
        assert code["likely"] == []


def test_parts_say_what_they_mean(web: Bench) -> None:
    """Each part has identifier, title, value and the full date."""
    parts = {part["ai"]: part for part in scan(web, row(web, 1)["scanned"])["parts"]}
    assert parts["17"]["says"] == "2028-06-30"
    assert parts["17"]["title"] == "USE BY or EXPIRY"
    assert parts["01"]["says"] == "GTIN-13, check digit right; company prefix likely 7 digits"
    assert scan(web, f"01{GTIN}17280200")["parts"][1]["says"].startswith("2028-02-29, the last")


@pytest.mark.parametrize(
    ("position", "said"),
    [
        (3, "The label is rejected."),
        (3, "Open finding unreadable"),
        (7, "The label is decommissioned (sampled)."),
    ],
)
def test_what_the_record_holds_against_a_label_is_said(
    web: Bench, position: int, said: str
) -> None:
    """Well formed, but rejected, with an open finding, or decommissioned: not good."""
    code = scan(web, row(web, position)["scanned"])
    assert code["outcome"] == "not good"
    assert any(sentence.startswith(said) for sentence in code["against"])


def test_voided_and_never_printed_numbers_are_not_good(web: Bench) -> None:
    """A number that was given but never sent to the printer cannot be on a label."""
    allocated = next(label for label in web.labels() if label["position"] == 21)
    code = scan(web, f"(01){GTIN}(21){allocated['serial']}")
    assert code["against"] == ["The number was never sent to the printer."]
    sk.label.void(web.record, web.lot, "21", reason="surplus", count=1)
    code = scan(web, f"(01){GTIN}(21){allocated['serial']}")
    assert code["against"] == ["The label is voided (surplus)."]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("(01)09521234567882(21)A7", "The record knows no product 09521234567882."),
        (f"(01){GTIN}(21)NOBODY", "The product has no number NOBODY in the record."),
        (f"(01){GTIN}(10)LOT99", "The product has no lot LOT99 in the record."),
        (
            "urn:epc:id:sgtin:95212345.04321.A7",
            "The URN's company prefix has 8 digits, the product's has 7.",
        ),
        ("NOBODY", "The record knows no label and no lot NOBODY."),
    ],
)
def test_the_unknown_is_not_good(web: Bench, text: str, said: str) -> None:
    """Strange products, numbers and lots are well formed and not good."""
    code = scan(web, text)
    assert (code["outcome"], code["against"], code["likely"]) == ("not good", [said], [])


def test_a_code_that_contradicts_its_lot_is_not_good(web: Bench) -> None:
    """The number is known, but the label names another lot and another expiry."""
    serial = row(web, 1)["serial"]
    code = scan(web, f"]d201{GTIN}21{serial}{{GS}}1728063110LOT24A")
    assert code["outcome"] == "malformed"
    code = scan(web, f"]d201{GTIN}21{serial}{{GS}}1728053110LOT24B")
    assert code["outcome"] == "not good"
    assert code["against"] == [
        "The code names lot LOT24B; the number belongs to lot LOT24A.",
        "The code names expiry 2028-05-31; the lot's is 2028-06-30.",
    ]


def spoilt(line: dict[str, str]) -> dict[str, str]:
    """One label's code, spoilt on its way in the usual ways."""
    scanned = line["scanned"]
    lost = scanned.replace("{GS}", "")
    return {
        "separators lost": lost,
        "identifier lost, too": lost.removeprefix("]d2"),
        "caps lock": scanned.swapcase(),
        "caps lock and separators lost": lost.swapcase(),
        "number alone, caps lock": line["serial"].swapcase(),
    }


@pytest.mark.parametrize("how", list(spoilt({"scanned": "", "serial": ""})))
def test_what_it_most_likely_was_is_said_and_never_taken_for_it(web: Bench, how: str) -> None:
    """A spoilt code is malformed; the label it likely was stands beside it, marked as likely."""
    line = row(web, 2)
    code = scan(web, spoilt(line)[how])
    assert code["outcome"] == "malformed"
    assert code["faults"][0]["remedy"]
    assert [guess["label"]["position"] for guess in code["likely"]] == [2]
    assert code["known"]["label"] is None
    read = {part["ai"]: part["value"] for part in code["parts"]}
    assert read.get("21") != line["serial"]


def test_a_number_that_makes_a_key_is_doubtful(web: Bench) -> None:
    """Digits that make a GTIN and are a label's number: the label is told, and the doubt."""
    assert web.database.edit("UPDATE label SET serial = '95212340' WHERE position = 1") == 1
    code = scan(web, "95212340")
    assert (code["form"], code["outcome"]) == ("GTIN", "well formed")
    assert [doubt["word"] for doubt in code["doubts"]] == ["scan_doubtful"]
    assert code["known"]["label"]["position"] == 1


def test_rolls_and_replacements_are_told(web: Bench) -> None:
    """The roll that a label stands on, where one was taken off, and what stands in its place."""
    sk.roll.add(web.record, web.lot)
    on = scan(web, row(web, 1)["scanned"])
    assert on["known"]["label"]["place"]["rolls"] == [1]
    sk.label.void(web.record, web.lot, "3", reason="waste")
    sk.roll.removed(web.record, web.lot, 1, position=[3], scan=row(web, 11)["serial"])
    off = scan(web, row(web, 3)["scanned"])
    assert off["known"]["label"]["taken_off"][0]["neighbour"] == 11
    assert "It was taken off roll 1." in off["against"]


def test_without_a_record_the_code_is_judged_alone() -> None:
    """No record: what it is and what is wrong; a keyboard is guessed only if that mends it."""
    text = f"]d201{GTIN}21a7{{GS}}1728063010L1"
    assert scan(None, text)["known"] is None
    assert scan(None, text)["outcome"] == "well formed"
    flipped = scan(None, text.swapcase())
    assert flipped["outcome"] == "malformed"
    (guess,) = flipped["likely"]
    assert guess["bracketed"] == f"(01){GTIN}(21)a7(17)280630(10)L1"
    assert guess["label"] is None
    assert scan(None, text.upper().replace("]D2", "]d2"))["likely"] == []


def picture(folder: Path, *texts: str) -> Path:
    """An image file with GS1 DataMatrix symbols side by side, written by zxing-cpp."""
    image = Image.new("L", (20 + 160 * len(texts), 180), 255)
    for place, text in enumerate(texts):
        symbol = zxingcpp.create_barcode(
            text, zxingcpp.BarcodeFormat.DataMatrix, gs1=True, forceSquare=True
        )
        image.paste(Image.fromarray(symbol.to_image(scale=5)), (20 + 160 * place, 20))
    path = folder / "photo.png"
    image.save(path)
    return path


def test_a_photograph_is_read(web: Bench) -> None:
    """Each symbol of an image is a code of the answer, with `]d2`, known as when scanned."""
    path = picture(web.folder, row(web, 1)["bracketed"], row(web, 7)["bracketed"])
    answer = sk.scan(web.record, path)
    SCHEMA.validate(json.loads(json.dumps(answer)))
    assert [code["symbology"] for code in answer["codes"]] == ["]d2", "]d2"]
    assert {code["known"]["label"]["position"] for code in answer["codes"]} == {1, 7}
    assert answer["outcome"] == "not good"
    assert answer["image"]["name"] == "photo.png"


def test_a_pallet_label_and_a_link_are_read_from_images(web: Bench) -> None:
    """The logistic label that `print sscc` draws, and a QR symbol with a GS1 Digital Link, each
    drawn by a library that is not the reader of the other symbols."""
    svg = web.folder / "case.svg"
    sk.print.sscc("095212340000000013", out=svg)
    (web.folder / "case.png").write_bytes(
        bytes(resvg_py.svg_to_bytes(svg_string=svg.read_text(), dpi=254, background="white"))
    )
    code = scan(web, web.folder / "case.png")
    assert (code["symbology"], code["outcome"]) == ("]C1", "well formed")
    assert [(part["ai"], part["value"]) for part in code["parts"]] == [("00", "095212340000000013")]
    link = digital_link.unit_link(GTIN, row(web, 1)["serial"])
    segno.make(link, error="m").save(web.folder / "link.png", scale=6)
    code = scan(web, web.folder / "link.png")
    assert code["known"]["label"]["position"] == 1


def test_an_image_without_a_symbol_is_refused(tmp_path: Path) -> None:
    """A white image, and a file that is no image, have their word and a remedy."""
    Image.new("L", (200, 200), 255).save(tmp_path / "white.png")
    (tmp_path / "text.png").write_text("no image")
    for name, word in (("white.png", "images_empty"), ("text.png", "image_unreadable")):
        with pytest.raises(Refused) as refusal:
            sk.scan(None, tmp_path / name)
        assert refusal.value.word == word
        assert refusal.value.remedy


@pytest.mark.parametrize(
    ("position", "change", "code"),
    [(1, "", 0), (3, "", 5), (7, "", 5), (1, "lost", 1), (1, "$", 1)],
)
def test_exit_codes(
    web: Bench, capsys: pytest.CaptureFixture[str], position: int, change: str, code: int
) -> None:
    """0 well formed, 5 the record holds something against it, 1 malformed; on both doors."""
    text = row(web, position)["scanned"]
    text = text.replace("{GS}", "") if change == "lost" else text + change
    common = ["--record", web.url, "--as", "Line Lead"]
    assert run([*common, "scan", text]) == code
    told = capsys.readouterr().out
    assert "An aid, not a validated system" in told
    assert ("likely, not scanned" in told) == (change == "lost")
    assert run([*common, "scan", text, "--json"]) == code
    SCHEMA.validate(json.loads(capsys.readouterr().out))


@pytest.mark.parametrize(
    ("sent", "code"), [(b"-A7\n", 0), (b"\xff\xfe\n", 1), (b"", 1), (b"]d2\x1d\n", 1)]
)
def test_a_line_of_standard_input(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    sent: bytes,
    code: int,
) -> None:
    """`scan -` takes what a reader types, hyphens, foreign bytes and nothing at all; no record."""
    monkeypatch.chdir(tmp_path)
    for name in ("SERIALKEEPER_RECORD", "SERIALKEEPER_PERSON"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(sent)))
    assert run(["scan", "-", "--json"]) == code
    answer = json.loads(capsys.readouterr().out)
    SCHEMA.validate(answer)
    assert answer["record"] is None


def test_nothing_scanned_moves_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Control characters of a scan are shown by their codes, wherever they stand in the answer."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SERIALKEEPER_RECORD", raising=False)
    assert run(["scan", "A\x1b[31m\x07B\x1b"]) == 1
    told = capsys.readouterr().out
    assert "\\x1b[31m\\x07B" in told
    assert all(sign.isprintable() for line in told.splitlines() for sign in line)


def test_a_missing_image_is_not_taken_for_a_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A name that ends like an image's and is not there is refused, with what to do."""
    monkeypatch.chdir(tmp_path)
    for name in ("photo.png", "x" * 5_000 + ".jpg"):
        assert run(["scan", name]) == 1
        assert "[file_missing]" in capsys.readouterr().err


def test_a_named_record_that_is_missing_is_refused(
    databases: Databases, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only where nobody named a record is a scan judged without one."""
    assert run(["--record", databases.nowhere(tmp_path), "scan", "A7"]) == 1
    assert "[record_missing]" in capsys.readouterr().err


def test_a_neighbour_may_be_scanned_in_any_spelling_but_a_doubtful_one(web: Bench) -> None:
    """Carets and a missing identifier name the neighbour; `<GS>` and lost separators do not."""
    line = row(web, 11)
    for good in (
        line["scanned"].removeprefix("]d2").replace("{GS}", "^"),
        f"https://id.gs1.org/01/{GTIN}/21/{line['serial']}",
        line["bracketed"],
    ):
        cut = sk.roll.neighbour(web.record, web.lot, 3, scan=good)
        assert cut["scanned"] == 11
    for bad, word in (
        (line["scanned"].replace("{GS}", "<GS>"), "scan_doubtful"),
        (line["scanned"].replace("{GS}", ""), "bad_value"),
        (line["scanned"].replace("]d2", "]d1"), "scan_symbology"),
    ):
        with pytest.raises(Refused) as refusal:
            sk.roll.neighbour(web.record, web.lot, 3, scan=bad)
        assert refusal.value.word == word


def test_evidence_is_the_planned_code_itself(web: Bench) -> None:
    """A fresh scan without identifier, with `<GS>` or carets proves nothing; a line end is no
    harm, and the picture of the separator is the separator."""
    planned = gs1.from_file(row(web, 3)["scanned"])
    for doubtful in (
        planned.removeprefix("]d2"),
        planned.replace("\x1d", "<GS>"),
        planned.replace("\x1d", "^"),
        planned.swapcase(),
    ):
        with pytest.raises(Refused) as refusal:
            sk.label.accept(
                web.record, web.lot, 3, reason="r", second="Second Person", scan=doubtful
            )
        assert refusal.value.word == "evidence_needed"
    sk.label.accept(
        web.record,
        web.lot,
        3,
        reason="by hand",
        second="Second Person",
        scan=planned.replace("\x1d", "␝") + "\r\n",
    )
    assert web.states()[2] == "commissioned"


def test_label_show_takes_links_and_spelt_codes(web: Bench) -> None:
    """`label show` finds the label by a link and by a code without identifier."""
    line = row(web, 2)
    for text in (
        f"https://id.gs1.org/01/{GTIN}/21/{line['serial']}",
        line["scanned"].removeprefix("]d2").replace("{GS}", "^"),
    ):
        assert sk.label.show(web.record, text)["position"] == 2
    with pytest.raises(Refused):
        sk.label.show(web.record, line["scanned"].replace("{GS}", ""))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda code, _: code.replace("17280630", "17290630"), "expiry 2029-06-30"),
        (lambda code, _: code + "{GS}91KEY", "no (91) is printed"),
        (lambda code, _: code.replace("17280630", "17280600"), "not written as printed"),
        (lambda code, _: code.replace("]d2", "]C1"), "came from ]C1"),
        (lambda _, serial: f"https://id.gs1.org/01/{GTIN}/21/{serial}?17=290630", "expiry 2029"),
        (lambda _, serial: epc.sgtin_urn(GTIN, 6, serial), "prefix has 6 digits"),
    ],
)
def test_a_code_that_contradicts_the_record_is_good_for_nothing(
    web: Bench, spoil: Callable[[str, str], str], said: str
) -> None:
    """The number is right, and something else is not: not good by `scan`, no evidence for a cut,
    no name for `label show`."""
    line = row(web, 11)
    text = spoil(line["scanned"], line["serial"])
    code = scan(web, text)
    assert code["outcome"] == "not good" and said in " ".join(code["against"])
    with pytest.raises(Refused) as cut:
        sk.roll.neighbour(web.record, web.lot, 12, scan=text)
    assert cut.value.word == "scan_elsewhere"
    with pytest.raises(Refused) as shown:
        sk.label.show(web.record, text)
    assert shown.value.word == "scan_doubtful"


def test_a_lot_without_a_number_is_held_against_its_expiry(web: Bench) -> None:
    """(01), (10) and (17) alone: the lot is known, and its expiry is another."""
    code = scan(web, f"]d201{GTIN}1729010110LOT24A")
    assert code["outcome"] == "not good" and "expiry 2029-01-01" in code["against"][0]
    code = scan(web, f"]d201{GTIN}1729139910LOT24A")
    assert code["outcome"] == "malformed" and "expiry 291399" in code["against"][0]


def test_what_is_no_text_is_refused() -> None:
    """Half a character from a reader in another encoding."""
    with pytest.raises(Refused) as refused:
        sk.scan(None, "A\udcff")
    assert refused.value.word == "bad_value"


def test_a_refusal_moves_no_terminal(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """Control characters of what was typed are shown by their codes."""
    for url, typed in ((bench.url, "A\x1b[31m"), (f"{bench.url}\x1b[31m", "A")):
        assert run(["--record", url, "--as", "Line Lead", "label", "show", typed]) != 0
        told = capsys.readouterr().err
        assert "[31m" in told and "\x1b" not in told
