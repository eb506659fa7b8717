"""The states of a label and the one table of its moves. Nothing else decides a move.

A state is kept as one letter. `rejected` has two: `r`, never active, and `R`, once active;
the second can be decommissioned but never voided, the first the other way round.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from serialkeeper.errors import Refused
from serialkeeper.rules.remarks import check_remark


class State(StrEnum):
    """Where a label is; the value is the letter in the record."""

    ALLOCATED = "a"
    ISSUED = "i"
    VERIFIED = "v"
    COMMISSIONED = "c"
    REJECTED = "r"
    PULLED = "R"
    VOIDED = "x"
    DECOMMISSIONED = "d"

    @property
    def word(self) -> str:
        """The state in words; both rejected letters read the same."""
        return "rejected" if self is State.PULLED else self.name.lower()


WORDS: tuple[str, ...] = (
    "allocated",
    "issued",
    "verified",
    "commissioned",
    "rejected",
    "voided",
    "decommissioned",
)

LINE_LEAD, OPERATOR, COMPLIANCE = "line lead", "operator", "compliance"
INTEGRATOR, ADMINISTRATOR = "integrator", "administrator"
ROLES = (OPERATOR, LINE_LEAD, COMPLIANCE, INTEGRATOR, ADMINISTRATOR)


@dataclass(frozen=True, slots=True)
class Move:
    """One row of the table.

    Attributes:
        name: the verb.
        sources: states it may start from.
        target: state it ends in.
        inspected: whether a results file may decide it; whoever takes the file stands for it.
        reasons: the reasons it needs one of; empty where it needs none or a free text.
        free_reason: whether a free text is needed.
        second: whether a second person is needed.
    """

    name: str
    sources: tuple[State, ...]
    target: State
    inspected: bool = False
    reasons: tuple[str, ...] = ()
    free_reason: bool = False
    second: bool = False


@dataclass(frozen=True, slots=True)
class Fate:
    """What one reason for leaving means elsewhere.

    Attributes:
        ledger: the line of the numbers ledger that it belongs to.
        roles: who may give it, where that is narrower than the entry (`rules/rights.py`).
        steps: the EPCIS events it causes: (action, bizStep, disposition or None).
    """

    ledger: str
    roles: tuple[str, ...] = ()
    steps: tuple[tuple[str, str, str | None], ...] = ()


_INACTIVE = (("DELETE", "decommissioning", "inactive"),)

VOID_REASONS: Mapping[str, Fate] = {
    "surplus": Fate("never printed"),
    "waste": Fate("destroyed"),
    "damaged": Fate("destroyed"),
    "specimen": Fate("specimens"),
    "not found": Fate("not found"),
}
"""Why a number that was never active will never be. `surplus` is for numbers never printed."""

RESTORED = "restored"
"""Why numbers are voided that were not printed when the backup was made that a record was restored
from (`record recover`)."""

RETURNED = "returned"
"""Why imported numbers that nobody printed are voided and reported back (`serials return`)."""

VOIDED: Mapping[str, Fate] = {
    **VOID_REASONS,
    RETURNED: Fate("never printed"),
    RESTORED: Fate("never printed"),
}
"""Every reason with which a number is voided."""

DECOMMISSION_REASONS: Mapping[str, Fate] = {
    "destroyed": Fate("destroyed", steps=(("DELETE", "destroying", "destroyed"),)),
    "damaged": Fate("destroyed", steps=_INACTIVE),
    "sampled": Fate("samples", steps=(("OBSERVE", "sampling", None), *_INACTIVE)),
    "lost": Fate("not found", steps=_INACTIVE),
    "stolen": Fate(
        "not found", roles=(COMPLIANCE,), steps=(("DELETE", "decommissioning", "stolen"),)
    ),
    "exported": Fate("good", steps=_INACTIVE),
    "returned": Fate("good", steps=_INACTIVE),
    "authority sample": Fate("samples", steps=_INACTIVE),
    "free sample": Fate("samples", steps=_INACTIVE),
    "other": Fate("good", steps=_INACTIVE),
}
"""Why a unit leaves the market's sight, and the events for it (CBV 2.0: sampling is followed
by an end-of-life event; destroying/destroyed; decommissioning/inactive). `exported`,
`returned` and `other` left after they were counted good at the line."""

_S = State

MOVES: Mapping[str, Move] = {
    move.name: move
    for move in (
        Move("issue", (_S.ALLOCATED,), _S.ISSUED),
        Move("verify", (_S.ISSUED,), _S.VERIFIED, inspected=True),
        Move("commission", (_S.ISSUED, _S.VERIFIED), _S.COMMISSIONED, inspected=True),
        Move("reject", (_S.ISSUED, _S.VERIFIED), _S.REJECTED, inspected=True),
        Move("pull back", (_S.COMMISSIONED,), _S.PULLED, inspected=True),
        Move(
            "accept",
            (_S.REJECTED, _S.PULLED),
            _S.COMMISSIONED,
            free_reason=True,
            second=True,
        ),
        Move(
            "void",
            (_S.ALLOCATED, _S.ISSUED, _S.VERIFIED, _S.REJECTED),
            _S.VOIDED,
            reasons=tuple(VOID_REASONS),
        ),
        Move(
            "decommission",
            (_S.COMMISSIONED, _S.PULLED),
            _S.DECOMMISSIONED,
            reasons=tuple(DECOMMISSION_REASONS),
        ),
        Move(
            "correct",
            (_S.DECOMMISSIONED,),
            _S.COMMISSIONED,
            free_reason=True,
            second=True,
        ),
    )
}
"""Every move a label can make after its allocation."""

INSPECTED: Mapping[str, str] = {
    move.target.value: "".join(source.value for source in move.sources)
    for move in MOVES.values()
    if move.inspected
}
"""From which letters inspection may move a label to a letter."""

LEGAL: frozenset[tuple[str, str]] = frozenset(
    (source.value, move.target.value) for move in MOVES.values() for source in move.sources
) | {
    (State.REJECTED.value, State.VERIFIED.value),
    (State.DECOMMISSIONED.value, State.PULLED.value),
}
"""Every pair of letters that some move allows; an accepted label goes where it would have
gone, which for a lot that commissions at application is `verified`; a corrected one goes back to
where it was, which may be `rejected`."""


def target_of(name: str, *, commission_at: str) -> State:
    """Where a move ends: what inspection calls good is commissioned at the web, verified
    where the lot commissions at application."""
    if name in ("commission", "accept") and commission_at == "application":
        return State.VERIFIED
    return MOVES[name].target


def check(name: str, state: State, *, where: str) -> None:
    """Refuses `move_not_allowed` if a label in `state` cannot make the move."""
    move = MOVES[name]
    if state in move.sources:
        return
    remedy = "Nothing was changed. Look at the label's history first: label show."
    if name == "void" and state in (State.COMMISSIONED, State.PULLED):
        remedy = "Nothing was changed. This number was active: decommission it, void the others."
    if name == "decommission" and state in (State.REJECTED, State.ISSUED, State.ALLOCATED):
        remedy = "Nothing was changed. This number was never active: void it instead."
    raise Refused(
        "move_not_allowed",
        f"A label that is {state.word} cannot be moved by '{name}'.",
        where=where,
        expected=" or ".join(dict.fromkeys(s.word for s in move.sources)),
        came=state.word + (" (once active)" if state is State.PULLED else ""),
        remedy=remedy,
    )


def check_reason(name: str, reason: str) -> None:
    """Refuses `reason_needed` if the move needs a reason and this is none, `bad_value` for one that
    nobody would read."""
    move = MOVES[name]
    if move.reasons and reason not in move.reasons:
        raise Refused(
            "reason_needed",
            f"'{name}' needs one of its reasons.",
            expected=", ".join(move.reasons),
            came=reason or "none",
            remedy="Give one of these with --reason.",
        )
    if move.free_reason:
        check_remark(reason, "--reason", needed=True)


def void_reasons(state: State, *, seen: bool) -> tuple[str, ...]:
    """With which reasons a number may be voided: `surplus` is for labels that nobody printed, and
    only for them. A label that is only allocated and was seen on the web all the same was printed.
    """
    if state is State.ALLOCATED and not seen:
        return ("surplus",)
    return tuple(reason for reason in VOID_REASONS if reason != "surplus")


def check_decommission(reason: str, note: str) -> None:
    """Refuses `reason_needed` for a decommissioning."""
    check_reason("decommission", reason)
    if reason in ("destroyed", "other") and not note.strip():
        raise Refused(
            "reason_needed",
            f"'{reason}' needs a note.",
            expected="the destruction record's reference" if reason == "destroyed" else "a text",
            came="none",
            remedy="Give --note.",
        )


def check_second(person: str, second: str, *, practice: bool) -> None:
    """Refuses `second_person_needed`; a practice record lets one person play both parts."""
    if practice or (second and second != person):
        return
    raise Refused(
        "second_person_needed",
        "A second person has to confirm this.",
        expected="another person's name",
        came=second or "none",
        remedy="Give --second NAME.",
    )


def check_lot(state: str, *allowed: str, where: str) -> None:
    """Refuses `lot_not_approved` or `lot_state` if the lot's state is not an allowed one."""
    if state in allowed:
        return
    if state == "draft":
        raise Refused(
            "lot_not_approved",
            "The lot is not approved yet.",
            where=where,
            expected=" or ".join(allowed),
            came=state,
            remedy=f"Let a second person approve it: lot approve {where}",
        )
    raise Refused(
        "lot_state",
        "The lot is in a state in which this is not done.",
        where=where,
        expected=" or ".join(allowed),
        came=state,
        remedy=f"Look at the lot: lot show {where}",
    )


def check_allocation(lot: str, first: int, count: int, done: int, *, file: str = "") -> None:
    """Refuses `allocation_unfinished` while numbers of an allocation, or of a file, are to come."""
    if done == count:
        return
    finish = f"finish it: serialkeeper serials allocate {lot} {count}"
    if file:
        finish = (
            f"finish it with the very same file: serialkeeper serials import {lot} {file}; if that "
            f"is lost, compliance gives it up: serialkeeper serials abandon {lot} --reason TEXT"
        )
    raise Refused(
        "allocation_unfinished",
        "Numbers of a lot are not all there yet; none of these labels can be used so far.",
        where=f"lot {lot}, positions from {first}" + f", import of {file}" * bool(file),
        expected=f"{count} numbers",
        came=str(done),
        remedy=f"Wait if somebody is at it; if it was interrupted, {finish}",
    )


def check_take(lot: str, take: int, name: str, state: str) -> None:
    """Refuses `take_unfinished` if a results file was taken in only partly."""
    if state != "finished":
        raise Refused(
            "take_unfinished",
            "A results file of the lot is not taken in completely yet.",
            where=f"lot {lot}, take {take}",
            expected="finished takes",
            came=name,
            remedy="Wait if it is being taken in; if it was interrupted, take it again: "
            f"serialkeeper inspect take {lot} {name}",
        )


def check_file(path: str, sha256: str, earlier: int, earlier_sha256: str) -> None:
    """Refuses `results_name_taken` if an earlier take of that station and name had other bytes."""
    if sha256 == earlier_sha256:
        return
    raise Refused(
        "results_name_taken",
        "A file of that name with other content was taken before.",
        where=f"{path}, take {earlier}",
        expected=f"SHA-256 {earlier_sha256}",
        came=sha256,
        remedy="If the file was changed, find out by whom; if it is another file, "
        "give it another name.",
    )


def check_pass(path: str, take: int, roll: int, wanted: int) -> None:
    """Refuses `results_claimed` if the same bytes were taken as another pass; 0 is the first."""
    if roll == wanted:
        return
    what = f"a further pass over roll {roll}" if roll else "a first pass"
    raise Refused(
        "results_claimed",
        f"These bytes were taken as {what}.",
        where=f"{path}, take {take}",
        expected="the file of this pass",
        came=f"the file of take {take}",
        remedy="Give the file that the camera wrote in this pass.",
    )


OPEN_LOT = ("approved", "running", "reconciled")
"""States of a lot in which numbers, print files, readings and decisions come in."""
