"""A camera profile written as TOML, such that `profiles.parse` gives the same profile."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from serialkeeper.rules.profiles import Profile

_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


def to_toml(profile: Profile) -> str:
    """The TOML text of a profile: everything that differs from what holds without saying."""
    plain = Profile(profile.format, profile.fields)
    top: dict[str, Any] = {"format": profile.format}
    for name in ("encoding", "line_end", "optional"):
        if getattr(profile, name) != getattr(plain, name):
            top[name] = getattr(profile, name)
    tables: dict[str, dict[str, Any]] = {}
    if profile.format == "csv":
        tables["csv"] = vars(profile.sheet)
    if profile.format == "xml":
        tables["xml"] = {"record": profile.record}
    tables["fields"] = {
        name: places[0] if len(places) == 1 else list(places)
        for name, places in profile.fields.items()
    }
    tables["code"] = {
        name: value
        for name, value in vars(profile.codes).items()
        if name != "identifiers" and value not in ("", ())
    }
    tables["code.identifiers"] = dict(profile.codes.identifiers)
    if "at" in profile.fields:
        tables["time"] = {name: value for name, value in vars(profile.times).items() if value}
    if "verdict" in profile.fields:
        words = profile.verdicts
        tables["verdict"] = {"pass": words.good, "fail": words.bad, "not_given": words.not_given}
    if "grade" in profile.fields:
        tables["grade"] = {
            name: value
            for name, value in vars(profile.grades).items()
            if value != getattr(plain.grades, name) or name == "form"
        }
    if "text" in profile.fields:
        tables["text"] = {"separator": profile.text_separator}
    if profile.lane:
        tables["constant"] = {"lane": profile.lane}
    more = (f"\n[{name}]\n{_lines(table)}" for name, table in tables.items() if table)
    return _lines(top) + "".join(more)


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{_key(name)} = {_value(value)}\n" for name, value in table.items())


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _quoted(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return _quoted(value)
    return "[" + ", ".join(_value(item) for item in value) + "]"


def _quoted(text: str) -> str:
    """A TOML basic string."""
    signs = {'"': '\\"', "\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"}
    return (
        '"'
        + "".join(
            signs.get(sign)
            or (f"\\u{ord(sign):04x}" if ord(sign) < 32 or ord(sign) == 127 else sign)
            for sign in text
        )
        + '"'
    )
