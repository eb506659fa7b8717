"""What entries do to a lot's own row: its facts, and where it stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from serialkeeper.rules.chain import Entry, canonical
from serialkeeper.rules.changes import Change, Insert, Row, Update


def lot_row(key: Row, values: Mapping[str, Any]) -> Update:
    """A change of a lot's row."""
    return Update("lot", {"product_id": key["product_id"], "id": key["lot_id"]}, dict(values))


def as_text(facts: Row | list[Row] | None) -> str:
    """A layout, or pack levels, as the tables keep them."""
    return canonical(facts).decode() if facts else ""


def _opened(entry: Entry, key: Row) -> list[Change]:
    facts = {name: entry.data[name] for name in entry.data if name not in ("house_head", "again")}
    facts["layout"] = as_text(facts.get("layout"))  # older lots have none of these
    older = {"place": "", "production_order": ""}
    row = {**older, **facts, "state": "draft", "labels": 0, "packs": ""}
    if not entry.data.get("again"):
        return [Insert("lot", row)]
    return [lot_row(key, {name: row[name] for name in row if name not in ("product_id", "id")})]


def _approved(entry: Entry, key: Row) -> list[Change]:
    facts = dict(entry.data)
    for name in ("layout", "packs"):
        if name in facts:
            facts[name] = as_text(facts[name])
    return [lot_row(key, {"state": "approved", **facts})]


def _into(state: str) -> Callable[[Entry, Row], list[Change]]:
    return lambda _entry, key: [lot_row(key, {"state": state})]


HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "lot opened": _opened,
    "lot discarded": _into("discarded"),
    "lot approved": _approved,
    "reconciled": _into("reconciled"),
    "lot closed": _into("closed"),
    "lot reopened": _into("running"),
}
"""What entries of a lot's chain do."""
