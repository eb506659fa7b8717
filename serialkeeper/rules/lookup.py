"""A lot's numbers, looked up by what they say."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1
from serialkeeper.rules.chain import BLOCK

KEPT = 100
"""Blocks of texts that are kept at least; a file tells its labels much in their order."""


class Texts:
    """What the labels of a lot say, by position: their numbers, or their whole texts.

    They are fetched a block at a time, and only the blocks asked for last are kept, so that a
    large lot needs no more memory than a small one. Where one question reaches over many blocks,
    as for a file in no order at all, as many are kept.

    >>> texts = Texts.of(pl.Series(["A", "B"]))
    >>> texts.at(np.array([2, 1])).to_list(), texts.places({"B", "C"})
    (['B', 'A'], {'B': 2})
    """

    def __init__(self, count: int, fetch: Callable[[int], pl.Series]) -> None:
        """How many there are, and what gives the texts of block 0 (the first), 1, ..."""
        self._count, self._fetch = count, fetch
        self._kept: dict[int, pl.Series] = {}
        self._most = KEPT

    @classmethod
    def of(cls, texts: pl.Series) -> Texts:
        """Texts that are there."""
        return cls(len(texts), lambda block: texts[block * BLOCK : (block + 1) * BLOCK])

    def __len__(self) -> int:
        return self._count

    @cached_property
    def lengths(self) -> tuple[int, ...]:
        """The lengths that occur, ascending."""
        lengths = {
            length
            for _, texts in self._stretches()
            for length in texts.str.len_chars().unique().to_list()
        }
        return tuple(sorted(lengths))

    def at(self, places: NDArray[np.integer]) -> pl.Series:
        """The texts of positions, each from 1 to their number."""
        block, offset = np.divmod(places - 1, BLOCK)
        asked = np.flatnonzero(np.bincount(block))
        self._most = max(self._most, 2 * len(asked))
        if not len(asked):
            return pl.Series(dtype=pl.String)
        texts = pl.concat([self._block(one) for one in asked.tolist()])
        start = np.zeros(int(asked[-1]) + 1, dtype=np.int64)
        start[asked] = np.arange(len(asked)) * BLOCK
        return texts.gather((start[block] + offset).astype(np.uint32))

    def places(self, texts: set[str]) -> dict[str, int]:
        """The positions of those of the texts that are among these."""
        found: dict[str, int] = {}
        wanted = pl.Series(sorted(texts), dtype=pl.String)
        for first, some in self._stretches() if texts else ():
            there = pl.DataFrame({"text": some}).with_row_index("place", offset=first)
            there = there.filter(pl.col("text").is_in(wanted.implode()))
            found |= dict(zip(there["text"].to_list(), there["place"].to_list(), strict=True))
        return found

    def all(self) -> pl.Series:
        """Every text; they are not kept."""
        return pl.concat([self._fetched(block) for block in self._blocks()])

    def forget(self) -> None:
        """Keep none; what is asked for again is fetched again."""
        self._kept.clear()

    def _blocks(self) -> range:
        return range(-(-self._count // BLOCK))

    def _stretches(self) -> Iterator[tuple[int, pl.Series]]:
        """All texts, some blocks at a time, each time with the first position."""
        blocks = self._blocks()
        for start in blocks[::KEPT]:
            pieces = [self._fetched(block) for block in blocks[start : start + KEPT]]
            yield start * BLOCK + 1, pl.concat(pieces)

    def _fetched(self, block: int) -> pl.Series:
        kept = self._kept.get(block)
        return self._fetch(block) if kept is None else kept

    def _block(self, block: int) -> pl.Series:
        """A block, kept from now on in place of the one that was not asked for the longest."""
        texts = self._fetched(block)
        self._kept.pop(block, None)
        self._kept[block] = texts
        while len(self._kept) > self._most:
            del self._kept[next(iter(self._kept))]
        return texts


class Lookup:
    """Positions by number: 12 bytes a label, made once, quick for a few numbers at a time.

    Texts are found by a hash and then compared, so that two texts of one hash are told apart.

    >>> Lookup(pl.Series(["A", "B"])).find(pl.Series(["B", None, "C"])).tolist()
    [2, 0, 0]
    """

    def __init__(self, serials: pl.Series) -> None:
        self._serials = serials
        hashes = serials.hash(seed=1).to_numpy()
        order = np.argsort(hashes, kind="stable")
        self._position, self._hash = (order + 1).astype(np.int32), hashes[order]

    def find(self, texts: pl.Series) -> NDArray[np.int32]:
        """The position of each text, 0 where it is no number of the lot.

        Args:
            texts: any texts; null is no number.
        """
        found = np.zeros(len(texts), dtype=np.int32)
        hashes = texts.hash(seed=1).to_numpy()
        at = np.searchsorted(self._hash, hashes)
        open_ = np.flatnonzero(texts.is_not_null().to_numpy())
        while len(open_):
            open_ = open_[at[open_] < len(self._hash)]
            open_ = open_[self._hash[at[open_]] == hashes[open_]]
            position = self._position[at[open_]]
            there = self._serials.gather((position - 1).astype(np.uint32))
            same = (there == texts.gather(open_.astype(np.uint32))).to_numpy()
            found[open_[same]] = position[same]
            open_ = open_[~same]
            at[open_] += 1
        return found


def numbers_in(seen: str, lengths: tuple[int, ...]) -> list[str]:
    """What may be a number in a text that is not written as planned.

    Every stretch as long as a number, without separators, as it is and in capitals; and the
    number of a text that is a code, however short it is and whatever else the code carries.
    """
    plain = seen.replace(gs1.FILE_GS, "").replace(" ", "")
    found = [
        text[start : start + length]
        for text in dict.fromkeys((plain, plain.upper()))
        for length in lengths
        for start in range(len(text) - length + 1)
    ]
    try:
        code = gs1.from_file(seen.removeprefix(gs1.DATAMATRIX_ID))
        number = gs1.elements(gs1.ElementString(code)).get("21")
    except Refused:
        number = None
    return found if number is None or number in found else [number, *found]
