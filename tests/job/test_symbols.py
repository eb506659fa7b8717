"""Symbols, lines and proofs of a real lot, each read back by somebody else's code."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
import resvg_py
import segno
import zxingcpp
from conftest import EXPIRY, GTIN, Bench, as_seen
from numpy.typing import NDArray
from PIL import Image
from symbols import dmtx_read, picture, zxing_read

import serialkeeper as sk
from schemas import valid
from serialkeeper.cli.door import run
from serialkeeper.rules import datamatrix
from serialkeeper.rules.gs1 import from_file

EU = """
lines = ["PC {gtin}", "SN {serial}", "Lot {lot}  EXP {expiry:MM/YYYY}"]
[symbol]
x = 0.3
space = [10, 9]
"""


def laid_out(bench: Bench, text: str, number: str = "EU1", **more: object) -> None:
    """A lot whose product has this layout; the bench works on it from now on."""
    path = bench.folder / "layout.toml"
    path.write_text(text)
    sk.product.layout(bench.record, GTIN, path)
    sk.lot.open(bench.record, GTIN, number, expiry=EXPIRY, target=20, **more)  # type: ignore[arg-type]
    sk.lot.approve(bench.record, number, second="Second Person")
    bench.lot = number


def rows_of(print_file: Path) -> list[dict[str, str]]:
    with print_file.open(newline="") as file:
        return list(csv.DictReader(file))


def rendered(svg: bytes, dpi: int) -> NDArray[np.uint8]:
    """An SVG as an image, by resvg: no code of ours."""
    made = bytes(resvg_py.svg_to_bytes(svg_string=svg.decode(), dpi=dpi))
    image = Image.open(io.BytesIO(made)).convert("RGBA")
    paper = Image.new("RGBA", image.size, "white")
    return np.asarray(Image.alpha_composite(paper, image).convert("L"))


def test_the_lines_of_the_layout_are_printed_and_inspected(bench: Bench) -> None:
    """Print file and camera's text follow the market's lines: the right text is good, the old
    words are a mismatch."""
    laid_out(bench, EU)
    out = bench.printed(3)
    rows = rows_of(out)
    for row in rows:
        assert row["hri1"] == f"PC {GTIN}"
        assert row["hri2"] == f"SN {row['serial']}"
        assert row["hri3"] == "Lot EU1  EXP 06/2028"
        assert row["hri4"] == ""
    seen = as_seen(out)
    for row, printed in zip(seen, rows, strict=True):
        row["text"] = "|".join(printed[f"hri{line}"] for line in (1, 2, 3))
    seen[1]["text"] = f"GTIN {GTIN}|SN {rows[1]['serial']}|LOT EU1|EXP 2028-06-30"
    seen[2]["text"] = seen[2]["text"].replace("06/2028", "07/2028")
    sk.inspect.take(bench.record, bench.lot, bench.results(seen))
    assert bench.states() == ["commissioned", "rejected", "rejected"]
    assert bench.findings() == {2: "text_mismatch", 3: "text_mismatch"}


def test_rehearsals_and_challenges_speak_the_layouts_lines(bench: Bench) -> None:
    """A rehearsal of a lot with its own lines has them right but where a fault was planted."""
    laid_out(bench, EU)
    bench.printed(40)
    out = bench.folder / "rehearsed.csv"
    sk.inspect.rehearse(
        bench.record,
        bench.lot,
        out=out,
        truth=bench.folder / "truth.csv",
        seed=3,
        faults=["text_mismatch@7"],
    )
    assert "Lot EU1  EXP 06/2028" in out.read_text()
    sk.inspect.take(bench.record, bench.lot, out)
    assert bench.findings() == {7: "text_mismatch"}
    made = sk.challenge.make(bench.record, bench.lot, out=bench.folder / "set.csv")
    assert made["labels"] and "PC 0952" in (bench.folder / "set.csv").read_text()


def test_a_lot_keeps_its_layout_whatever_becomes_of_the_product(bench: Bench) -> None:
    """Approval freezes lines and size; a later layout is for later lots; the record stays sound."""
    laid_out(bench, EU)
    frozen = sk.lot.show(bench.record, "EU1")["layout"]
    assert (frozen["size"], frozen["module"]) == ("24x24", 300)
    path = bench.folder / "new.toml"
    path.write_text('lines = ["{serial}"]\n[symbol]\nsize = "36x36"\n')
    sk.product.layout(bench.record, GTIN, path)
    assert sk.lot.show(bench.record, "EU1")["layout"] == frozen
    assert sk.product.show(bench.record, GTIN)["layout"]["size"] == "36x36"
    assert rows_of(bench.printed(1))[0]["hri1"] == f"PC {GTIN}"
    bench.heads()


def test_an_approval_takes_the_layout_of_that_day(bench: Bench) -> None:
    """A draft may be put right: what counts is the product's layout when the lot is approved."""
    sk.lot.open(bench.record, GTIN, "D1", expiry=EXPIRY, target=20)
    path = bench.folder / "small.toml"
    path.write_text("[symbol]\nspace = [9, 9]\n")
    sk.product.layout(bench.record, GTIN, path)
    with pytest.raises(sk.Refused) as refused:
        sk.lot.approve(bench.record, "D1", second="Second Person")
    assert refused.value.word == "symbol_too_large"
    assert "X up to 0.346 mm" in refused.value.remedy  # 9 / (24 + 2)
    path.write_text("[symbol]\nspace = [9, 9]\nx = 0.346\n")
    sk.product.layout(bench.record, GTIN, path)
    assert sk.lot.approve(bench.record, "D1", second="Second Person")["layout"]["module"] == 346


def test_a_month_without_its_day_is_held_against_the_lots_expiry(bench: Bench) -> None:
    """A lot that expires within the month cannot have lines that tell the month only."""
    path = bench.folder / "eu.toml"
    path.write_text(EU)
    sk.product.layout(bench.record, GTIN, path)
    with pytest.raises(sk.Refused) as refused:
        sk.lot.open(bench.record, GTIN, "M1", expiry=date(2028, 6, 29), target=20)
    assert refused.value.word == "layout_invalid"


@pytest.mark.parametrize("shape", ["square", "rectangle"])
def test_exported_symbols_read_as_the_print_file_says(bench: Bench, shape: str) -> None:
    """SVG drawn by resvg, PNG opened by Pillow and the module matrix: each label's symbol reads
    as its row of the print file in zxing-cpp and libdmtx, in the one size of the lot."""
    laid_out(bench, f'[symbol]\nshape = "{shape}"\nx = 0.3\n')
    rows = {row["position"]: row for row in rows_of(bench.printed(12))}
    size = {"square": "24x24", "rectangle": "16x36"}[shape]
    for form in ("svg", "png"):
        out = bench.folder / f"{form}.zip"
        told = sk.print.symbols(bench.record, bench.lot, out=out, form=form, dpi=600)
        assert (told["count"], told["size"]) == (12, size)
        assert told["x"] == pytest.approx(0.3 if form == "svg" else 7 * 25.4 / 600)
        with zipfile.ZipFile(out) as container:
            assert container.testzip() is None
            index = list(csv.DictReader(io.StringIO(container.read("index.csv").decode())))
            assert len(index) == 12 == len(container.namelist()) - 1
            for entry in index:
                row = rows[entry["position"]]
                assert (entry["serial"], entry["bracketed"]) == (row["serial"], row["bracketed"])
                check_symbol(container.read(entry["name"]), form, row, size)
    matrix = bench.folder / "matrix.csv"
    sk.print.symbols(bench.record, bench.lot, out=matrix, form="matrix")
    for entry in rows_of(matrix):
        dark = np.array([list(line) for line in entry["modules"].split("/")]) == "1"
        assert entry["size"] == size == f"{dark.shape[0]}x{dark.shape[1]}"
        read = zxing_read(picture(dark))
        assert read is not None
        assert f"]d2{read.bytes.decode()}" == from_file(rows[entry["position"]]["scanned"])


def check_symbol(data: bytes, form: str, row: dict[str, str], size: str) -> None:
    down, across = (int(side) + 2 for side in size.split("x"))
    if form == "svg":
        gray = rendered(data, 600)
        wanted = (round(down * 0.3 / 25.4 * 600), round(across * 0.3 / 25.4 * 600))
    else:
        image = Image.open(io.BytesIO(data))
        assert image.info["dpi"] == pytest.approx((600, 600), abs=0.1)
        assert "practice" in image.info["Comment"]
        gray = np.asarray(image.convert("L"))
        wanted = (down * 7, across * 7)
    assert np.abs(np.subtract(gray.shape, wanted)).max() <= 1
    read = zxing_read(gray)
    assert read is not None and read.symbology_identifier == "]d2"
    assert f"]d2{read.bytes.decode()}" == from_file(row["scanned"])
    second = dmtx_read(np.pad(gray, 20, constant_values=255))
    assert second is not None and second[1] == size
    assert second[2].decode() == "\x1d" + from_file(row["scanned"])[3:]


def test_only_labels_that_wait_for_the_printer_get_symbols(bench: Bench) -> None:
    """Not before they are issued, and never again once they were read or voided."""
    sk.serials.allocate(bench.record, bench.lot, 4)
    out = bench.folder / "early.zip"
    with pytest.raises(sk.Refused) as refused:
        sk.print.symbols(bench.record, bench.lot, out=out)
    assert refused.value.word == "nothing_to_print" and not out.exists()
    job = bench.folder / "job.csv"
    sk.print.write(bench.record, bench.lot, lanes=1, out=job)
    sk.inspect.take(bench.record, bench.lot, bench.results(as_seen(job)[:1]))
    sk.label.void(bench.record, bench.lot, "2", reason="waste", count=1)
    before = len(sk.lot.show(bench.record, bench.lot)["jobs"])
    told = sk.print.symbols(bench.record, bench.lot, out=out)
    assert (told["count"], told["left_out"]) == (2, 2)
    with zipfile.ZipFile(out) as container:
        assert container.namelist() == ["000000003.svg", "000000004.svg", "index.csv"]
    again = bench.folder / "again.zip"
    assert sk.print.symbols(bench.record, bench.lot, out=again)["sha256"] == told["sha256"]
    assert out.read_bytes() == again.read_bytes()
    assert len(sk.lot.show(bench.record, bench.lot)["jobs"]) == before
    manifest = json.loads((bench.folder / "early.manifest.json").read_text())
    assert (manifest["record"], manifest["sha256"]) == ("practice", told["sha256"])
    bench.heads()


def test_whole_dots_that_outgrow_the_space_are_refused(bench: Bench) -> None:
    """At 203 dpi X 0.33 mm becomes three dots, 0.375 mm: 26 modules then need 9.75 mm of 8.6."""
    laid_out(bench, "[symbol]\nspace = [8.6, 8.6]\nx = 0.33\n")
    bench.printed(2)
    out = bench.folder / "dots.zip"
    with pytest.raises(sk.Refused) as refused:
        sk.print.symbols(bench.record, bench.lot, out=out, form="png", dpi=203)
    assert refused.value.word == "symbol_too_large" and "9.75" in refused.value.came
    assert not out.exists()
    told = sk.print.symbols(bench.record, bench.lot, out=out, form="png", dpi=2400)
    assert (told["dots"], told["x"]) == (31, pytest.approx(31 * 25.4 / 2400))


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("a.zip", {"form": "gif"}),
        ("a.svg", {"form": "svg"}),
        ("a.zip", {"form": "matrix"}),
        ("a.zip", {"form": "png", "dpi": 50}),
        ("a.zip", {"first": 3, "last": 2}),
        ("a.zip", {"first": 0}),
        ("a.zip", {"last": 9}),
    ],
)
def test_an_export_that_is_not_understood_is_refused(
    bench: Bench, name: str, more: dict[str, object]
) -> None:
    """Unknown forms, wrong endings and ranges outside the plan leave no file."""
    bench.printed(5)
    with pytest.raises(sk.Refused) as refused:
        sk.print.symbols(bench.record, bench.lot, out=bench.folder / name, **more)  # type: ignore[arg-type]
    assert refused.value.word in ("bad_value", "nothing_to_print")
    assert not list(bench.folder.glob("a.*"))


def test_a_fit_can_be_tried_with_other_measures(bench: Bench) -> None:
    """`print fit` tells yes or no with the arithmetic, for the lot's measures or others."""
    told = sk.print.fit(bench.record, bench.lot)
    assert (told["fits"], told["size"], told["needs"]) == (None, "24x24", [9.88, 9.88])
    assert sk.print.fit(bench.record, bench.lot, space=(9.88, 9.88))["fits"] is True
    tight = sk.print.fit(bench.record, bench.lot, space=(9.87, 12))
    assert tight["fits"] is False and "0.01 mm too much" in " ".join(tight["arithmetic"])
    assert sk.print.fit(bench.record, bench.lot, x=0.6)["in_range"] is False
    assert sk.print.fit(bench.record, bench.lot, x=0.6, use="pharmacy")["in_range"] is True
    assert sk.print.fit(bench.record, bench.lot, size="16x48")["needs"] == [19.0, 6.84]
    for more in ({"size": "22x22"}, {"size": "8x48"}, {"use": "toys"}, {"x": -1.0}):
        with pytest.raises(sk.Refused):
            sk.print.fit(bench.record, bench.lot, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("ending", ["svg", "pdf"])
def test_a_proof_shows_the_label_twice_and_both_read(bench: Bench, ending: str, paper: str) -> None:
    """The page, drawn by resvg or pdfium, has the label's symbol at true size and enlarged; both
    read as the print file says; the true one measures what it should."""
    laid_out(bench, EU)
    row = rows_of(bench.printed(3))[1]
    out = bench.folder / f"proof.{ending}"
    told = sk.print.proof(bench.record, bench.lot, out=out, position=2, paper=paper)
    assert told["verifier_minimum"] == "1.5/08/660" and told["fits"] and told["in_range"]
    assert set(told["read_back"].values()) == {True}
    assert told["lines"] == [row["hri1"], row["hri2"], row["hri3"]]
    assert told["codewords"][0] == datamatrix.FNC1
    dpi = 400
    if ending == "svg":
        gray = rendered(out.read_bytes(), dpi)
    else:
        page = pypdfium2.PdfDocument(out)[0]
        gray = np.asarray(page.render(scale=dpi / 72).to_pil().convert("L"))
        text = page.get_textpage().get_text_range()
        for line in ("1.5/08/660", "PRACTICE RECORD", "not a validated system", "signature"):
            assert line in text
    width, height = {"A4": (210, 297), "Letter": (215.9, 279.4)}[paper]
    assert gray.shape == pytest.approx((height / 25.4 * dpi, width / 25.4 * dpi), abs=1)
    found = zxingcpp.read_barcodes(np.ascontiguousarray(gray))
    assert [one.symbology_identifier for one in found] == ["]d2", "]d2"]
    assert {f"]d2{one.bytes.decode()}" for one in found} == {from_file(row["scanned"])}
    sides = sorted(
        (one.position.top_right.x - one.position.top_left.x) / dpi * 25.4 for one in found
    )
    assert sides[0] == pytest.approx(24 * 0.3, abs=0.2)
    assert sides[1] == pytest.approx(24 * 0.3 * 8, abs=0.6)


def test_a_proof_before_numbers_shows_a_specimen_with_the_longest_code(bench: Bench) -> None:
    """Without labels the page is filled with a number that no label has, and says so."""
    out = bench.folder / "proof.svg"
    told = sk.print.proof(bench.record, bench.lot, out=out)
    assert told["position"] == 0 and "(21)AAAAAAAAAAAA(17)" in told["bracketed"]
    assert "specimen: no label" in out.read_text()
    bench.printed(2)
    with pytest.raises(sk.Refused) as refused:
        sk.print.proof(bench.record, bench.lot, out=bench.folder / "p3.svg", position=3)
    assert refused.value.word == "label_unknown"
    for name, more in (("p.png", {}), ("p.svg", {"paper": "A5"}), ("p.svg", {"use": "toys"})):
        with pytest.raises(sk.Refused):
            sk.print.proof(bench.record, bench.lot, out=bench.folder / name, **more)  # type: ignore[arg-type]
    with pytest.raises(sk.Refused) as refused:
        sk.print.proof(bench.record, bench.lot, out=out)
    assert refused.value.word == "file_exists"


@pytest.mark.parametrize("number", ["<GS>", "%2F/..", "(10)A", "W" * 20, "\"&'<>", "{GS}"[1:3]])
def test_awkward_lot_numbers_survive_every_form(bench: Bench, number: str) -> None:
    """Signs that mean something to XML, CSV, paths or bracketed text stay what they are."""
    laid_out(bench, EU.replace("0.3", "0.26"), number)
    row = rows_of(bench.printed(1))[0]
    out, page = bench.folder / "one.zip", bench.folder / "proof.svg"
    told = sk.print.symbols(bench.record, f"{GTIN}/{number}", out=out)
    with zipfile.ZipFile(out) as container:
        check = zxing_read(rendered(container.read("000000001.svg"), 900))
    assert check is not None
    assert f"]d2{check.bytes.decode()}" == from_file(row["scanned"])
    assert check.bytes.decode().endswith(f"10{number}")
    sk.print.proof(bench.record, f"{GTIN}/{number}", out=page)
    read = zxingcpp.read_barcodes(np.ascontiguousarray(rendered(page.read_bytes(), 300)))
    assert {one.bytes for one in read} == {check.bytes}
    assert told["lot"] == number


def test_digital_links_are_exported_as_qr_symbols(bench: Bench) -> None:
    """`--form qr`: each label's GS1 Digital Link in a QR symbol of one size, read by zxing-cpp as
    ]Q1; it is no larger than what segno makes of the same link in byte mode."""
    rows = {row["position"]: row for row in rows_of(bench.printed(4))}
    out = bench.folder / "links.zip"
    told = sk.print.symbols(bench.record, bench.lot, out=out, form="qr")
    link = f"https://id.gs1.org/01/{GTIN}/21/"
    other = segno.make_qr(link + "a" * 12, error="m", boost_error=False)
    side = int(told["size"].partition("x")[0])
    assert 21 < side <= other.symbol_size(border=0)[0]
    with zipfile.ZipFile(out) as container:
        for position, row in rows.items():
            read = zxing_read(rendered(container.read(f"{int(position):09}.svg"), 600))
            assert read is not None and read.symbology_identifier == "]Q1"
            assert (read.bytes.decode(), read.ec_level) == (link + row["serial"], "M")
            assert 17 + 4 * int(read.extra["Version"]) == side


@pytest.mark.parametrize("ending", ["svg", "pdf"])
@pytest.mark.parametrize(
    ("carrier", "identifier", "x"),
    [("gs1-128", "]C1", 0.495), ("gs1-128", "]C1", 0.94), ("datamatrix", "]d2", 0.75)],
)
def test_an_sscc_is_written_and_read(
    tmp_path: Path, carrier: str, identifier: str, x: float, ending: str
) -> None:
    """GS1-128 and GS1 DataMatrix of a case or pallet, drawn by resvg or pdfium, read by zxing-cpp;
    the number is the one of the check digits in GS1's demonstration range."""
    number = "095212340000000013"
    out = tmp_path / f"sscc.{ending}"
    told = sk.print.sscc(number, out=out, carrier=carrier, x=x)
    if ending == "svg":
        gray = rendered(out.read_bytes(), 600)
    else:
        page = pypdfium2.PdfDocument(out)[0]
        gray = np.asarray(page.render(scale=600 / 72).to_pil().convert("L"))
    read = zxing_read(gray)
    assert read is not None
    assert (read.symbology_identifier, read.bytes) == (identifier, f"00{number}".encode())
    assert gray.shape[1] == pytest.approx(told["needs"][0] / 25.4 * 600, abs=2)
    if carrier == "gs1-128":  # start, FNC1, 10 pairs, check: 11 modules each, stop 13
        assert told["needs"][0] == pytest.approx((13 * 11 + 13 + 2 * 10) * x, abs=0.01)


@pytest.mark.parametrize(
    ("number", "more"),
    [
        ("095212340000000014", {}),
        ("09521234000000001", {}),
        ("09521234000000001X", {}),
        ("095212340000000013", {"carrier": "qr"}),
        ("095212340000000013", {"x": 0.4}),
        ("095212340000000013", {"carrier": "datamatrix", "x": 0.5}),
    ],
)
def test_an_sscc_that_is_none_gets_no_symbol(
    tmp_path: Path, number: str, more: dict[str, object]
) -> None:
    """Wrong check digits, lengths, carriers and X-dimensions are refused; no file is left."""
    with pytest.raises(sk.Refused) as refused:
        sk.print.sscc(number, out=tmp_path / "sscc.svg", **more)  # type: ignore[arg-type]
    assert refused.value.word == "bad_value"
    assert not list(tmp_path.iterdir())


def test_answers_of_the_commands_follow_their_schemas(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """`print symbols`, `print proof` and `print fit` on the command line: exit codes, and the
    documents that `schemas/` describes."""
    laid_out(bench, EU)
    bench.printed(3)
    folder, common = bench.folder, ["--record", bench.url, "--as", "Line Lead", "--json", "print"]

    def called(*words: str) -> tuple[int, dict[str, object]]:
        code = run([*common, *words])
        return code, json.loads(capsys.readouterr().out)

    code, told = called("symbols", "EU1", "--out", str(folder / "s.zip"))
    assert code == 0 and told["count"] == 3
    valid("symbols-manifest", json.loads((folder / "s.manifest.json").read_text()))
    code, told = called("proof", "EU1", "--out", str(folder / "p.pdf"))
    assert code == 0
    valid("print-proof", told)
    code, told = called("fit", "EU1")
    assert code == 0
    valid("print-fit", told)
    code, told = called("fit", "EU1", "--space", "5", "5")
    assert code == 5 and told["fits"] is False
    valid("print-fit", told)
    assert called("proof", "EU1", "--out", str(folder / "d.svg"), "--use", "distribution")[0] == 5
    code, told = called("symbols", "EU1", "--out", str(folder / "s.zip"))
    assert code == 1 and told["refused"]["word"] == "file_exists"  # type: ignore[index]
