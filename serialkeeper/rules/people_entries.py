"""What the journal's entries about people do to the tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from serialkeeper.rules.chain import Entry
from serialkeeper.rules.changes import Change, Insert, Row, Update


def _added(entry: Entry, _key: Row) -> list[Change]:
    rest = {"added": entry.at, "temporary": 0}
    rest |= dict.fromkeys(("retired", "password", "badge", "pin"), "")
    return [Insert("person", {**entry.data, **rest})]


def _role_changed(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"role": entry.data["role"]})]


def _retired(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"retired": entry.at})]


def _password_changed(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"password": entry.data["sha256"], "temporary": 0})]


def _password_given(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"password": entry.data["sha256"], "temporary": 1})]


def _badge_given(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"badge": entry.data["sha256"], "pin": ""})]


def _pin_changed(entry: Entry, _key: Row) -> list[Change]:
    return [_person(entry, {"pin": entry.data["sha256"]})]


def _token_given(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("token", {**entry.data, "at": entry.at, "revoked": ""})]


def _token_revoked(entry: Entry, _key: Row) -> list[Change]:
    return [Update("token", {"id": entry.data["id"]}, {"revoked": entry.at})]


def _person(entry: Entry, values: Row) -> Update:
    return Update("person", {"id": entry.data["person"]}, values)


def _rules_set(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("password_rules", {"idle": 0, **entry.data, "at": entry.at})]


def _alarmed(entry: Entry, _key: Row) -> list[Change]:
    cleared = {"cleared_by": "", "cleared_at": "", "cause": ""}
    row = {**entry.data, "station": entry.station, "at": entry.at}
    return [Insert("sign_in_alarm", {**row, **cleared})]


def _cleared(entry: Entry, _key: Row) -> list[Change]:
    said = {"cleared_by": entry.person, "cleared_at": entry.at, "cause": entry.reason}
    return [Update("sign_in_alarm", {"id": entry.data["alarm"]}, said)]


HOUSE_HANDLERS: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "person added": _added,
    "role changed": _role_changed,
    "person retired": _retired,
    "password changed": _password_changed,
    "password given": _password_given,
    "badge given": _badge_given,
    "pin changed": _pin_changed,
    "token given": _token_given,
    "token revoked": _token_revoked,
    "password rules set": _rules_set,
    "sign-ins failed": _alarmed,
    "sign-ins cleared": _cleared,
}
"""What entries of the house's chain do."""
