"""Label images as a source: never a wrong text, a results file in web order, refusals by name.

Symbols are written by zint and by libdmtx, harmed by numpy and Pillow, read by zxing-cpp and
libdmtx; the truth is what was written.
"""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import Bench
from hypothesis import given, settings
from hypothesis import strategies as st
from photos import DOT, Gray, label, modules, photograph, save_frames, spoil, web
from PIL import Image

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import decoding, dmtx, images
from serialkeeper.outside.decoding import find_symbols, look_again
from serialkeeper.rules.frames import Symbol

NOWHERE = Path("none.png")


def code(serial: str) -> tuple[str, str]:
    """A label's code for the writer, and as it should be read (GS1 General Specifications)."""
    written = f"[01]09521234543213[21]{serial}[17]280630[10]LOT24A"
    return written, f"]d2010952123454321321{serial}{{GS}}1728063010LOT24A"


def texts(gray: Gray) -> list[str]:
    """What is read on an image at the first look."""
    return [one.text for one in find_symbols(gray, NOWHERE) if one.text]


def at_second_look(gray: Gray, dark: Any) -> Symbol:
    """What is read on an image of one label where the first look read nothing."""
    height, width = gray.shape
    mark = Symbol(width / 2, height / 2, len(dark) * DOT, 0, "", "none")
    return look_again(gray, mark, f"{len(dark)}x{len(dark)}", everywhere=True)


# -- reading -----------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    serial=st.text("ABCDEFGHJKLMNPQRSTUVWX23456789", min_size=12, max_size=12),
    seed=st.integers(0, 2**32),
    harm=st.floats(0, 4.5),
)
def test_a_label_is_read_as_it_is_or_not_at_all(serial: str, seed: int, harm: float) -> None:
    """However a label is harmed, no reader's text is ever another than the one written."""
    written, truth = code(serial)
    dark = modules(written)
    seen = photograph(label(dark), np.random.default_rng(seed), harm, turn=180)
    assert set(texts(seen)) <= {truth}
    assert at_second_look(seen, dark).text in ("", truth)
    second = dmtx.second_reader()
    assert second
    found = second.read(seen, len(dark) * DOT, f"{len(dark)}x{len(dark)}")
    assert found is None or f"]d2{found.data.decode()}".replace("\x1d", "{GS}") == truth


@pytest.mark.parametrize(("harm", "floor"), [(0.0, 57), (1.0, 55)])
def test_most_labels_are_read_at_mild_harm(harm: float, floor: int) -> None:
    """Of 60 labels at any angle, mildly blurred and noisy, nearly all are read at once."""
    chance = np.random.default_rng(4)
    read = 0
    for number in range(60):
        written, truth = code(f"A7K2{number:04d}MRTV")
        read += texts(photograph(label(modules(written)), chance, harm, turn=180)) == [truth]
    assert read >= floor


def test_both_readers_read_clean_labels_and_agree() -> None:
    """Symbols of zint are read alike by zxing-cpp and by libdmtx, in five sizes."""
    sizes = set()
    for length in (1, 4, 8, 12, 20):
        written, truth = code("ABCDEFGHJKLMNPQRSTUV"[:length])
        (one,) = find_symbols(label(modules(written)), NOWHERE)
        assert (one.text, one.agreement) == (truth, decoding.BOTH)
        assert one.unused == 1.0  # nothing had to be corrected
        sizes.add(one.size)
    assert len(sizes) >= 3


@pytest.mark.parametrize(
    ("text", "gs1", "expected"),
    [
        ("[01]09521234543213[21]A7", True, "]d2010952123454321321A7"),
        ("010952123454321321A7", False, "]d1010952123454321321A7"),
        ("\x1d010952123454321321A7", False, "]d1{GS}010952123454321321A7"),
        ("A{GS}B", False, "]d1A{7B}GS{7D}B"),
        ('A\nB\x00C,"D"', False, ']d1A{0A}B{00}C,"D"'),
    ],
)
def test_a_symbol_is_told_as_it_is(text: str, gs1: bool, expected: str) -> None:
    """`]d2` only with FNC1 in first place; no printed text can pass for a separator.

    Source: ISO/IEC 15424 (from memory): 1 is plain ECC 200, 2 is FNC1 in first position.
    """
    (one,) = find_symbols(label(modules(text, gs1=gs1)), NOWHERE)
    assert (one.text, one.agreement) == (expected, decoding.BOTH)


def test_symbols_of_another_writer_are_read() -> None:
    """A symbol written by libdmtx is read by zxing-cpp, as plain DataMatrix, as it was asked."""
    arbez = pytest.importorskip("arbez_dmtx")
    made = arbez.encode(b"010952123454321321A7", scheme="Ascii")
    image = Image.frombytes("RGB", (made.width, made.height), made.pixels).convert("L")
    assert texts(np.asarray(image)) == ["]d1010952123454321321A7"]


@pytest.mark.parametrize("shape", [(1, 1), (3, 90), (90, 9), (12, 12)])
def test_scraps_of_an_image_harm_nobody(shape: tuple[int, int]) -> None:
    """The second reader would end the whole program on a few pixels; it is never shown them."""
    scrap = np.full(shape, 200, dtype=np.uint8)
    scrap[: shape[0] // 2] = 30
    for x, side in ((0, 90.0), (500, 4.0)):
        mark = Symbol(x, x, side, 0, "", "none")
        assert look_again(scrap, mark, "24x24") == mark
    second = dmtx.second_reader()
    assert second
    assert second.read(scrap, 90.0, "24x24") is None


def test_readers_that_differ_leave_a_label_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two texts of one symbol are no text; both stand in the detail."""
    written, truth = code("A7K2")
    other = dmtx.SecondReading(b"010952123454321321B7K2\x1d1728063010LOT24A", "]d2", b"")
    monkeypatch.setattr(dmtx.SecondReader, "read", lambda *_: other)
    (one,) = find_symbols(label(modules(written)), NOWHERE)
    assert (one.text, one.agreement) == ("", decoding.DIFFER)
    assert truth in one.detail
    assert "21B7K2" in one.detail


def test_without_the_second_reader_one_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where libdmtx is not installed everything is read all the same, and it is said."""
    monkeypatch.setattr(decoding, "second_reader", lambda: None)
    written, truth = code("A7K2")
    (one,) = find_symbols(label(modules(written)), NOWHERE)
    assert (one.text, one.agreement) == (truth, decoding.FIRST_ONLY)
    assert decoding.readers()["libdmtx"] is None


# -- from images to findings -------------------------------------------------------------------


def printed(bench: Bench, labels: int = 40) -> list[Gray]:
    """The labels of a print file of four lanes, as they come out of the printer."""
    with bench.printed(labels).open(newline="") as file:
        return [
            label(modules(row["bracketed"].replace("(", "[").replace(")", "]")))
            for row in csv.DictReader(file)
        ]


def in_rows(labels: list[Gray]) -> list[list[Gray | None]]:
    return [list(labels[at : at + 4]) for at in range(0, len(labels), 4)]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    ("overlap", "turn", "ending"),
    [(0.0, 0.0, "png"), (0.2, 1.0, "pgm"), (0.4, -1.5, "tif"), (0.2, 0.0, "jpg")],
)
def test_a_web_in_images_becomes_findings(
    bench: Bench, overlap: float, turn: float, ending: str
) -> None:
    """Two labels spoiled and two swapped, on images: the take finds these four and no other."""
    labels = printed(bench)
    chance = np.random.default_rng(3)
    for position in (14, 27):
        labels[position - 1] = spoil(labels[position - 1], chance)
    labels[5], labels[32] = labels[32], labels[5]  # positions 6 and 33
    strip = web(in_rows(labels))
    paths = save_frames(
        strip, bench.folder / "web", rows=5, overlap=overlap, turn=turn, ending=ending
    )
    results = bench.folder / "results.csv"
    told = sk.inspect.images(bench.folder / "web", out=results, lanes=4, overlap=overlap)
    assert (told["readings"], told["read"], told["rows"], told["lanes"]) == (40, 38, 10, 4)
    assert told["overlaps"] == (len(paths) - 1 if overlap else 0)
    rows = rows_of(results)
    assert [number for number, row in enumerate(rows, 1) if not row["seen"]] == [14, 27]
    assert {row["grade"] for row in rows} == {""}

    sk.inspect.take(bench.record, bench.lot, results)
    assert bench.findings() == {
        14: "unreadable",
        27: "unreadable",
        6: "out_of_place",
        33: "out_of_place",
    }
    assert bench.states().count("commissioned") == 36


def test_an_overlap_that_is_not_said_is_held(bench: Bench) -> None:
    """Labels on two images count twice without --overlap: they are held, and the note says why."""
    save_frames(web(in_rows(printed(bench))), bench.folder / "web", rows=5, overlap=0.2)
    results = bench.folder / "results.csv"
    told = sk.inspect.images(bench.folder / "web", out=results, lanes=4)
    assert told["readings"] == 48
    assert "numbers on two successive images, written twice: 8" in told["notes"][0]
    assert "--overlap 0.20" in told["notes"][0]
    taken = sk.inspect.take(bench.record, bench.lot, results)
    assert taken["findings"]["read_twice"] >= 8
    assert taken["states"].get("commissioned", 0) <= 32


def test_the_manifest_is_evidence(bench: Bench) -> None:
    """Each file's own SHA-256 and size, each row's reading, and a UEC that is no grade."""
    labels = printed(bench)
    labels[9] = spoil(labels[9], np.random.default_rng(3))
    paths = save_frames(web(in_rows(labels)), bench.folder / "web", rows=5)
    (bench.folder / "web" / "notes.txt").write_text("run 1")
    results = bench.folder / "results.csv"
    told = sk.inspect.images(bench.folder / "web", out=results, lanes=4)
    manifest = json.loads(Path(told["manifest"]).read_bytes())
    assert manifest["sha256"] == hashlib.sha256(results.read_bytes()).hexdigest()
    assert [(one["name"], one["sha256"], one["size"]) for one in manifest["images"]] == [
        (path.name, hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_size)
        for path in paths
    ]
    assert [one["symbols"] for one in manifest["images"]] == [19, 20]
    assert [one["readings"] for one in manifest["images"]] == [20, 20]
    assert manifest["left_out"] == ["notes.txt"]
    assert "no verifier grade" in manifest["note"]
    assert set(manifest["readers"]) == {"zxing-cpp", "libdmtx"}
    rows = rows_of(results)
    for one in manifest["labels"]:
        seen = rows[one["line"] - 2]["seen"]
        assert bool(seen) == (one["agreement"] in ("both", "zxing-cpp only", "libdmtx only"))
        assert bool(seen) == (one["UEC"] is not None)
        assert str(one["lane"]) == rows[one["line"] - 2]["lane"]
    unread = [one for one in manifest["labels"] if one["agreement"] == "none"]
    assert [(one["row"], one["lane"]) for one in unread] == [(3, 2)]
    assert unread[0]["detail"]


def test_one_image_a_label(bench: Bench) -> None:
    """Images of single labels are taken in their order; one that shows nothing is unread."""
    folder = bench.folder / "labels"
    folder.mkdir()
    labels = printed(bench, 12)
    labels[6] = spoil(labels[6], np.random.default_rng(3))
    for number, one in enumerate(labels, 1):
        Image.fromarray(one).save(folder / f"label-{number}.png")  # label-10 after label-9
    results = bench.folder / "results.csv"
    told = sk.inspect.images(folder, out=results)
    assert (told["readings"], told["read"], told["lanes"]) == (12, 11, 0)
    sk.inspect.take(bench.record, bench.lot, results)
    assert bench.findings() == {7: "unreadable"}
    assert bench.states().count("commissioned") == 11


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "I;16", "1", "P"])
def test_every_depth_of_image_reads_alike(bench: Bench, mode: str) -> None:
    """Colour, transparency, 16 bits, one bit and a palette: the same texts."""
    folder = bench.folder / "web"
    strip = web(in_rows(printed(bench, 8)))
    folder.mkdir()
    if mode == "I;16":
        Image.fromarray(strip.astype(np.uint16) * 16).save(folder / "web1.tif")
    elif mode == "1":
        Image.fromarray(strip > 128).save(folder / "web1.png")
    else:
        Image.fromarray(strip).convert(mode).save(folder / "web1.png")
    told = sk.inspect.images(folder, out=bench.folder / "results.csv", lanes=4)
    assert told["read"] == 8


# -- refusals ----------------------------------------------------------------------------------


def refused(folder: Path, **more: Any) -> sk.Refused:
    """The refusal of a folder; nothing is left behind."""
    out = folder.parent / "results.csv"
    with pytest.raises(sk.Refused) as refusal:
        sk.inspect.images(folder, out=out, **more)
    assert not list(folder.parent.glob("*results*"))
    return refusal.value


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two images of a small web."""
    labels = [label(modules(code(f"A7K2{number:02d}")[0])) for number in range(16)]
    save_frames(web(in_rows(labels)), tmp_path / "web", rows=2)
    return tmp_path / "web"


@pytest.mark.parametrize("ending", ["png", "jpg", "tif", "pgm"])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9])
def test_a_cut_image_is_refused_with_its_name(folder: Path, ending: str, share: float) -> None:
    """An image file cut anywhere is refused; nothing is made of what is left of it."""
    path = folder / f"web3.{ending}"
    Image.open(folder / "web1.png").rotate(180).save(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    refusal = refused(folder)
    assert refusal.word == "image_unreadable"
    assert refusal.where.endswith(path.name)


def test_what_is_no_image_is_refused_with_its_name(folder: Path) -> None:
    """Another file under an image's ending, and several images in one file."""
    (folder / "web3.png").write_bytes(b"GIF89a" + bytes(200))
    assert refused(folder).where.endswith("web3.png")
    (folder / "web3.png").unlink()
    pages = [Image.open(folder / f"web{n}.png") for n in (1, 2)]
    pages[0].save(folder / "web4.tif", save_all=True, append_images=pages[1:])
    refusal = refused(folder)
    assert (refusal.word, refusal.came) == ("image_unreadable", "2 images in one file")


def test_a_huge_image_is_refused_before_it_is_opened(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The size is known from the first bytes; bombs that claim far more are caught as well."""
    (folder / "web3.pgm").write_bytes(b"P5 20000 20000 255\n")
    refusal = refused(folder)
    assert (refusal.word, refusal.where[-8:]) == ("image_too_large", "web3.pgm")
    (folder / "web3.pgm").write_bytes(b"P5 9000 9000 255\n")
    assert refused(folder).came == "9000 x 9000"
    (folder / "web3.pgm").unlink()
    monkeypatch.setattr(images, "MOST_BYTES", 1_000)
    assert refused(folder).expected == "at most 1,000 bytes"


def test_folders_that_hold_nothing_are_refused(tmp_path: Path) -> None:
    """No folder, an empty one, one without images, and one on whose images nothing reads."""
    assert refused(tmp_path / "none").word == "file_missing"
    empty = tmp_path / "empty"
    empty.mkdir()
    assert refused(empty).came == "an empty folder"
    (empty / "notes.txt").write_text("run 1")
    assert refused(empty).came == "notes.txt"
    Image.new("L", (300, 300), 200).save(empty / "web1.png")
    assert refused(empty).word == "images_empty"


def test_images_without_a_clear_order_are_refused(folder: Path) -> None:
    """Two names with the same number, and the same image under two names."""
    (folder / "web01.png").write_bytes((folder / "web2.png").read_bytes())
    refusal = refused(folder)
    assert (refusal.word, refusal.where) == ("images_order", "web01.png, web1.png")
    (folder / "web01.png").rename(folder / "web7.png")
    refusal = refused(folder)
    assert (refusal.word, refusal.where) == ("images_order", "web2.png, web7.png")


def test_a_web_that_is_not_as_said_is_refused(folder: Path) -> None:
    """Another number of lanes than the images show."""
    refusal = refused(folder, lanes=5)
    assert refusal.word == "images_grid"
    assert refusal.came == "4, with their middles at 105, 315, 525, 735 pixels"


def test_a_camera_upside_down_is_noticed_and_put_right(tmp_path: Path) -> None:
    """Images turned by half a circle join at the other end; --flip both reads them as they run."""
    labels = [label(modules(code(f"A7K2{number:02d}")[0])) for number in range(32)]
    for path in save_frames(web(in_rows(labels)), tmp_path / "plain", rows=4, overlap=0.25):
        (tmp_path / "turned").mkdir(exist_ok=True)
        Image.open(path).rotate(180).save(tmp_path / "turned" / path.name)
    assert "join the other way round" in refused(tmp_path / "turned", overlap=0.25).message
    sk.inspect.images(tmp_path / "plain", out=tmp_path / "plain.csv", overlap=0.25)
    told = sk.inspect.images(
        tmp_path / "turned", out=tmp_path / "turned.csv", overlap=0.25, flip="both"
    )
    assert (told["readings"], told["overlaps"]) == (32, 2)
    assert (tmp_path / "turned.csv").read_bytes() == (tmp_path / "plain.csv").read_bytes()


def test_an_image_may_be_missing_and_it_is_said(folder: Path, tmp_path: Path) -> None:
    """A gap in the numbers of the files is no refusal, but a note."""
    (folder / "web2.png").rename(folder / "web4.png")
    told = sk.inspect.images(folder, out=tmp_path / "results.csv")
    assert told["notes"] == ["an image may be missing: web1.png, web4.png"]


def test_the_command_says_what_it_did(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Counts, the rate reached, the caution; wrong options are usage, and no record is needed."""
    monkeypatch.chdir(folder.parent)
    assert run(["inspect", "images", "web", "--out", "results.csv", "--lanes", "4"]) == 0
    said = capsys.readouterr().out
    assert "2 images, 16 labels (4 lanes, 4 rows): 16 read, 0 not read." in said
    assert "in a second: images " in said
    assert "not a verifier grade" in said
    assert run(["inspect", "images", "web", "--out", "results.csv", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["refused"]["word"] == "file_exists"
    assert run(["inspect", "images", "web", "--out", "other.csv", "--flip", "over"]) == 2
    assert run(["inspect", "images", "web", "--out", "other.csv", "--overlap", "1"]) == 2
    assert not Path("other.csv").exists()
