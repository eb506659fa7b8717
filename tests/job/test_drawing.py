"""The roll drawing: every doubtful label is found on it, where it stands and by its letter.

Drawings are read back with lxml as the XML they are, and pictures with Pillow. Paper sizes are
those of ISO 216 (A4 210 x 297 mm, A3 297 x 420 mm). The contrast of letters is held against the
formula of WCAG 2.1, section 1.4.3 (both from memory).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import Bench, as_seen
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from PIL import Image

import serialkeeper as sk
from serialkeeper.outside import pictures
from serialkeeper.rules import drawing, findings
from serialkeeper.rules.doubts import (
    _SIGN_OF,
    SIGNS,
    Stretch,
    Told,
    cut_stretch,
    find_doubts,
    printed,
)
from serialkeeper.rules.figures import DASHED, OUTLINES, TONES, Sheet, svg
from serialkeeper.rules.jobs import Shape
from serialkeeper.rules.strips import make_strips

SVG = "{http://www.w3.org/2000/svg}"
WORDS = [word for word in findings.ORDER if word not in ("not_issued", "voided_number")]


def web(rows: int, lanes: int, bad: dict[int, str], *, waiting: int = 0) -> Stretch:
    """A printed web with findings by position; the last `waiting` labels were not inspected."""
    count = rows * lanes
    states = bytearray(b"c" * (count - waiting) + b"i" * waiting)
    told = []
    for position, word in bad.items():
        states[position - 1] = ord("i" if word in findings.NOT_SEEN else "r")
        told.append(Told(position, word, findings.WORDS[word][0]))
    shape = Shape(((1, count),), lanes, "rows")
    return find_doubts(cut_stretch(printed(shape), bytes(states)), told, {})


def scene(stretch: Stretch, **more: Any) -> drawing.Scene:
    facts = {
        "lot": "LOT24A",
        "gtin": "09521234543213",
        "product": 'Demo <tablets> & "more" \x07',
        "web": "print job 1",
        "head": "journal entry 7, head 00ff",
        "drawn": "2026-06-01",
        "pitch": 25.0,
        "practice": True,
        "paper": "A4",
        "sheets": 0,
        "serials": {int(p): f"SERIAL{p:06d}" for p in stretch.position.ravel() if p},
    }
    return drawing.Scene(**{**facts, **more})


def parsed(sheets: list[Sheet]) -> list[etree._Element]:
    return [etree.fromstring(svg(sheet).encode()) for sheet in sheets]


def groups(sheets: list[etree._Element], kind: str) -> list[etree._Element]:
    return [g for sheet in sheets for g in sheet.iter(f"{SVG}g") if g.get("class") == kind]


def texts(element: etree._Element) -> list[str]:
    return [str(text.text) for text in element.iter(f"{SVG}text")]


def rectangle(group: etree._Element) -> tuple[float, float, float, float]:
    found = group.find(f"{SVG}rect")
    assert found is not None
    x, y, width, height = (float(found.get(name, "")) for name in ("x", "y", "width", "height"))
    return x, y, width, height


def by_position(found: list[etree._Element]) -> dict[int, etree._Element]:
    """Groups by position; none may stand there twice."""
    named = {int(group.get("data-position", "")): group for group in found}
    assert len(named) == len(found)
    return named


def spread(count: int, every: int, start: int = 1) -> dict[int, str]:
    """Findings of all words, one each `every` labels."""
    places = range(start, count + 1, every)
    return {place: WORDS[index % len(WORDS)] for index, place in enumerate(places)}


@pytest.mark.parametrize(
    ("rows", "lanes", "every", "paper"),
    [
        (50, 4, 17, "A4"),
        (50, 4, 17, "A3"),
        (513, 4, 31, "A4"),
        (40, 33, 97, "A4"),
        (200, 1, 9, "A4"),
    ],
)
def test_every_doubtful_label_stands_once_large_and_once_on_the_web(
    rows: int, lanes: int, every: int, paper: str
) -> None:
    """With its own letter, row and lane, and the end of its number; nobody else has a sign."""
    bad = spread(rows * lanes, every)
    stretch = web(rows, lanes, bad)
    sheets, shown = drawing.draw(stretch, scene(stretch, paper=paper))
    assert shown == len(bad)
    pages = parsed(sheets)
    large, ticks = by_position(groups(pages, "doubtful")), by_position(groups(pages, "tick"))
    assert set(large) == set(ticks) == set(bad)
    for position, word in bad.items():
        group, letter = large[position], _SIGN_OF[word]
        place = ((position - 1) // lanes + 1, (position - 1) % lanes + 1)
        for one in (group, ticks[position]):
            assert one.get("data-sign") == letter
            assert (int(one.get("data-row", "")), int(one.get("data-lane", ""))) == place
        assert texts(group) == [letter, str(position), f"..{position % 10000:04d}"]


@pytest.mark.parametrize(("rows", "lanes"), [(50, 4), (513, 4), (50_000, 4), (3_000, 12)])
def test_labels_stand_to_scale(rows: int, lanes: int) -> None:
    """In each column of the folded web a label's distance from another is its rows' distance
    times one scale that all columns share; columns go on where the last one ended."""
    stretch = web(rows, lanes, spread(rows * lanes, max(rows * lanes // 400, 7)))
    sheets, _ = drawing.draw(stretch, scene(stretch, sheets=1))
    ticks = groups(parsed(sheets), "tick")
    columns: dict[float, list[tuple[int, float]]] = {}
    for tick in ticks:
        x, y, width, _ = rectangle(tick)
        lane = int(tick.get("data-lane", ""))
        columns.setdefault(round(x - (lane - 1) * width, 2), []).append(
            (int(tick.get("data-row", "")), y)
        )
    scales = []
    for some in columns.values():
        some.sort()
        (first, top), (last, bottom) = some[0], some[-1]
        assert last > first
        scale = (bottom - top) / (last - first)
        scales.append(scale)
        for row, y in some:
            assert y == pytest.approx(top + (row - first) * scale, abs=0.01)
    assert scales == pytest.approx([scales[0]] * len(scales), rel=0.01)
    in_order = [row for x in sorted(columns) for row, _ in columns[x]]
    assert in_order == sorted(in_order)
    assert (len(columns) > 1) == (rows > 60)


@given(
    st.dictionaries(st.integers(1, 360), st.sampled_from(WORDS), max_size=80),
    st.sampled_from([1, 2, 4, 9]),
    st.sampled_from(["A4", "A3"]),
)
@settings(max_examples=40, deadline=None)
def test_nothing_is_lost_and_nothing_leaves_the_sheet(
    bad: dict[int, str], lanes: int, paper: str
) -> None:
    """Whatever is wrong wherever: each doubtful label stands on one strip, or in the line that
    says that rows left out are all alike; all figures lie on the paper."""
    stretch = web(360 // lanes, lanes, bad)
    sheets, shown = drawing.draw(stretch, scene(stretch, paper=paper))
    pages = parsed(sheets)
    alike = sum(int(line.get("data-doubts", "")) for line in groups(pages, "like"))
    assert shown == len(bad) == len(by_position(groups(pages, "doubtful"))) + alike
    wide, high = drawing.PAPERS[paper]
    for page in pages:
        assert page.get("viewBox") == f"0 0 {wide:g} {high:g}"
        for text in page.iter(f"{SVG}text"):
            assert 0 < float(text.get("x", "")) < wide and 0 < float(text.get("y", "")) < high
        for box in page.iter(f"{SVG}rect"):
            x, y, width, height = (
                float(box.get(name, "0")) for name in ("x", "y", "width", "height")
            )
            assert x + width <= wide + 0.01 and y + height <= high + 0.01


def test_what_is_wrong_is_told_whole() -> None:
    """A sentence that is longer than its strip is wide goes on below, and pushes the next strip
    down; none is cut."""
    said = "the text starts with something that nobody ever planned, and goes on for a while"
    bad = dict.fromkeys((5, 60, 130), "unreadable")
    stretch = web(50, 4, bad)
    told = replace(stretch, doubts=tuple(replace(one, text=said) for one in stretch.doubts))
    sheets, _ = drawing.draw(told, scene(told))
    for strip in groups(parsed(sheets), "strip"):
        lines = texts(strip)
        assert said in " ".join(" ".join(lines).split()) and not any("..." in one for one in lines)


def test_a_lane_that_fell_out_is_shown_by_its_ends() -> None:
    """600 unread labels in a row in one lane: a few at each end, and a line with the others."""
    bad = dict.fromkeys(range(402, 2802, 4), "unreadable") | {1201: "foreign"}
    stretch = web(1000, 4, bad)
    sheets, shown = drawing.draw(stretch, scene(stretch))
    assert (len(sheets), shown) == (2, 601)
    pages = parsed(sheets)
    lines = groups(pages, "like")
    assert sum(int(line.get("data-doubts", "")) for line in lines) + 18 == 601
    assert "lane 2: 192 U" in texts(lines[0])[0]
    assert "G" not in {one.get("data-sign") for one in groups(pages, "doubtful")}


def test_labels_too_close_for_a_sign_each_share_a_box_with_their_number() -> None:
    """On a long web each sign or number on the band stands for labels of its own: the numbers
    add up to all."""
    bad = spread(40_000, 23)
    stretch = web(10_000, 4, bad)
    sheets, _ = drawing.draw(stretch, scene(stretch, sheets=1))
    [page] = parsed(sheets)
    single = [t for t in page if t.tag == f"{SVG}text" and t.text in SIGNS and t.get("font-weight")]
    boxes = [
        int(t.text or 0)
        for t in page
        if t.tag == f"{SVG}text" and t.get("font-weight") == "bold" and (t.text or "").isdigit()
    ]
    assert len(single) + sum(boxes) == len(bad)
    assert min(boxes) > 1


def test_a_number_of_sheets_is_a_limit_that_is_spoken_of() -> None:
    """Two sheets of many: every sheet says how many labels are shown large, in bold, and that
    the others stand on the web; without a limit all of them are."""
    bad = spread(4_000, 40)
    stretch = web(1_000, 4, bad)
    sheets, shown = drawing.draw(stretch, scene(stretch, sheets=2))
    assert len(sheets) == 2 and 0 < shown < len(bad)
    for page in parsed(sheets):
        said = [t for t in page.iter(f"{SVG}text") if "in strips" in (t.text or "")]
        assert [t.get("font-weight") for t in said] == ["bold"]
        assert f"100 doubtful labels, {shown} of them in strips" in str(said[0].text)
    sheets, shown = drawing.draw(stretch, scene(stretch))
    assert (shown, len(sheets) > 2) == (100, True)
    assert [t for page in parsed(sheets) for t in texts(page) if "in strips" in t] == []


def test_each_sheet_says_what_it_is_and_what_it_is_not() -> None:
    """Lot, job, head, time, practice, number of sheets, cautions and the legend on every sheet."""
    bad = spread(4_000, 150)
    stretch = web(1_000, 4, bad, waiting=8)
    sheets, _ = drawing.draw(stretch, scene(stretch))
    used = Counter(_SIGN_OF[word] for word in bad.values())
    for number, page in enumerate(parsed(sheets), 1):
        told = " ".join(texts(page))
        for words in (
            "lot LOT24A",
            "print job 1",
            "rows 1 to 1,000",
            "4,000 labels",
            "pitch 25 mm, 25.00 m",
            "journal entry 7, head 00ff",
            "2026-06-01",
            "PRACTICE RECORD",
            f"sheet {number} of {len(sheets)}",
            "not a validated system",
            "not a verifier grade",
            "No machine is stopped",
            "blanks, stops and cut-outs",
            "8 not inspected yet",
            'Demo <tablets> & "more" \ufffd',
        ):
            assert words in told, words
        legend = [texts(entry) for entry in groups([page], "legend")]
        for letter, count in used.items():
            assert [letter, f"{SIGNS[letter].title}: {count:,}"] in legend


def test_without_a_pitch_there_are_no_metres() -> None:
    """Rows only, and the heading says so."""
    stretch = web(50, 4, {7: "unreadable"})
    sheets, _ = drawing.draw(stretch, scene(stretch, pitch=0.0))
    told = [text for page in parsed(sheets) for text in texts(page)]
    assert any("pitch not given: no metres" in text for text in told)
    assert not any(text.endswith(" m") for text in told)


def test_signs_differ_by_letter_by_shape_and_by_tone() -> None:
    """Every finding has a sign; no two share letter or shape; the four tones are apart as grey by
    at least a fifth of the scale, and letters have a contrast of 4.5 to 1 or are large beside
    their shape; what may not be there at all has a broken outline."""

    def grey(colour: str) -> float:
        red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
        return 0.299 * red + 0.587 * green + 0.114 * blue  # ITU-R BT.601 (from memory)

    def light(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        red, green, blue = (
            p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    assert set(_SIGN_OF) == set(findings.ORDER)
    assert len({sign.shape for sign in SIGNS.values()}) == len(SIGNS)
    outlines = [corners for shape, corners in OUTLINES.items() if shape not in DASHED and corners]
    assert len(set(outlines)) == len(outlines)
    tones = sorted(grey(fill) for fill, _ in TONES.values())
    assert min(np.diff(tones)) >= 0.2
    for fill, ink in TONES.values():
        pair = sorted((light(fill), light(ink)))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5
    for sign in SIGNS.values():
        assert (sign.tone == "open") == (sign.shape in DASHED)


def test_the_picture_shows_what_the_drawing_says() -> None:
    """PNG of 200 dots per inch; at a doubtful label's place there is ink, at a good one's the
    good tone, and both survive in grey."""
    stretch = web(50, 4, {14: "foreign"})
    sheets, _ = drawing.draw(stretch, scene(stretch))
    data = pictures.png(sheets[0])
    [page] = parsed(sheets[:1])
    image = Image.open(BytesIO(data))
    assert image.size == (round(297 / 25.4 * 200), round(210 / 25.4 * 200))
    grey = np.asarray(image.convert("L"))
    x, y, width, height = rectangle(groups([page], "tick")[0])

    def patch(left: float, top: float) -> Any:
        scale = 200 / 25.4
        return grey[
            round(top * scale) : round((top + height) * scale),
            round(left * scale) : round((left + width) * scale),
        ]

    assert patch(x, y).min() < 60
    good = patch(x + width, y)[3:-3, 3:-3]
    assert good.min() > 225 and np.median(good) < 245


def test_a_machine_without_fonts_draws_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """The letters that come with Pillow take over; the heading is there in ink."""
    stretch = web(50, 4, {14: "foreign"})
    sheets, _ = drawing.draw(stretch, scene(stretch, product="Démo"))

    load = pictures.ImageFont.truetype

    def missing(font: Any, *more: Any, **options: Any) -> Any:
        if isinstance(font, str):
            raise OSError
        return load(font, *more, **options)

    monkeypatch.setattr(pictures.ImageFont, "truetype", missing)
    pictures._font.cache_clear()
    try:
        image = Image.open(BytesIO(pictures.png(sheets[0])))
    finally:
        pictures._font.cache_clear()
    heading = np.asarray(image.convert("L"))[80:120, 80:600]
    assert heading.min() < 60 and 0.02 < (heading < 128).mean() < 0.5


def test_200_000_labels_are_drawn_whole() -> None:
    """Thirty sheets of a web with 4,000 doubtful labels: each of them on the first sheet's band,
    and no sheet too large to open."""
    stretch = web(50_000, 4, spread(200_000, 50))
    sheets, shown = drawing.draw(stretch, scene(stretch, sheets=30))
    made = [svg(sheet) for sheet in sheets]
    assert len(sheets) == 30 and 100 < shown < 4_000
    assert max(len(one) for one in made) < 3_000_000
    assert len(by_position(groups(parsed(sheets[:1]), "tick"))) == 4_000


# -- on a record ---------------------------------------------------------------------------


def inspected(bench: Bench, labels: int = 200, **more: Any) -> list[dict[str, Any]]:
    """A lot of which some labels are bad: 14 unreadable, 33 not seen, 50 a low grade."""
    rows = as_seen(bench.printed(labels, **more))
    rows[13]["seen"] = ""
    rows[49]["grade"] = "1.0"
    del rows[32]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    return rows


def test_a_drawing_changes_nothing_and_is_never_overwritten(bench: Bench) -> None:
    """The record's heads stay; files that are there are refused and nothing is written beside
    them; SVG and PNG by the name's ending, any other is refused."""
    inspected(bench)
    heads = bench.heads()
    for ending in ("svg", "png"):
        out = bench.folder / f"roll.{ending}"
        made = sk.roll.draw(bench.record, bench.lot, out=out, pitch=30)
        assert made["files"][0] == str(out) and all(Path(name).exists() for name in made["files"])
        assert (made["doubtful"], made["in_strips"], made["signs"]) == (
            3,
            3,
            {"U": 1, "Q": 1, "N": 1},
        )
    there = sorted(bench.folder.iterdir())
    for out, word in (("roll.svg", "file_exists"), ("roll.pdf", "bad_value")):
        with pytest.raises(sk.Refused) as refused:
            sk.roll.draw(bench.record, bench.lot, out=bench.folder / out)
        assert refused.value.word == word
    assert sorted(bench.folder.iterdir()) == there
    assert bench.heads() == heads


def test_a_part_of_the_web_is_drawn_as_that_part(bench: Bench) -> None:
    """Rows 3 to 9 of lane 1: only their labels, and metres counted from row 3."""
    inspected(bench)
    out = bench.folder / "part.svg"
    made = sk.roll.draw(bench.record, bench.lot, out=out, rows="3-9", lane=1, pitch=100)
    assert (made["rows"], made["lanes"], made["labels"]) == ([3, 9], [1], 7)
    page = etree.parse(out).getroot()
    [found] = groups([page], "doubtful")
    assert found.get("data-position") == "33"
    assert "0.60 m" in texts(page) and "0.00 m" in texts(page)
    assert "0.70 m by pitch" in " ".join(texts(page))


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"rows": "0-5"}, "bad_value"),
        ({"rows": "9-3"}, "bad_value"),
        ({"rows": "1-51"}, "bad_value"),
        ({"rows": "row 4"}, "bad_value"),
        ({"lane": 5}, "bad_value"),
        ({"paper": "A0"}, "bad_value"),
        ({"pitch": -1.0}, "bad_value"),
        ({"job": 2}, "job_unknown"),
    ],
)
def test_what_cannot_be_drawn_is_refused(bench: Bench, more: dict[str, Any], word: str) -> None:
    """Rows, lanes, papers and jobs that are not there: refused, and no file."""
    inspected(bench)
    with pytest.raises(sk.Refused) as refused:
        sk.roll.draw(bench.record, bench.lot, out=bench.folder / "no.svg", **more)
    assert refused.value.word == word
    assert not (bench.folder / "no.svg").exists()


def test_of_several_print_jobs_one_has_to_be_named(bench: Bench) -> None:
    """Each job counts rows of its own; a lot that was not printed has no web."""
    with pytest.raises(sk.Refused) as refused:
        sk.roll.draw(bench.record, bench.lot, out=bench.folder / "a.svg")
    assert refused.value.word == "nothing_printed"
    bench.printed(40)
    bench.printed(20)
    with pytest.raises(sk.Refused) as refused:
        sk.roll.draw(bench.record, bench.lot, out=bench.folder / "a.svg")
    assert (refused.value.word, refused.value.expected) == ("bad_value", "--job with one of 1, 2")
    made = sk.roll.draw(bench.record, bench.lot, out=bench.folder / "a.svg", job=2)
    assert (made["labels"], made["not_inspected"], made["doubtful"]) == (20, 20, 0)


def test_strips_of_a_clean_web_are_none() -> None:
    """No doubt, no strip, one sheet."""
    stretch = web(50, 4, {})
    assert make_strips(stretch, 277) == []
    assert len(drawing.draw(stretch, scene(stretch))[0]) == 1
