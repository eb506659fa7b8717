"""What all tests share: the standards folder, and a record to work on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def standards() -> Path:
    """The folder of official schemas and check vectors; they are not part of this project."""
    named = os.environ.get("SERIALKEEPER_STANDARDS")
    if not named:
        pytest.skip("SERIALKEEPER_STANDARDS names no folder of official schemas and vectors")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"SERIALKEEPER_STANDARDS names {folder}, which is no folder")
    return folder
