"""The steps of the main job in order, what each needs, and what tables call them."""

from __future__ import annotations

from collections.abc import Iterable

_INSPECTED = ("allocate", "print", "rehearse", "take")

BEFORE: dict[str, tuple[str, ...]] = {
    "allocate": (),
    "print": ("allocate",),
    "rehearse": ("allocate", "print"),
    "take": ("allocate", "print", "rehearse"),
    "events_json": _INSPECTED,
    "events_xml": _INSPECTED,
    "verify": _INSPECTED,
    "look_up": ("allocate",),
    "life": _INSPECTED,
    "rest": _INSPECTED,
}
"""Every step, and those that have to be done before it, measured or not."""

MEASURED = tuple(step for step in BEFORE if step != "rehearse")

TITLES = {
    "allocate": "allocate",
    "print": "print file",
    "rehearse": "inspect rehearse",
    "take": "inspect take",
    "events_json": "events write, JSON-LD",
    "events_xml": "events write, XML",
    "verify": "record verify, with replay",
    "look_up": "one label by GTIN + serial",
    "life": "label show, whole life",
    "rest": "at rest, per label",
    "rest_bare": "at rest without originals, per label",
    "growth": "allocate: stored / nothing stored",
    "imports": "imports only",
    "start": "record and lot only",
    "demo": "demo",
}

AGAINST = {
    "allocate": "raw `executemany` of the same rows into a table without index",
    "print": "SHA-256 and synced write of the same bytes",
    "take": "one `csv.reader` pass over the file, and the raw `executemany`",
    "events_json": "SHA-256 and synced write of the same bytes",
    "events_xml": "SHA-256 and synced write of the same bytes",
    "verify": "SHA-256 over the parts, and one full fetch of the label table",
    "growth": "itself with nothing stored",
    "look_up": "",
}
"""What a step is held against (`limits.py`), in words; the steps that have a target."""


def needed(steps: Iterable[str]) -> list[str]:
    """These steps and all that have to be done before them, in order."""
    wanted = set(steps)
    wanted |= {before for step in steps for before in BEFORE[step]}
    return [step for step in BEFORE if step in wanted]
