"""Signatures: what they say (21 CFR 11.50), and that none serves another entry (21 CFR 11.70)."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import pytest

from serialkeeper.rules import replay
from serialkeeper.rules.chain import Entry, LotKey
from serialkeeper.rules.rights import may
from serialkeeper.rules.signatures import KEY, NEEDED, Signers, bare, shown, signed

LENA, CARLA, LOT = "Lena Lead", "Carla Check", LotKey(1, 1)


def entry(chain: int, seq: int, verb: str, second: str = "", **data: Any) -> Entry:
    at = "2026-06-01T08:00:00.000Z"
    return Entry(chain, seq, verb, at, 120, LENA, "line lead", second, "line 1", "", data)


def signers(*more: Entry, kind: str = "live") -> Signers:
    """What a record's house says of its people."""
    told = Signers()
    house = [entry(0, 1, "record made", kind=kind)]
    for id_, (name, role) in enumerate([(LENA, "line lead"), (CARLA, "compliance")], 1):
        house.append(entry(0, id_ + 1, "person added", id=id_, name=name, role=role))
    for one in (*house, *more):
        told.note(one)
    return told


APPROVED = signed(
    entry(1, 3, "lot approved", CARLA, minimum_grade=15), "compliance", practice=False
)


def test_a_signature_says_who_in_which_role_and_what_it_means() -> None:
    """Both people, each with a meaning, over the bytes of the entry without signatures."""
    assert shown(APPROVED) == [
        {"person": LENA, "role": "line lead", "meaning": "done", "practice": False},
        {"person": CARLA, "role": "compliance", "meaning": "approved", "practice": False},
    ]
    content = hashlib.sha256(bare(APPROVED).body()).hexdigest()
    assert {one["content"] for one in APPROVED.data[KEY]} == {content}
    assert bare(APPROVED).data == {"minimum_grade": 15}
    assert signers().fault(APPROVED) == ""
    assert replay.changes(APPROVED, LOT) == replay.changes(bare(APPROVED), LOT)


@pytest.mark.parametrize(
    "change",
    [
        {"seq": 4},
        {"chain": 2},
        {"at": "2026-06-02T08:00:00.000Z"},
        {"offset": 60},
        {"reason": "other"},
        {"station": "line 2"},
        {"person": CARLA, "role": "compliance"},
        {"second": ""},
        {"second": LENA},
        {"second": "Nobody Here"},
        {"role": "compliance"},
        {"data": {**APPROVED.data, "minimum_grade": 10}},
        {"data": {"minimum_grade": 15}},
        {"data": {"minimum_grade": 15, KEY: "x"}},
        {"data": {"minimum_grade": 15, KEY: APPROVED.data[KEY][:1]}},
        {"data": {"minimum_grade": 15, KEY: APPROVED.data[KEY][::-1]}},
        {"verb": "settled"},
        {"verb": "counted"},
    ],
)
def test_it_serves_no_other_entry(change: dict[str, Any]) -> None:
    """Whatever of the entry is changed shows, without any look at the chain's hashes."""
    assert signers().fault(replace(APPROVED, **change))


def test_it_serves_no_other_kind_of_record() -> None:
    """A signature for practice is none in a live record, nor the other way round."""
    assert signers(kind="practice").fault(APPROVED)
    alone = signed(entry(1, 3, "lot approved"), "", practice=True)
    assert signers(kind="practice").fault(alone) == ""
    assert signers().fault(alone)
    assert signers().fault(signed(entry(1, 3, "lot approved"), "", practice=False))


def test_roles_that_somebody_had_count_and_others_do_not() -> None:
    """A changed role adds one."""
    changed = signed(replace(entry(1, 3, "hold lifted"), role="compliance"), "", practice=False)
    assert signers().fault(changed)
    assert signers(entry(0, 4, "role changed", person=1, role="compliance")).fault(changed) == ""


def test_only_entries_from_before_may_be_unsigned() -> None:
    """So many of each chain as the migration counted, and no later migration takes more."""
    plain = entry(1, 3, "lot closed")
    assert signers().fault(plain)
    first = entry(0, 4, "record migrated", **{"from": "0013", "to": "0014", "unsigned": {"1": 3}})
    later = entry(0, 5, "record migrated", **{"from": "0014", "to": "0015", "unsigned": {"1": 9}})
    told = signers(first, later)
    assert told.fault(plain) == ""
    assert told.fault(replace(plain, seq=4))
    assert told.fault(replace(plain, chain=2))
    gone = entry(1, 2, "lot discarded")
    before = entry(0, 6, "record migrated", **{"from": "0022", "to": "0023", "unsigned": {"1": 2}})
    assert signers(before).fault(gone) == "" and signers(before).fault(replace(gone, seq=3))
    settled = entry(1, 9, "document settled")
    assert signers(first).fault(settled) and told.fault(settled) == ""  # signed since 0020


def test_what_is_signed_is_written_by_people_who_decide() -> None:
    """Each is a verb of a lot's chain, but the recovery of a record; and none that an operator may
    write, but the clearance of the line and what was destroyed before a witness, which are theirs
    too."""
    assert set(NEEDED) <= set(replay.VERBS)
    assert set(NEEDED) & replay.HOUSE_VERBS == {"record recovered"}
    theirs = [verb for verb in NEEDED if may(verb, "operator", practice=False)]
    assert theirs == ["run cleared", "destruction counted"]
    for verb in replay.HOUSE_VERBS - set(NEEDED):
        assert KEY not in signed(entry(0, 1, verb), "", practice=True).data
