"""Who may write which entry, held against a list that was written by hand, verb by verb."""

from __future__ import annotations

import pytest

from serialkeeper.errors import Refused
from serialkeeper.rules import rights
from serialkeeper.rules.moves import ROLES
from serialkeeper.rules.replay import VERBS

ONLY = {
    "operator": set(),
    "line lead": {
        *("layout set", "packs set", "lot registered", "lot opened"),
        *("allocation started", "numbers imported", "allocated", "issued", "symbols written"),
    },
    "compliance": {
        "hold lifted",
        "lot decided",
        "lot reopened",
        "reviewed",
        "record recovered",
        "allocation moved",
        "import given up",
        "corrected",
        "ssccs given up",
        "document settled",
    },
    "integrator": set(),
    "administrator": {
        *("record made", "record migrated", "person added", "station added", "role changed"),
        *(
            "person retired",
            "password given",
            "password rules set",
            "sign-ins cleared",
            "badge given",
        ),
    },
}
"""What one role alone may write."""

LINE = {
    *("run started", "run cleared", "run challenged", "run stopped", "clock checked", "run ended"),
    *(
        "grade noted",
        "profile kept",
        "take started",
        "taken",
        "take finished",
        "follow started",
        "followed",
    ),
    *("finish asked", "alarms acknowledged", "challenge run", "roll added", "roll slit"),
    *("roll turned", "roll marked", "labels removed", "label replaced", "ssccs reserved"),
    *("ssccs given", "packs numbered", "packed", "pack checked", "pack label made"),
    *("pack label checked", "pack label torn", "packs shipped", "counted", "held", "unpacked"),
    "destruction counted",
}
"""What is done at the line: operator and line lead."""

DECIDED = {
    *(
        "lot approved",
        "lot discarded",
        "accepted",
        "settled",
        "voided",
        "numbers returned",
        "decommissioned",
    ),
    *(
        "packs decommissioned",
        "shipping voided",
        "roll released",
        "reconciled",
        "lot closed",
        "lot closing noted",
    ),
    *("held", "unpacked", "challenge made", "prefixes reserved", "ssccs reserved"),
    *("lot reported", "destruction counted"),
}
"""What is decided: line lead and compliance."""

SETTINGS = {
    *("backup made", "backup sealed", "record restored"),
    *("record moved", "move called off", "move confirmed", "record taken over"),
    *("alarm rules set", "planted", "challenge made", "checkpoint key named", "custodian named"),
}
"""What touches the record and its settings: compliance and the administrator."""

MASTER_DATA = {"product added", "location added", "file imported"}
"""What is taken over from other systems: line lead and integrator."""

TOLD = {
    *("events written", "document prepared", "document delivered", "document not stored"),
    *("document accepted", "document stuck", "events checked", "limits learnt"),
}
"""What is told to receivers of events: compliance and integrator."""

WAYS = {"destination set", "destination retired"}
"""Where events go: also the administrator."""

OWN = {"password changed", "pin changed", "token given", "token revoked", "checkpoint made"}
"""What everybody does: for themselves, or with the key of the station."""

WANTED = {
    "operator": OWN | LINE,
    "line lead": OWN | ONLY["line lead"] | LINE | DECIDED | MASTER_DATA | {"events checked"},
    "compliance": OWN | ONLY["compliance"] | {"grade noted"} | DECIDED | SETTINGS | TOLD | WAYS,
    "integrator": OWN | MASTER_DATA | TOLD | WAYS,
    "administrator": OWN | ONLY["administrator"] | SETTINGS | WAYS | {"challenge made"},
}


def test_every_verb_has_its_roles_and_no_other_is_listed() -> None:
    """Nothing can be written that the table does not know, and it knows nothing else."""
    assert set(rights.RIGHTS) == set(VERBS) == {"sign-ins failed"}.union(*WANTED.values())
    assert set(WANTED) == set(ROLES)
    assert rights.RIGHTS["sign-ins failed"] == (rights.NOBODY,)
    assert all(rights.RIGHTS.values())


@pytest.mark.parametrize("role", ROLES)
def test_a_role_writes_its_verbs_and_no_other(role: str) -> None:
    """In a live record; in a practice record everybody plays every part."""
    for verb in VERBS:
        rights.check(verb, role, practice=True)
        if verb in WANTED[role]:
            rights.check(verb, role, practice=False)
        else:
            with pytest.raises(Refused) as refused:
                rights.check(verb, role, practice=False)
            assert refused.value.word == "role_not_allowed"


@pytest.mark.parametrize("role", ["administrator", "integrator", "", "Operator"])
def test_who_is_not_at_the_line_makes_no_label_good(role: str) -> None:
    """Least privilege (21 CFR 11.10(d), (g)): accounts and hand-off do not touch labels, and a role
    that there is not may nothing."""
    for verb in ("taken", "accepted", "settled", "voided", "decommissioned", "allocated", "packed"):
        assert not rights.may(verb, role, practice=False)


def test_what_leaves_fewer_roles_is_narrower() -> None:
    """Stolen units are for compliance alone."""
    rights.check("decommissioned", "line lead", practice=False)
    with pytest.raises(Refused) as refused:
        rights.check("decommissioned", "line lead", practice=False, narrower=("compliance",))
    assert refused.value.expected == "compliance"


def test_what_somebody_began_ends_by_their_own_hand_or_an_administrators() -> None:
    """A token, a check of the record that goes on."""
    for role in ROLES:
        assert rights.may_end("Ada", person="Ada", role=role)
        assert rights.may_end("Ada", person="Bea", role=role) == (role == "administrator")
