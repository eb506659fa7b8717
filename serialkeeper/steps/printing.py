"""Print hand-off: one row per label, lane by lane, the same bytes whenever it is asked for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson

from serialkeeper.errors import Refused, SerialKeeperError
from serialkeeper.outside.files import Delivery
from serialkeeper.outside.printer import print_file
from serialkeeper.rules.chain import parse
from serialkeeper.rules.jobs import Shape, check_lanes, ranges_of, shape_of
from serialkeeper.rules.layout import layout_of
from serialkeeper.rules.moves import OPEN_LOT, State, check_lot
from serialkeeper.store.codes import check_usable, labels_of
from serialkeeper.store.failures import record_moved
from serialkeeper.store.numbers import check_finished
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Lot
from serialkeeper.store.view import View, key_of


def write(
    record: Record,
    name: str,
    *,
    lanes: int,
    out: Path,
    first: int | None = None,
    last: int | None = None,
    by: str = "rows",
) -> dict[str, Any]:
    """Issue labels: write their print file and its manifest.

    All allocated labels, or those of a range of positions. The file is written beside its place,
    synced, then the record commits what is in it, then it gets its name.

    Args:
        lanes: lanes across the web, 1 to 64.
        out: the file to make; `NAME.manifest.json` is made beside it.
        first, last: positions; None for the plan's ends. by: `rows` or `lanes`, see `rules.jobs`.

    Refuses `nothing_to_print`, `allocation_unfinished`, `file_exists`, `lot_state`,
    `numbers_expired`.
    """
    check_lanes(lanes, by)
    manifest = _manifest_path(out)
    with record.read() as view:
        lot = view.lot(name)
        start, end = 1 if first is None else first, lot.labels if last is None else last
        states, entries = _printable(view, lot, start, end), view.chain(key_of(lot)).count
        ranges = ranges_of(states, State.ALLOCATED, start)
        shape = Shape(tuple((a, b) for a, b in ranges), lanes, by)
        check_usable(view, lot, shape.ranges, record.now().date())
        with Delivery(out) as file, Delivery(manifest) as beside:
            for data in _pieces(record, view, lot, shape):
                file.write(data)
            job = {
                "first": ranges[0][0],
                "last": ranges[-1][1],
                "count": shape.count,
                "lanes": lanes,
                "rows": shape.rows,
                "by": by,
                "name": out.name,
                "sha256": file.sync(),
                "size": file.size,
                "ranges": ranges,
            }
            number, head = _issue(record, lot, job, start, states, entries)
            result = _describe(record, lot, {"id": number, **job}, shape, head)
            try:
                file.deliver()
                beside.write(_manifest(result))
                beside.sync()
                beside.deliver()
            except SerialKeeperError as error:
                error.message += f" The labels are issued all the same, as job {number}."
                error.remedy = (
                    "Make room, then write the file under a new name: serialkeeper print again "
                    f"{lot.number} {number} --out FILE"
                )
                raise
    return {**result, "file": str(out), "manifest": str(manifest)}


def _pieces(record: Record, view: View, lot: Lot, shape: Shape) -> Iterator[bytes]:
    """The print file; tells how many labels of it are written."""
    written = -1  # the heading is no label
    for data in print_file(labels_of(view, lot, shape), shape, layout_of(lot.layout)):
        yield data
        written += data.count(b"\n")
        record.seen("labels", written, shape.count)


def _printable(view: View, lot: Lot, start: int, end: int) -> bytes:
    """The state letters of a range that has something to print."""
    check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
    key = key_of(lot)
    check_finished(view, lot)
    states = view.states(key, start, end) if 1 <= start <= end <= lot.labels else b""
    if State.ALLOCATED.encode() not in states:
        raise Refused(
            "nothing_to_print",
            "There is no allocated label in that range.",
            where=f"lot {lot.number}, positions {start} to {end}",
            expected="labels that are allocated and not issued yet",
            came=f"labels in the plan: {lot.labels:,}",
            remedy="Allocate numbers (serials allocate), or write the old job again (print again).",
        )
    return states


def _issue(
    record: Record, lot: Lot, job: dict[str, Any], start: int, states: bytes, entries: int
) -> tuple[int, str]:
    """Commit what the file holds; gives the job's number and the chain's head.

    All labels of the file in one transaction, whatever it holds: a job is issued or it is not.
    While the chain has as many `entries` as when they were looked at, so are the states.
    """
    key, end = key_of(lot), start + len(states) - 1
    with record.work(key) as work:
        if work.length(key) != entries and work.states(key, start, end) != states:
            raise Refused(
                "print_changed",
                "The labels changed while the print file was made.",
                where=f"lot {lot.number}, positions {start} to {start + len(states) - 1}",
                remedy="Nothing was issued. Write the print file again.",
            )
        number = len(work.jobs(key)) + 1
        work.write(key, "issued", {"id": number, **job})
        return number, work.head(key)


def again(record: Record, name: str, job: int, *, out: Path) -> dict[str, Any]:
    """Write the file of an earlier job once more: the same bytes.

    For a lost file, or a hand-off that was interrupted after the record had committed it.
    Refuses `job_unknown`, `file_exists`, `numbers_expired`, `record_moved`.
    """
    with record.read() as view:
        if moved_to := view.setting("moved_to"):
            raise record_moved(moved_to, record.url)
        lot = view.lot(name)
        key = key_of(lot)
        row = view.job(key, job)
        head = _head_of(view, lot, job)
        shape = shape_of(row.ranges, row.lanes, row.by)
        check_usable(view, lot, shape.ranges, record.now().date())
        manifest = _manifest_path(out)
        with Delivery(out) as file, Delivery(manifest) as beside:
            for data in print_file(labels_of(view, lot, shape), shape, layout_of(lot.layout)):
                file.write(data)
            sha256 = file.sync()
            if sha256 != row.sha256:
                raise Refused(
                    "print_changed",
                    "The file would not have the bytes that were issued.",
                    where=f"lot {lot.number}, job {job}",
                    expected=f"SHA-256 {row.sha256}",
                    came=sha256,
                    remedy="Check the record: record verify.",
                )
            values = row.model_dump(exclude={"product_id", "lot_id", "ranges"})
            result = _describe(record, lot, values, shape, head)
            beside.write(_manifest(result))
            beside.sync()
            file.deliver()
            beside.deliver()
    return {**result, "file": str(out), "manifest": str(manifest)}


def _head_of(view: View, lot: Lot, job: int) -> str:
    """The hash of the entry that issued a job."""
    for _, body, own_hash in view.stored_entries(key_of(lot)):
        entry = parse(body)
        if entry.verb == "issued" and entry.data["id"] == job:
            return own_hash.hex()
    raise LookupError(f"no entry issued job {job}")


def _manifest(result: dict[str, Any]) -> bytes:
    return orjson.dumps(result, option=orjson.OPT_INDENT_2) + b"\n"


def _manifest_path(out: Path) -> Path:
    if not out.name:
        raise Refused(
            "bad_value",
            "The print file needs a name.",
            expected="a file name such as job.csv",
            came=str(out),
            remedy="Give --out FILE.",
        )
    return out.with_name(f"{out.stem}.manifest.json")


def _describe(
    record: Record, lot: Lot, job: dict[str, Any], shape: Shape, head: str
) -> dict[str, Any]:
    skipped = [
        [before[1] + 1, after[0] - 1]
        for before, after in zip(shape.ranges, shape.ranges[1:], strict=False)
    ]
    return {
        "record": "practice" if record.practice else "live",
        "job": job["id"],
        "gtin": lot.gtin,
        "lot": lot.number,
        "first": job["first"],
        "last": job["last"],
        "skipped": skipped,
        "count": job["count"],
        "lanes": job["lanes"],
        "rows": job["rows"],
        "order": job["by"],
        "name": job["name"],
        "size": job["size"],
        "sha256": job["sha256"],
        "head": head,
    }
