"""Signatures: who signed an entry, in which role, and what the signature means.

They stand in the entry that they sign, in its data under `signatures`, so the chain's hash binds
them. Each names the person as printed, the role, the meaning and `content`: the SHA-256 of the
entry's canonical bytes without its signatures. So none can be taken out, or moved to another entry,
unseen (21 CFR 11.50 and 11.70). Date, time and zone of signing are the entry's own.

In a live record a signature means that the person gave name and password: on the command line for
this one command, in an open record of a program when it was opened, or when the second person
confirmed (21 CFR 11.200(a)(1): within one continuous period). In a practice record `practice` says
that nobody gave anything. There is no secret in a signature: whoever can write to the database can
rewrite a chain to its end, signatures included; that shows against heads kept elsewhere only.

Which entries are signed is common practice, no source.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from serialkeeper.rules.chain import Entry

KEY = "signatures"
"""Where they stand in an entry's data."""

SINCE, SETTLED_SINCE, DISCARDED_SINCE = "0014", "0020", "0023"
"""The first schemas whose entries are signed: those of people, who settled a document, and who
discarded a lot."""

DONE, REVIEWED, APPROVED, WITNESSED = "done", "reviewed", "approved", "witnessed"


@dataclass(frozen=True, slots=True)
class Needed:
    """What an entry's signatures mean.

    Attributes:
        second: what the second person's signature means, if there is one.
        always: whether a live record always needs the second person's.
        doer: what the signature of whoever did it means.
        since: the first schema in which such entries are signed.
    """

    second: str = APPROVED
    always: bool = False
    doer: str = DONE
    since: str = SINCE


NEEDED: Mapping[str, Needed] = {
    "lot approved": Needed(always=True),
    "accepted": Needed(always=True),
    "settled": Needed(),
    "roll released": Needed(always=True),
    "run cleared": Needed(always=True, second=REVIEWED),
    "lot closed": Needed(second=REVIEWED),
    "lot decided": Needed(),
    "lot reopened": Needed(always=True),
    "record recovered": Needed(always=True),
    "reviewed": Needed(doer=REVIEWED),
    "decommissioned": Needed(),
    "corrected": Needed(always=True),
    "shipping voided": Needed(),
    "hold lifted": Needed(),
    "destruction counted": Needed(always=True, second=WITNESSED),
    "document settled": Needed(since=SETTLED_SINCE),
    "lot discarded": Needed(since=DISCARDED_SINCE),
}
"""The verbs whose entries are signed. One that was written unsigned before needs a `since` of its
own."""


def may_be_unsigned(found: str) -> bool:
    """Whether a record of that schema may hold unsigned entries that would be signed now."""
    return any(found < one.since for one in NEEDED.values())


def signed(entry: Entry, second_role: str, *, practice: bool) -> Entry:
    """The entry with its signatures; as it is, if it needs none.

    Args:
        second_role: the second person's, if one confirmed.
        practice: whether the record is one for practice.
    """
    needed = NEEDED.get(entry.verb)
    if needed is None:
        return entry
    people = [(entry.person, entry.role, needed.doer)]
    if entry.second:
        people.append((entry.second, second_role, needed.second))
    content = hashlib.sha256(entry.body()).hexdigest()
    made = [
        {
            "person": person,
            "role": role,
            "meaning": meaning,
            "content": content,
            "practice": practice,
        }
        for person, role, meaning in people
    ]
    return replace(entry, data={**entry.data, KEY: made})


def bare(entry: Entry) -> Entry:
    """The entry without its signatures: what they sign, and what the tables are told."""
    if KEY not in entry.data:
        return entry
    return replace(entry, data={name: entry.data[name] for name in entry.data if name != KEY})


def shown(entry: Entry) -> list[dict[str, Any]]:
    """An entry's signatures for people: printed name, role, meaning, whether for practice."""
    names = ("person", "role", "meaning", "practice")
    return [{name: one[name] for name in names} for one in entry.data.get(KEY, ())]


class Signers:
    """Whether a record's entries bear the signatures that they need; told of the house first.

    A signer has to be a person whom the house chain gave that role at some time. The times are not
    compared: stations' clocks differ, and an open record keeps the role that it was opened with.
    What was written before its verb was signed bears none: the entry `record migrated` that brought
    that names, for every chain, how many entries came before it (`unsigned`).
    """

    def __init__(self) -> None:
        self._names: dict[int, str] = {}
        self._roles: dict[str, set[str]] = {}
        self._unsigned: list[tuple[str, Mapping[str, int]]] = []
        self._practice = True

    def note(self, entry: Entry) -> None:
        """Take in an entry of the house chain."""
        data = entry.data
        match entry.verb:
            case "record made":
                self._practice = data["kind"] == "practice"
            case "record migrated":
                self._unsigned.append((data["from"], data.get("unsigned", {})))
            case "person added":
                self._names[data["id"]] = data["name"]
                self._roles[data["name"]] = {data["role"]}
            case "role changed":
                self._roles[self._names[data["person"]]].add(data["role"])

    def fault(self, entry: Entry) -> str:
        """What is wrong with an entry's signatures; empty if nothing is."""
        told, needed = entry.data.get(KEY), NEEDED.get(entry.verb)
        if needed is None:
            return "" if told is None else "it bears signatures, and nobody signs such an entry"
        if told is None:
            before = any(
                found < needed.since and entry.seq <= counts.get(str(entry.chain), 0)
                for found, counts in self._unsigned
            )
            return "" if before else "it is not signed"
        if needed.always and not self._practice and not entry.second:
            return "no second person signed it"
        if entry.token:
            return f"token {entry.token} signed it, and no person"
        if entry.role not in self._roles.get(entry.person, ()):
            return f"its signer {entry.person!r} never was {entry.role!r}"
        plain = bare(entry)
        roles = sorted(self._roles.get(entry.second, ())) if entry.second else [""]
        for role in roles:
            if signed(plain, role, practice=self._practice).data[KEY] == told:
                return ""
        return "its signatures are not of this entry and its people"
