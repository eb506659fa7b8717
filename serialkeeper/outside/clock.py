"""The machine's clock, chance and name, so that everything above takes them as arguments."""

from __future__ import annotations

import os
import random
import secrets
import socket
import time
from datetime import datetime

from serialkeeper.rules.serials import Chance


def now() -> datetime:
    """The current local time with its offset."""
    return datetime.now().astimezone()


def seconds() -> float:
    """Seconds that only ever go on; two of them tell how long something took."""
    return time.monotonic()


def chance(seed: int | None = None) -> Chance:
    """Cryptographic random bytes, or the same bytes for the same seed (practice only)."""
    if seed is None:
        return secrets.token_bytes
    return random.Random(seed).randbytes  # noqa: S311 - practice records only


def station() -> str:
    """The station's name: SERIALKEEPER_STATION, else the computer's name."""
    return _text(os.environ.get("SERIALKEEPER_STATION") or socket.gethostname())


def account() -> str:
    """The name of the system account, kept in practice records."""
    return _text(os.environ.get("LOGNAME") or os.environ.get("USER") or f"uid {os.getuid()}")


def _text(name: str) -> str:
    """A name of the machine's as text that can be kept."""
    return name.encode("utf-8", "replace").decode()
