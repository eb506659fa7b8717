"""Backups, restoring one, and the recovery of what was restored."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import claim, private_copy
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.moves import check_second
from serialkeeper.rules.recovery import BACKUP, RECOVERY
from serialkeeper.rules.remarks import check_remark
from serialkeeper.store.backups import bring_back, jump_ahead, write_backup
from serialkeeper.store.engines import place_of
from serialkeeper.store.opening import open_copy
from serialkeeper.store.record import Record


def backup(record: Record, out: Path) -> dict[str, Any]:
    """Write a backup of the whole record while lines go on writing: an SQLite file of mode 0600,
    of a server's record too, checked as `record verify` does.

    It is for looking only and for restoring; work on it is refused.

    Args:
        out: the file to make.

    Refuses `file_exists`, `file_unwritable`, `record_moved`, `role_not_allowed`; raises Damaged
    where the record is not sound, and makes no backup then.

    Returns:
        record (practice or live), from, file, size, sha256, chains, entries, parts.
    """
    record.check_may("backup made")
    with private_copy(out) as work_file:
        with record.work(HOUSE) as work:
            work.write(HOUSE, "backup made", {"name": out.name})
        told = write_backup(record, work_file)
        size, sha256 = claim(work_file, out)
    return {
        "record": "practice" if record.practice else "live",
        "from": place_of(record.url),
        "file": str(out),
        "size": size,
        "sha256": sha256,
        **told,
    }


def restore(open_backup: Callable[[str], Record], file: Path, to: str) -> dict[str, Any]:
    """Restore a backup to an empty place; nobody works there before `recover`.

    The backup is checked as `record verify` does, its journal carried out anew at the new place,
    and that checked too.

    Args:
        open_backup: opens the record at a URL for whoever restores.
        file: the backup.
        to: the URL of a file that is not there, or of an empty database.

    Refuses `file_missing`, `no_backup`, `record_exists`, `role_not_allowed`, and what opening a
    record refuses; raises Damaged for a backup that is not sound.

    Returns:
        record (practice or live), from, to, generation, chains, entries, parts, labels.
    """
    with tempfile.TemporaryDirectory(prefix="serialkeeper-") as folder:
        copied = Path(folder) / "backup.db"
        try:
            shutil.copyfile(file, copied)
        except OSError as error:
            raise Refused(
                "file_missing",
                "The backup cannot be read.",
                where=str(file),
                expected="a file made by: record backup",
                came=error.strerror or str(error),
                remedy="Correct the name.",
            ) from None
        copied.chmod(0o600)
        with open_backup(f"sqlite:///{copied}") as source:
            if source.moved_to != BACKUP:
                raise Refused(
                    "no_backup",
                    "The file is a record, and no backup of one: it may be at work.",
                    where=str(file),
                    expected="a file made by: record backup",
                    came="a record",
                    remedy="Move a record with: record copy. A file that was copied by hand must "
                    "not be opened beside the one that it was copied from.",
                )
            source.check_may("record restored")
            with open_copy(to, source, create=True) as target:
                told = bring_back(source, target, file.name)
            kind = "practice" if source.practice else "live"
    return {"record": kind, "from": str(file), "to": place_of(to), **told}


def recover(record: Record, *, reason: str, second: str = "") -> dict[str, Any]:
    """Say that a restored record goes on, and that the one it was backed up from works no more.

    It jumps ahead of all that the other one can have given out since (`rules.recovery`), and voids
    the numbers that were allocated and not printed.

    Args:
        reason: why, and how it was made sure that the other one works no more.
        second: who confirms it; needed in a live record.

    Refuses `nothing_moved` for a record that was not restored, `reason_needed`,
    `second_person_needed`, `role_not_allowed`.

    Returns:
        generation; prefixes, ssccs, allocations, imports, voided, given_up, packs, lots: as
        `store.backups.jump_ahead` tells them.
    """
    record.check_may("record recovered")
    why = check_remark(reason, "--reason", needed=True)
    check_second(record.person, second, practice=record.practice)
    with record.read() as view:
        if second:
            view.person(second)
    with record.alone() as work:
        work.lock((HOUSE,))
        work.check_ours(recovering=True)
        if work.setting("moved_to") != RECOVERY:
            raise Refused(
                "nothing_moved",
                "This record was not restored, or is recovered already.",
                where=record.url,
                expected="a record restored from a backup",
                came="another one",
                remedy="Nothing; look at the lots: lot list.",
            )
        again = bool(work.setting("sscc_from"))
        told = jump_ahead(work, record, second)
        generation = int(work.setting("generation"))
        data = {**told, "generation": generation, "again": again}
        work.write(HOUSE, "record recovered", data, reason=why, second=second)
    told.pop("sscc_from")
    return {"generation": generation, **told}
