"""From places of symbols on images to the order of the web: held against a simulated web.

Source: none but the simulation's own truth; the geometry is ours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules.frames import Frame, Symbol, in_order, missing_numbers
from serialkeeper.rules.placing import arrange

SIDE, ROW, LANE, WIDE = 80.0, 150.0, 170.0, 900


@dataclass
class Scene:
    """A simulated web: the text at each row and lane, and how it is photographed."""

    texts: list[list[str]]
    frame_rows: int
    overlap: float
    tilt: float
    flip: str
    jitter: float
    chance: Random

    def frames(self) -> list[Frame]:
        """Images that show every symbol that lies on them whole."""
        height = round(self.frame_rows * ROW)
        step = height * (1 - self.overlap)
        made = []
        while len(made) * step < len(self.texts) * ROW - (height - step):
            made.append(self._frame(len(made), len(made) * step, height))
        return made

    def _frame(self, number: int, top: float, height: int) -> Frame:
        found = []
        for row, across in enumerate(self.texts):
            for lane, text in enumerate(across):
                x = 100 + lane * LANE + self._shake()
                y = (row + 0.5) * ROW - top + self._shake()
                if self.flip in ("lanes", "both"):
                    x = WIDE - x
                if self.flip in ("rows", "both"):
                    y = height - y
                x, y = self._tilted(x, y, height)
                if min(x, y, WIDE - x, height - y) >= SIDE / 2 and text != "gone":
                    found.append(Symbol(x, y, SIDE, self.tilt, text, "both"))
        self.chance.shuffle(found)
        return Frame(f"web{number}.png", WIDE, height, tuple(found))

    def _shake(self) -> float:
        return self.chance.uniform(-self.jitter, self.jitter)

    def _tilted(self, x: float, y: float, height: int) -> tuple[float, float]:
        turn = radians(self.tilt)
        x, y = x - WIDE / 2, y - height / 2
        return (
            WIDE / 2 + x * cos(turn) - y * sin(turn),
            height / 2 + x * sin(turn) + y * cos(turn),
        )


def plain(rows: int = 12, lanes: int = 4, **more: object) -> Scene:
    """A web with a number of its own on every label; `more` changes how it is photographed."""
    texts = [[f"r{row}l{lane}" for lane in range(lanes)] for row in range(rows)]
    scene = Scene(texts, 4, 0.25, 0.0, "none", 0.0, Random(1))
    return replace(scene, **more)  # type: ignore[arg-type]


def read(scene: Scene, *, lanes: int | None = None, overlap: float | None = None) -> list[str]:
    """The texts in web order; `?` where a label is unread."""
    over = scene.overlap if overlap is None else overlap
    made = arrange(scene.frames(), lanes=lanes, flip=scene.flip, overlap=over)
    return [place.symbol.text or "?" for _, _, place in made.places()]


@settings(max_examples=80, deadline=None)
@given(
    rows=st.integers(4, 25),
    lanes=st.integers(2, 5),
    frame_rows=st.integers(3, 6),
    shared=st.integers(1, 2),
    tilt=st.floats(-2, 2),
    flip=st.sampled_from(["none", "rows", "lanes", "both"]),
    jitter=st.floats(0, 6),
    seed=st.integers(0, 2**32),
)
def test_every_label_comes_once_and_in_its_place(
    rows: int,
    lanes: int,
    frame_rows: int,
    shared: int,
    tilt: float,
    flip: str,
    jitter: float,
    seed: int,
) -> None:
    """However the web is photographed, overlapping images give its labels row by row, once."""
    scene = plain(
        rows,
        lanes,
        frame_rows=frame_rows,
        overlap=shared / frame_rows,
        tilt=tilt,
        flip=flip,
        jitter=jitter,
        chance=Random(seed),
    )
    whole = frame_rows * ROW * 0.5 * abs(sin(radians(tilt))) + SIDE < ROW
    made = read(scene)
    if whole:  # no label was cut off at the images' sides by their tilt
        assert made == [text for across in scene.texts for text in across]


@settings(max_examples=60, deadline=None)
@given(
    spoiled=st.sets(st.tuples(st.integers(0, 11), st.integers(0, 3)), max_size=12),
    seed=st.integers(0, 2**32),
)
def test_holes_are_unread_labels_only_where_the_grid_proves_them(
    spoiled: set[tuple[int, int]], seed: int
) -> None:
    """A gap of a lane in a row that others show is a label; before, behind and alone it is not."""
    scene = plain(chance=Random(seed))
    for row, lane in spoiled:
        scene.texts[row][lane] = "gone"
    wanted = []
    for row, across in enumerate(scene.texts):
        for lane, text in enumerate(across):
            own = [r for r in range(12) if scene.texts[r][lane] != "gone"]
            inside = own and own[0] < row < own[-1] and any(one != "gone" for one in across)
            if text != "gone" or inside:
                wanted.append("?" if text == "gone" else text)
    assert read(scene, overlap=0.25) == wanted or _unproven(scene)


def _unproven(scene: Scene) -> bool:
    """Whether some pair of images shares no number that could prove the overlap."""
    made = arrange(scene.frames(), overlap=scene.overlap)
    return any("overlap not proven" in note for note in made.notes)


def test_a_printer_that_repeats_a_record_is_no_overlap() -> None:
    """The same numbers a whole row further on are written twice, so that the take holds them."""
    scene = plain(12, overlap=0.0, frame_rows=4)
    scene.texts[4] = list(scene.texts[3])  # the last row of one image, the first of the next
    plan = [text for across in scene.texts for text in across]
    for claimed in (0.0, 0.1, 0.2, 0.25, 0.3, 0.4):
        assert read(scene, overlap=claimed) == plan
    repeated = plain(12)
    repeated.texts[4] = list(repeated.texts[3])  # across a true overlap of one row
    assert sorted(read(repeated)).count("r3l0") >= 2


def test_a_wrong_overlap_joins_nothing() -> None:
    """Numbers at another distance than said, or texts that contradict, leave all as it is."""
    scene = plain(overlap=0.25)
    made = arrange(scene.frames(), overlap=0.5)
    assert made.joined == 0
    assert made.notes[0] == "overlap not proven, every symbol is written: web0.png, web1.png"
    frames = scene.frames()
    bad = replace(frames[1].symbols[0], text="other")
    top = min(frames[1].symbols, key=lambda one: (round(one.y), one.x))
    symbols = tuple(
        replace(bad, x=top.x, y=top.y) if one is top else one for one in frames[1].symbols
    )
    frames[1] = replace(frames[1], symbols=symbols)
    made = arrange(frames, overlap=0.25)
    assert made.joined == len(frames) - 2
    assert len(list(made.places())) == 48 + 4


def test_images_that_join_at_the_other_end_are_refused() -> None:
    """Rows from bottom to top show in the overlap; the refusal names the option."""
    scene = plain(flip="rows")
    with pytest.raises(Refused) as refusal:
        arrange(scene.frames(), overlap=0.25)
    assert refusal.value.word == "images_grid"
    assert "--flip rows" in refusal.value.remedy


def test_a_label_read_on_one_of_two_images_is_read() -> None:
    """What one image shows unread and the other read, is read; unread on both is one unread."""
    scene = plain()
    frames = scene.frames()
    for number, text in ((0, "r3l1"), (1, "r3l1"), (0, "r3l2")):
        symbols = tuple(
            replace(one, text="", agreement="none") if one.text == text else one
            for one in frames[number].symbols
        )
        frames[number] = replace(frames[number], symbols=symbols)
    made = [place.symbol.text or "?" for _, _, place in arrange(frames, overlap=0.25).places()]
    assert made[12:16] == ["r3l0", "?", "r3l2", "r3l3"]
    assert len(made) == 48


def test_marks_outside_the_grid_are_no_labels() -> None:
    """Unread marks between lanes, between rows, too large, or cut by the edge are left out."""
    scene = plain(4, overlap=0.0)
    (frame,) = scene.frames()
    mark = Symbol(100, 75, SIDE, 0, "", "none")
    marks = (
        replace(mark, x=185),
        replace(mark, y=150),
        replace(mark, side=200),
        replace(mark, y=590),
        mark,  # where a symbol was read already
    )
    made = arrange([replace(frame, symbols=frame.symbols + marks)])
    assert made.left_out == 5
    assert len(list(made.places())) == 16
    assert not made.holes


def test_a_row_of_marks_is_a_row() -> None:
    """A row that nobody could read, but where something stands in a lane, is an unread label."""
    scene = plain(4, overlap=0.0)
    scene.texts[2] = ["gone"] * 4
    (frame,) = scene.frames()
    mark = Symbol(100 + LANE, 2.5 * ROW, SIDE * 0.9, 0, "", "none")
    made = arrange([replace(frame, symbols=(*frame.symbols, mark))])
    assert [(row, lane) for row, lane, place in made.places() if not place.symbol.text] == [(3, 2)]


@pytest.mark.parametrize("lanes", [1, 3, 5])
def test_other_lanes_than_said_are_refused(lanes: int) -> None:
    """The refusal says how many lanes there are, and where."""
    with pytest.raises(Refused) as refusal:
        arrange(plain().frames(), lanes=lanes)
    assert refusal.value.came == "4, with their middles at 100, 270, 440, 610 pixels"


def test_two_symbols_in_one_place_are_refused() -> None:
    """Two codes a label are no grid; nothing chooses between them."""
    scene = plain(4, overlap=0.0)
    (frame,) = scene.frames()
    twin = replace(frame.symbols[0], x=frame.symbols[0].x + 10, text="twin")
    with pytest.raises(Refused) as refusal:
        arrange([replace(frame, symbols=(*frame.symbols, twin))])
    assert "twin" in refusal.value.came


def test_names_are_put_in_natural_order() -> None:
    """Numbers count as numbers wherever they stand, endings do not count, ties are refused."""
    names = ["web10.png", "web9.PNG", "Web 2.tif", "a1b10.pgm", "a1b9.pgm", "3.png"]
    assert in_order(names) == [
        "3.png",
        "a1b9.pgm",
        "a1b10.pgm",
        "web9.PNG",
        "web10.png",
        "Web 2.tif",
    ]
    for one, other in (("web1.png", "web01.png"), ("web1.png", "web1.tif"), ("A1.png", "a1.png")):
        with pytest.raises(Refused) as refusal:
            in_order([one, other])
        assert refusal.value.word == "images_order"


def test_gaps_in_the_numbers_are_named() -> None:
    """Only where two names differ in one number alone is a gap in it told."""
    names = ["r1-web1.png", "r1-web2.png", "r1-web4.png", "r2-web1.png", "x.png"]
    assert missing_numbers(names) == ["r1-web2.png, r1-web4.png"]
