"""Kept results files, read once more."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from serialkeeper.outside import camera, devices
from serialkeeper.outside.camera import Batch
from serialkeeper.rules.profiles import Profile


def read(pieces: Iterable[bytes], profile: Profile | None) -> Iterator[Batch]:
    """The rows of a file that was taken before, in order.

    Args:
        pieces: its bytes as they came, piece by piece.
        profile: the camera profile it was read by; None for our own file.
    """
    with tempfile.TemporaryDirectory() as folder, camera.Originals() as passing:
        path = Path(folder) / "results"
        with path.open("wb") as file:
            for piece in pieces:
                file.write(piece)
        yield from devices.read(path, passing, profile)
