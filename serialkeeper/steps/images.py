"""Images of labels: every symbol read and put in the order of the web, as a results file."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import orjson
import polars as pl

from serialkeeper.errors import Refused, WrongUsage
from serialkeeper.outside import camera, clock
from serialkeeper.outside.decoding import AGREEMENTS, find_symbols, look_again, readers
from serialkeeper.outside.files import Delivery
from serialkeeper.outside.images import find_images, open_image
from serialkeeper.rules import frames
from serialkeeper.rules.fields import COLUMNS
from serialkeeper.rules.frames import Arrangement, Frame, Place
from serialkeeper.rules.jobs import MOST_LANES
from serialkeeper.rules.placing import arrange

_T = TypeVar("_T")

UEC_NOTE = (
    "UEC is the unused error correction of ISO/IEC 15415 as zxing-cpp reports it of one image; "
    "it is no verifier grade, and no grade is made of it"
)


@dataclass(frozen=True, slots=True)
class _Looked:
    """An image that was read: its file's evidence, and what was found on it."""

    evidence: dict[str, Any]
    frame: Frame


def read_images(
    folder: Path,
    *,
    out: Path,
    lanes: int | None = None,
    flip: str = "none",
    overlap: float = 0.0,
) -> dict[str, Any]:
    """Read every DataMatrix symbol on the images of a folder; write our results file.

    `inspect take` takes the file in. Beside it `NAME.manifest.json` says what every image was
    (SHA-256) and how every symbol was read. No record is touched.

    Args:
        folder: images in the natural order of their names.
        out: the results file to make.
        lanes: lanes on the images; None takes as many as are found.
        flip: `none`, `rows` (bottom to top), `lanes` (right to left) or `both`.
        overlap: part of an image's height that the next one shows again, 0 to 0.9.

    Refuses `images_empty`, `images_order`, `images_grid`, `image_unreadable`,
    `image_too_large`, `file_exists`, `file_missing`.

    Returns:
        folder, file, manifest, sha256, images, readers, options, readings, read, not_read,
        agreement, rows, lanes, overlaps, seen_twice, notes, left_out, and the rate reached.
    """
    _check(out, lanes, flip, overlap)
    started = clock.seconds()
    images, left_out = find_images(folder)
    names = frames.in_order(images)
    with Delivery(out) as file, Delivery(_manifest_path(out)) as beside:
        looked = list(_in_parallel(lambda name: _look(folder / name), names))
        _check_once(looked)
        made = arrange([one.frame for one in looked], lanes=lanes, flip=flip, overlap=overlap)
        _look_at_holes(folder, looked, made)
        file.write(_results(made))
        sha256 = file.sync()
        result = {
            "sha256": sha256,
            "readers": readers(),
            "options": {"lanes": lanes, "flip": flip, "overlap": overlap},
            **_found(names, made),
            "left_out": left_out,
        }
        beside.write(_manifest(out, result, looked, made))
        beside.sync()
        file.deliver()
        beside.deliver()
    took = max(clock.seconds() - started, 1e-6)
    return {
        "folder": str(folder),
        "file": str(out),
        "manifest": str(beside.path),
        "images": len(names),
        **result,
        "seconds": round(took, 3),
        "images_per_second": round(len(names) / took, 1),
        "symbols_per_second": round(result["readings"] / took, 1),
    }


def _check(out: Path, lanes: int | None, flip: str, overlap: float) -> None:
    """Refuses `usage` for options that cannot be."""
    wrong = ""
    if lanes is not None and not 1 <= lanes <= MOST_LANES:
        wrong, expected = f"--lanes {lanes}", f"1 to {MOST_LANES} lanes"
    if flip not in frames.FLIPS:
        wrong, expected = f"--flip {flip}", ", ".join(frames.FLIPS)
    if not 0 <= overlap <= 0.9:
        wrong, expected = f"--overlap {overlap}", "0 to 0.9 of an image's height"
    if not out.name:
        wrong, expected = f"--out {out}", "a file name such as results.csv"
    if wrong:
        raise WrongUsage(
            "usage",
            "The images cannot be read that way.",
            expected=expected,
            came=wrong,
            remedy="See: serialkeeper inspect images --help",
        )


def _manifest_path(out: Path) -> Path:
    return out.with_name(f"{out.stem}.manifest.json")


def _in_parallel(do: Callable[[str], _T], names: Sequence[str]) -> Iterator[_T]:
    """Results in order; only as many images are open as there are processors."""
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        yield from pool.map(do, names)


def _look(path: Path) -> _Looked:
    picture = open_image(path)
    height, width = picture.gray.shape
    evidence = {
        "name": picture.name,
        "sha256": picture.sha256,
        "size": picture.size,
        "width": width,
        "height": height,
    }
    return _Looked(evidence, Frame(picture.name, width, height, find_symbols(picture.gray, path)))


def _check_once(looked: list[_Looked]) -> None:
    """Refuses `images_order` for an image that is there twice."""
    first: dict[str, str] = {}
    for one in looked:
        name, sha256 = one.evidence["name"], one.evidence["sha256"]
        if sha256 in first:
            raise Refused(
                "images_order",
                "The same image is there twice.",
                where=f"{first[sha256]}, {name}",
                expected="every image once",
                came="the same bytes under two names",
                remedy="Take one of them out of the folder.",
            )
        first[sha256] = name


def _look_at_holes(folder: Path, looked: list[_Looked], made: Arrangement) -> None:
    """Look again where the grid has a place and nothing was read; put in what is found."""
    sizes = Counter(place.symbol.size for _, _, place in made.places() if place.symbol.text)
    usual = sizes.most_common(1)[0][0]
    by_image: dict[int, list[tuple[int, int, Place]]] = {}
    for hole in made.holes:
        by_image.setdefault(hole[2].frame, []).append(hole)

    def again(name: str) -> list[tuple[int, int, Place]]:
        picture = open_image(folder / name)
        number = numbers[name]
        if picture.sha256 != looked[number].evidence["sha256"]:
            raise Refused(
                "image_unreadable",
                "The image changed while it was read.",
                where=str(folder / name),
                expected=f"SHA-256 {looked[number].evidence['sha256']}",
                came=picture.sha256,
                remedy="Wait until the camera has written all images, then start again.",
            )
        return [
            (row, lane, replace(place, symbol=_again(picture.gray, place, usual, made)))
            for row, lane, place in by_image[number]
        ]

    numbers = {looked[number].frame.name: number for number in by_image}
    for found in _in_parallel(again, list(numbers)):
        for row, lane, place in found:
            made.rows[row].lanes[lane] = place


def _again(gray: Any, place: Place, usual: str, made: Arrangement) -> frames.Symbol:
    return look_again(gray, place.symbol, place.symbol.size or usual, everywhere=not made.lanes)


def _results(made: Arrangement) -> bytes:
    """The readings in web order, in our own form; lanes where there is more than one."""
    rows = [
        {
            **dict.fromkeys(COLUMNS, ""),
            "lane": str(lane) if made.lanes > 1 else "",
            "seen": place.symbol.text,
        }
        for _, lane, place in made.places()
    ]
    return camera.table(pl.DataFrame(rows, schema=dict.fromkeys(COLUMNS, pl.String)))


def _found(names: list[str], made: Arrangement) -> dict[str, Any]:
    places = [place.symbol for _, _, place in made.places()]
    agreement = Counter(symbol.agreement for symbol in places)
    notes = [f"an image may be missing: {gap}" for gap in frames.missing_numbers(names)]
    notes += made.notes
    if made.left_out:
        notes.append(f"unread marks in no place of a label: {made.left_out}")
    return {
        "readings": len(places),
        "read": sum(bool(symbol.text) for symbol in places),
        "not_read": sum(not symbol.text for symbol in places),
        "agreement": _in_words(agreement),
        "rows": len(made.rows),
        "lanes": made.lanes,
        "overlaps": made.joined,
        "seen_twice": made.merged,
        "notes": notes,
    }


def _manifest(out: Path, result: dict[str, Any], looked: list[_Looked], made: Arrangement) -> bytes:
    labels = _labels(looked, made)
    manifest = {
        "results": out.name,
        **result,
        "note": UEC_NOTE,
        "images": _evidence(looked, made, labels),
        "labels": labels,
    }
    return orjson.dumps(manifest, option=orjson.OPT_INDENT_2) + b"\n"


def _labels(looked: list[_Looked], made: Arrangement) -> list[dict[str, Any]]:
    """How every row of the results file came about; the header is line 1."""
    return [
        {
            "line": line,
            "image": looked[place.frame].frame.name,
            "row": row,
            "lane": lane if made.lanes else None,
            "x": round(place.symbol.x),
            "y": round(place.symbol.y),
            "side": round(place.symbol.side),
            "modules": place.symbol.size or None,
            "agreement": place.symbol.agreement,
            "UEC": None if place.symbol.unused is None else round(place.symbol.unused, 2),
            "detail": place.symbol.detail or None,
        }
        for line, (row, lane, place) in enumerate(made.places(), 2)
    ]


def _evidence(
    looked: list[_Looked], made: Arrangement, labels: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Every image with its SHA-256, and how its symbols were read."""
    counts: dict[str, Counter[str]] = {one.frame.name: Counter() for one in looked}
    for label in labels:
        counts[label["image"]][label["agreement"]] += 1
    return [
        {
            **one.evidence,
            "tilt": tilt,
            "symbols": sum(bool(symbol.text) for symbol in one.frame.symbols),
            "readings": counts[one.frame.name].total(),
            "agreement": _in_words(counts[one.frame.name]),
        }
        for one, tilt in zip(looked, made.tilt, strict=True)
    ]


def _in_words(counts: Counter[str]) -> dict[str, int]:
    return {word: counts[word] for word in AGREEMENTS if counts[word]}
