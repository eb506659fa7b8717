"""Who may write what: for every verb of the journal, the roles that may write it.

`Work.write` asks here before each entry, so no step can forget to. A step may ask earlier, to
refuse before it has worked for long. In a practice record everybody plays every part.

Which role does what is common practice, no source; 21 CFR 11.10(d) and (g) want it limited and
checked. The administrator keeps people, stations and settings, and makes no label good.
"""

from __future__ import annotations

from collections.abc import Mapping

from serialkeeper.errors import Refused
from serialkeeper.rules.moves import (
    ADMINISTRATOR,
    COMPLIANCE,
    INTEGRATOR,
    LINE_LEAD,
    OPERATOR,
    ROLES,
)

NOBODY = "nobody"
"""The role of what the program notes before somebody has signed in."""

_LINE = (OPERATOR, LINE_LEAD)
_LEADING = (LINE_LEAD,)
_DECIDING = (LINE_LEAD, COMPLIANCE)
_KEEPING = (ADMINISTRATOR,)
_MOVING = (COMPLIANCE, ADMINISTRATOR)
_SENDING = (COMPLIANCE, INTEGRATOR)

RIGHTS: Mapping[str, tuple[str, ...]] = {
    # the record, people, stations, settings
    "record made": _KEEPING,
    "record migrated": _KEEPING,
    "record moved": _MOVING,
    "move called off": _MOVING,
    "move confirmed": _MOVING,
    "record taken over": _MOVING,
    "backup made": _MOVING,
    "backup sealed": _MOVING,
    "record restored": _MOVING,
    "record recovered": (COMPLIANCE,),
    "person added": _KEEPING,
    "role changed": _KEEPING,
    "person retired": _KEEPING,
    "password changed": ROLES,
    "password given": _KEEPING,
    "badge given": _KEEPING,
    "pin changed": ROLES,
    "token given": ROLES,
    "token revoked": ROLES,
    "password rules set": _KEEPING,
    "sign-ins failed": (NOBODY,),
    "sign-ins cleared": _KEEPING,
    "station added": _KEEPING,
    "alarm rules set": _MOVING,
    "checkpoint key named": _MOVING,
    "checkpoint made": ROLES,
    "custodian named": _MOVING,
    # products and places
    "product added": (LINE_LEAD, INTEGRATOR),
    "layout set": _LEADING,
    "packs set": _LEADING,
    "location added": (LINE_LEAD, INTEGRATOR),
    "file imported": (LINE_LEAD, INTEGRATOR),
    "profile kept": _LINE,
    # a lot and its numbers
    "lot registered": _LEADING,
    "lot opened": _LEADING,
    "lot approved": _DECIDING,
    "lot discarded": _DECIDING,
    "prefixes reserved": _DECIDING,  # compliance in a recovery
    "allocation started": _LEADING,
    "numbers imported": _LEADING,
    "allocated": _LEADING,
    "allocation moved": (COMPLIANCE,),
    "import given up": (COMPLIANCE,),
    "issued": _LEADING,
    "symbols written": _LEADING,
    # inspection
    "take started": _LINE,
    "taken": _LINE,
    "take finished": _LINE,
    "follow started": _LINE,
    "followed": _LINE,
    "finish asked": _LINE,
    "alarms acknowledged": _LINE,
    "challenge made": (LINE_LEAD, COMPLIANCE, ADMINISTRATOR),
    "challenge run": _LINE,
    "planted": _MOVING,
    "run started": _LINE,
    "run cleared": _LINE,
    "run challenged": _LINE,
    "run stopped": _LINE,
    "clock checked": _LINE,
    "grade noted": (OPERATOR, LINE_LEAD, COMPLIANCE),
    "run ended": _LINE,
    # decisions
    "accepted": _DECIDING,
    "settled": _DECIDING,
    "voided": _DECIDING,
    "numbers returned": _DECIDING,
    "decommissioned": _DECIDING,
    "held": (OPERATOR, LINE_LEAD, COMPLIANCE),
    "corrected": (COMPLIANCE,),
    "hold lifted": (COMPLIANCE,),
    "lot decided": (COMPLIANCE,),
    "lot reopened": (COMPLIANCE,),
    "reviewed": (COMPLIANCE,),
    # rolls
    "roll added": _LINE,
    "roll slit": _LINE,
    "roll turned": _LINE,
    "roll marked": _LINE,
    "labels removed": _LINE,
    "label replaced": _LINE,
    "roll released": _DECIDING,
    # packs
    "ssccs reserved": (OPERATOR, LINE_LEAD, COMPLIANCE),  # compliance in a recovery
    "ssccs given": _LINE,
    "ssccs given up": (COMPLIANCE,),
    "packs numbered": _LINE,
    "packed": _LINE,
    "unpacked": (OPERATOR, LINE_LEAD, COMPLIANCE),
    "packs decommissioned": _DECIDING,
    "pack checked": _LINE,
    "pack label made": _LINE,
    "pack label checked": _LINE,
    "pack label torn": _LINE,
    "packs shipped": _LINE,
    "shipping voided": _DECIDING,
    # the sum, the end, the reports
    "counted": _LINE,
    "destruction counted": (OPERATOR, LINE_LEAD, COMPLIANCE),
    "reconciled": _DECIDING,
    "lot closed": _DECIDING,
    "lot closing noted": _DECIDING,
    "events checked": (LINE_LEAD, COMPLIANCE, INTEGRATOR),
    "lot reported": _DECIDING,
    "events written": _SENDING,
    "destination set": (COMPLIANCE, INTEGRATOR, ADMINISTRATOR),
    "destination retired": (COMPLIANCE, INTEGRATOR, ADMINISTRATOR),
    "document prepared": _SENDING,
    "document accepted": _SENDING,
    "limits learnt": _SENDING,
    "document delivered": _SENDING,
    "document not stored": _SENDING,
    "document stuck": _SENDING,
    "document settled": (COMPLIANCE,),
}
"""Every verb of the journal and who may write it. `unpacked` goes with a decommissioning too;
`password changed`, `pin changed` and `token given` are about one's own, and so is `token revoked`
but for an administrator."""


def may(verb: str, role: str, *, practice: bool, narrower: tuple[str, ...] = ()) -> bool:
    """Whether the role may write that verb; in a practice record everybody may play every part.

    Args:
        narrower: the roles that may, where what is written leaves fewer than the verb.
    """
    return practice or role in (narrower or RIGHTS[verb])


def may_end(owner: str, *, person: str, role: str) -> bool:
    """Whether a person may end what somebody began or holds, such as a token or a check of the
    record that goes on: their own, and as administrator anybody's."""
    return person == owner or role == ADMINISTRATOR


def check(
    verb: str, role: str, *, practice: bool, narrower: tuple[str, ...] = (), person: str = ""
) -> None:
    """Refuses `role_not_allowed` where `may` says no.

    Args:
        person: whose role it is, for the refusal.
    """
    if may(verb, role, practice=practice, narrower=narrower):
        return
    raise Refused(
        "role_not_allowed",
        f"An entry '{verb}' is not for this role.",
        expected=" or ".join(narrower or RIGHTS[verb]),
        came=(role or "no role") + f", {person}" * bool(person),
        remedy="Let a person in that role do it; who may do what: `serialkeeper guide people`.",
    )
