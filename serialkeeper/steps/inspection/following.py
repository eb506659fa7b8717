"""A results file is followed while the camera writes it, and taken in when it is finished.

Nothing is commissioned before the file is finished; then it is taken in by `taking.take_in`,
which does with the same bytes the same as ever. `follower` is one file on its way.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.growing import Growing
from serialkeeper.steps.inspection.follower import Follower, Onlooker, open_row
from serialkeeper.steps.inspection.taking import take_in
from serialkeeper.store.record import Record
from serialkeeper.store.view import key_of


def follow(
    record: Record,
    name: str,
    path: Path,
    *,
    profile: str = "",
    idle: float | None = None,
    onlooker: Onlooker | None = None,
) -> dict[str, Any]:
    """Follow a results file while it grows, and take it in when it is finished.

    It is finished when nothing came for `idle` seconds, when somebody says so (`finish`, or the
    onlooker), or when its name stands for a new file, which is then followed in turn.

    Args:
        record, name, path: where, which lot, which file.
        profile: as for `take`.
        idle: seconds; None for no such limit.
        onlooker: is shown what was seen and told of alarms.

    Refuses what `take` refuses, and `results_changed`, `followed_elsewhere`.

    Returns:
        lot, file, readings, outcomes, finished, takes (summaries as of `take`), alarms_open.
    """
    onlooker = onlooker or Onlooker()
    takes: list[dict[str, Any]] = []
    while True:
        with closing(Growing(path)) as growing:
            if _taken_before(record, name, growing):
                takes.append(take_in(record, name, growing.source, profile=profile)[0])
                onlooker.taken(takes[-1])
                return _result(takes[-1], path, takes, {}, finished=True)
            one = Follower(record, name, growing, profile, onlooker)
            ended = one.run(idle, empty_is_idle=bool(takes))
            # The camera may have begun a new file and never written into it.
            if ended != "stopped" and (one.live.readings or not takes):
                followed = one.row if one.row.state != "finished" else None
                summary, raised = take_in(
                    record, name, growing.source, profile=profile, followed=followed
                )
                takes.append(summary)
                onlooker.taken(summary)
                one.tell(raised)
        if ended != "rotated":
            break
    with record.read() as view:
        standing = view.count_open_alarms(one.key)
    facts = {"lot": one.lot.number, "gtin": one.lot.gtin, "alarms_open": standing}
    facts |= {"readings": one.live.readings}
    return _result(facts, path, takes, one.live.outcomes, finished=ended != "stopped")


def _result(
    facts: Mapping[str, Any],
    path: Path,
    takes: list[dict[str, Any]],
    outcomes: Mapping[str, int],
    *,
    finished: bool,
) -> dict[str, Any]:
    return {
        **{name: facts[name] for name in ("lot", "gtin", "readings", "alarms_open")},
        "file": str(path),
        "outcomes": dict(outcomes),
        "finished": finished,
        "takes": takes,
    }


def _taken_before(record: Record, name: str, growing: Growing) -> bool:
    """Whether these very bytes were taken in."""
    size = growing.source.path.stat().st_size
    with record.read() as view:
        takes = view.takes(key_of(view.lot(name)))
    return any(
        take.state == "finished" and take.size == size and growing.begins_with(size, take.sha256)
        for take in takes
    )


def finish(record: Record, name: str, path: Path) -> dict[str, Any]:
    """Say that a followed file is finished; the process that follows it takes it in.

    Refuses `file_missing` if nobody follows a file of that name.

    Returns:
        lot, file, follow, state.
    """
    with record.read() as view:
        lot = view.lot(name)
    with record.work(key_of(lot)) as work:
        row = open_row(record, work, lot, path)
        if row is None:
            raise Refused(
                "file_missing",
                "No file of that name is followed at this station.",
                where=f"{path}, lot {lot.number}",
                expected="a file that inspect follow reads",
                came="none",
                remedy="Check the name and SERIALKEEPER_STATION; a file at rest: inspect take.",
            )
        if row.state != "finishing":
            work.write(key_of(lot), "finish asked", {"follow": row.id})
    return {"lot": lot.number, "file": str(path), "follow": row.id, "state": "finishing"}
