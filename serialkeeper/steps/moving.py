"""Moving house: a record is copied to another database, and work goes on there.

Two records that both give out numbers of one product would print a number twice. So there is one
at work at any time: the record is left first (`record moved`), then the copy takes over (`record
taken over`), and then the record is told so for good (`move confirmed`). The copy begins where the
record ended, prefixes of numbers included, so no margin is needed. A step that was stopped at any
instant is gone on with by the same call.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from serialkeeper.rules import moving
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.moving import Arrival, Move
from serialkeeper.rules.progress import COPIED
from serialkeeper.store.checkpoints import heads_of
from serialkeeper.store.copying import copy_house, copy_lots
from serialkeeper.store.engines import place_of
from serialkeeper.store.opening import open_copy, stands_at
from serialkeeper.store.record import Record
from serialkeeper.store.view import View


def copy(record: Record, to: str) -> dict[str, Any]:
    """Copy the record to an empty place and let the copy take over.

    Most is copied while work goes on; then the record is left, the rest copied, the copy checked
    as `record verify` does, and opened as the next generation. The same call goes on where it
    was stopped, and changes nothing when all is done.

    Args:
        to: the URL of a file that is not there, or of an empty database.

    Returns:
        record, from, to, generation; entries, parts and labels of the copy when it took over;
        heads of the copy as it is now; already: whether it had taken over before.

    Refuses `record_moved` (to another place before), `record_exists` (the place is not empty),
    `role_not_allowed`, `station_unknown`, and what opening a record refuses.
    """
    place = place_of(to)
    record.check_may("record moved")
    with record.work(HOUSE, moving=True) as work:  # who may not write here is told so first
        move = _last_move(work)
    moving.check_way(move, place)
    ended = move is not None and move.state == moving.CONFIRMED
    with open_copy(to, record, create=not ended) as target:
        arrival = _arrival(record, target)
        already = arrival is not None
        if arrival is None:
            arrival = _bring(record, target, place)
        _confirm(record, place, arrival)
        with target.read() as view:
            heads = heads_of(view)
    told = arrival.told
    return {
        "record": "practice" if record.practice else "live",
        "from": told["from"],
        "to": place,
        **{name: told[name] for name in ("generation", "entries", "parts", "labels")},
        "heads": heads,
        "already": already,
    }


def _last_move(view: View) -> Move | None:
    return moving.last_move(view.stored_entries(HOUSE))


def _arrival(record: Record, target: Record) -> Arrival | None:
    """With what the copy took over; None while it has not.

    Refuses `record_exists` for a whole record that did not come from here by the last move.
    """
    with target.read() as view:
        if not view.find_chain(HOUSE):
            return None
        with record.read() as own:
            move = _last_move(own)
        there = move is not None and view.hash_at(HOUSE, move.seq) == move.hash
        after = view.stored_entries(HOUSE, after=move.seq if move else 0)
        return moving.check_arrival(after if there else (), target.url)


def _bring(record: Record, target: Record, place: str) -> Arrival:
    """Copy, leave the record, copy what came meanwhile, check, and let the copy take over."""

    there = 0

    def copied(done: int, of: int) -> None:
        nonlocal there
        there = done
        record.seen(COPIED, done, of)

    copy_lots(record, target, copied)
    _leave(record, place)
    copy_lots(record, target, copied)
    record.seen("entries to be checked", there, there)
    _take_over(record, target, place)
    arrival = _arrival(record, target)
    if arrival is None:
        raise LookupError("the copy took over and has no house chain")
    return arrival


def _leave(record: Record, place: str) -> None:
    """From here on the record is for looking only; every work that had begun has ended."""
    with record.alone() as work:
        work.lock((HOUSE,))
        work.check_ours(moving=True)
        move = _last_move(work)
        moving.check_way(move, place)
        if move and move.state in (moving.MOVED, moving.CONFIRMED):
            return  # an earlier call, or another process, was here
        generation = int(work.setting("generation") or 1) + 1
        work.write(HOUSE, "record moved", {"to": place, "generation": generation})


def _take_over(record: Record, target: Record, place: str) -> None:
    """The house, the check and the opening of the copy in one transaction.

    While that is committed the record's house is locked, so that nobody calls the move off.
    """
    with ExitStack() as held, target.alone() as work:
        work.check_ours(named=False)
        if work.find_chain(HOUSE):
            return  # another process was faster
        sums = copy_house(record, work)
        own = held.enter_context(record.work(HOUSE, moving=True))
        move = moving.check_under_way(_last_move(own), place)
        if own.head(HOUSE) != work.head(HOUSE):
            raise moving.called_off(place)
        told = {"from": place_of(record.url), "generation": move.generation, **sums}
        work.write(HOUSE, "record taken over", told)


def _confirm(record: Record, place: str, arrival: Arrival) -> None:
    """Tell the record that it was left for good."""
    with record.read() as view:
        move = _last_move(view)
    if move is None or not move.under_way:
        return
    with record.work(HOUSE, moving=True) as work:
        move = _last_move(work)
        if move and move.under_way:
            told = {"to": place, "generation": move.generation, "head": arrival.head}
            work.write(HOUSE, "move confirmed", told)


def call_off(record: Record, to: str, *, reason: str) -> dict[str, Any]:
    """Work here again after a move whose copy can never be finished.

    Only while the copy has not taken over; so its place has to answer. The unfinished copy stays
    closed; the same place may be copied to again.

    Args:
        to: the place that the record was moved to.
        reason: in words.

    Returns:
        record, to, generation, and already: whether it had been called off before.

    Refuses `nothing_moved`, `record_moved` (the copy is at work, or stands elsewhere),
    `reason_needed`, `role_not_allowed`, and what opening a record refuses.
    """
    place = place_of(to)
    record.check_may("record moved")
    with record.work(HOUSE, moving=True) as work:
        move = _last_move(work)
        already = move is not None and (move.state, move.to) == (moving.CALLED_OFF, place)
        if move is None or not already:
            move = moving.check_call_off(move, place, reason)
            if stands_at(to, record.station):
                raise moving.taken_over(place)
            told = {"to": place, "generation": move.generation}
            work.write(HOUSE, "move called off", told, reason=reason)
    return {
        "record": "practice" if record.practice else "live",
        "to": place,
        "generation": move.generation,
        "already": already,
    }
