"""A lot's numbers, looked up by what they say."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from serialkeeper.errors import Refused
from serialkeeper.rules import gs1


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
