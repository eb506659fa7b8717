"""Moving house: a record that was copied to another place gives numbers out there only.

Four entries of the house chain tell of it. Each names the generation that the record has when it
is next at work.

    record moved        in the record that is left: from here on it is for looking only
    record taken over   in the copy: work goes on there
    move confirmed      in the record that is left: the copy has taken over, for good
    move called off     in the record that is left: it goes on itself, the copy never did
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules.chain import parse
from serialkeeper.rules.remarks import check_remark

MOVED, TAKEN_OVER = "record moved", "record taken over"
CONFIRMED, CALLED_OFF = "move confirmed", "move called off"


@dataclass(frozen=True, slots=True)
class Move:
    """The last move that a house chain tells of.

    Attributes:
        to: the place.
        generation: what the record is when it is next at work.
        seq, hash: the entry `record moved`.
        state: the verb of the move's newest entry.
    """

    to: str
    generation: int
    seq: int
    hash: bytes
    state: str = MOVED

    @property
    def under_way(self) -> bool:
        """Whether the record was left and nobody has ended the move in it."""
        return self.state == MOVED


@dataclass(frozen=True, slots=True)
class Arrival:
    """How a copy took over.

    Attributes:
        told: what its entry says: from, generation, and what was there: chains, entries, parts,
            labels and one SHA-256 over all heads.
        head: the entry's hash, in hex.
    """

    told: Mapping[str, Any]
    head: str


def last_move(stored: Iterable[tuple[int, bytes, bytes]]) -> Move | None:
    """The last move of a house chain, or None.

    Args:
        stored: (seq, body, hash) of its entries in order.
    """
    last: Move | None = None
    for seq, body, own_hash in stored:
        entry = parse(body)
        if entry.verb == MOVED:
            last = Move(entry.data["to"], entry.data["generation"], seq, own_hash)
        elif last and entry.verb in (TAKEN_OVER, CONFIRMED, CALLED_OFF):
            last = replace(last, state=entry.verb)
    return last


def check_way(move: Move | None, to: str) -> None:
    """Refuses `record_moved` for a copy to another place than the one that the record moved to."""
    if move is None or move.state in (CALLED_OFF, TAKEN_OVER) or move.to == to:
        return
    raise Refused(
        "record_moved",
        "This record was moved to another place already.",
        where=to,
        expected=move.to,
        came=to,
        remedy="Copy the record that stands there; or give that place if the copy is not finished."
        if move.state == CONFIRMED
        else "Give that place again; or call that move off first (--call-off).",
    )


def check_under_way(move: Move | None, to: str) -> Move:
    """The move that is to be ended. Refuses `nothing_moved`."""
    if move is None or not move.under_way or move.to != to:
        raise called_off(to)
    return move


def called_off(to: str) -> Refused:
    """Somebody ended the move while it was carried out."""
    return Refused(
        "nothing_moved",
        "The move was called off meanwhile; the copy has not taken over.",
        where=to,
        expected="a move under way",
        came="none",
        remedy="Work where the record was. Give the same command again to move it after all.",
    )


def check_arrival(after: Iterable[tuple[int, bytes, bytes]], where: str) -> Arrival:
    """How the copy took over.

    Args:
        after: what follows `record moved` in the house chain of the copy; nothing for a record
            that is no copy of this one.
        where: its place.

    Refuses `record_exists`.
    """
    for _, body, own_hash in after:
        entry = parse(body)
        if entry.verb == TAKEN_OVER:
            return Arrival(entry.data, own_hash.hex())
    raise Refused(
        "record_exists",
        "There is a record at that place already.",
        where=where,
        expected="an empty place, or the beginning of a copy of this record",
        came="another record",
        remedy="Choose another place; a record is never overwritten.",
    )


def check_call_off(move: Move | None, to: str, reason: str) -> Move:
    """The move that is called off. Refuses `nothing_moved`, `record_moved`, `reason_needed`,
    `bad_value`."""
    if move is None or move.state not in (MOVED, CONFIRMED):
        raise Refused(
            "nothing_moved",
            "There is no move to call off.",
            where=to,
            expected="a record that was moved and is not at work at its new place",
            came="a record at work",
            remedy="Nothing: work goes on here.",
        )
    check_way(move, to)
    if move.state == CONFIRMED:
        raise taken_over(to)
    check_remark(reason, "--reason", needed=True)
    return move


def taken_over(to: str) -> Refused:
    """It is too late to call the move off."""
    return Refused(
        "record_moved",
        "The copy has taken over already: two records must not give out the same numbers.",
        where=to,
        expected="a copy that is not at work",
        came="one that is",
        remedy="Work there. To come back, copy that record to a new place here.",
    )
