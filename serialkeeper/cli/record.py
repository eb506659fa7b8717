"""`record`: the record itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from serialkeeper.cli.answer import (
    SIGNING_KEY,
    answer,
    answer_rows,
    call,
    check_url,
    signature_lines,
)
from serialkeeper.cli.lot import Second
from serialkeeper.errors import WrongUsage
from serialkeeper.outside import clock
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.counts import many
from serialkeeper.steps import checkpoints, exporting, keeping, moving, reports
from serialkeeper.store import opening
from serialkeeper.store.record import Record

app = typer.Typer(help="The record itself: checked, signed, backed up, exported, moved.")


@app.command()
def verify(
    against: Annotated[
        Path | None, typer.Option(help="A checkpoint's file kept elsewhere, or their folder.")
    ] = None,
    public_key: Annotated[
        str, typer.Option(help="The key that the checkpoint is signed with, as handed over.")
    ] = "",
) -> None:
    """Check journal, parts, originals and tables."""
    result = reports.verify_record(call.record(), against=against, public_key=public_key)
    answer(result, verify_lines(result))


@app.command()
def key(
    file: Annotated[Path, typer.Argument(help="A new file, outside the record.", dir_okay=False)],
) -> None:
    """Make the key that signs checkpoints."""
    result = checkpoints.make_key(call.record(), file)
    answer(
        result,
        [
            f"The key is in {result['key']}; only its owner may open it.",
            f"  public key {result['public_key']}",
            "  Hand the public key, on paper too, to whoever keeps the checkpoints.",
        ],
    )


@app.command()
def checkpoint(
    out: Annotated[Path, typer.Option(help="A folder, best somebody else's.", file_okay=False)],
    key: Annotated[
        Path,
        typer.Option(help="The file with the signing key.", envvar=SIGNING_KEY),
    ],
) -> None:
    """Write down, signed, how far every chain is."""
    result = checkpoints.write(call.record(), out, key=key)
    answer(
        result,
        [
            f"Checkpoint of {_entries(result)} in {many(result['chains'], 'chain')}: "
            f"{result['file']}",
            f"  SHA-256 {result['sha256']}",
            "  What is written from now on is unprotected until the next one.",
        ],
    )


@app.command()
def custodian(
    folder: Annotated[
        Path | None,
        typer.Argument(
            help="Somebody else's folder, as every station reaches it.", file_okay=False
        ),
    ] = None,
    minutes: Annotated[
        int,
        typer.Option(
            min=1,
            max=checkpoints.MOST_MINUTES,
            help="How old the last one may be while work goes on.",
        ),
    ] = 60,
    end: Annotated[bool, typer.Option("--end", help="Make none by themselves any more.")] = False,
) -> None:
    """Let checkpoints go into a folder by themselves; without a folder, tell which.

    One is made when a lot is closed or a roll released, and after a command that wrote while the
    last one is older than the minutes. SERIALKEEPER_SIGNING_KEY names the key at each station.
    """
    result = checkpoints.custodian(call.record(), folder, minutes=minutes, end=end)
    if result["folder"] is None:
        answer(result, ["No checkpoints are made by themselves."])
        return
    answer(
        result,
        [
            f"Checkpoints go to {result['folder']}: at a lot's closing, a roll's release, and "
            f"once the last one is {many(result['minutes'], 'minute')} old while work goes on.",
            f"  last one {result['last'] or 'none yet'}",
            "  Whoever keeps the folder should be somebody who cannot change the record.",
        ],
    )


@app.command()
def prove(
    against: Annotated[Path, typer.Option(help="A checkpoint's file.", dir_okay=False)],
    out: Annotated[Path, typer.Option(help="The proof's file, new.", dir_okay=False)],
    name: Annotated[
        str,
        typer.Argument(
            metavar="[LOT]",
            help="Lot number, or GTIN/LOT; else the house: people, products, settings.",
        ),
    ] = "",
    label: Annotated[
        int | None, typer.Option(min=1, max=10**9, metavar="POSITION", help="What of this label.")
    ] = None,
    entry: Annotated[
        int | None, typer.Option(min=1, max=10**9, metavar="N", help="This entry of the chain.")
    ] = None,
    public_key: Annotated[
        str, typer.Option(help="The key that the checkpoint is signed with, as handed over.")
    ] = "",
) -> None:
    """Prove to a third party, who sees nothing else, that an entry stands in the record."""
    result = checkpoints.prove(
        call.record(),
        name,
        against=against,
        out=out,
        entry=entry,
        label=label,
        public_key=public_key,
    )
    shown = ", ".join(map(str, result["entries"]))
    since = f"{result['later']:,} {'moves of the label' if label else 'entries of the chain'}"
    answer(
        result,
        [
            f"Proof of entry {shown} of {result['size']:,}, as of {result['at']}: {result['file']}",
            f"  SHA-256 {result['sha256']}; root {result['root']}",
            f"  Since that checkpoint: {since}, which it does not tell.",
            "  Hand it over with the checkpoint's file; DEVELOPERS.md has the script that checks "
            "them.",
        ],
    )


@app.command()
def entries(
    name: Annotated[
        str,
        typer.Argument(
            metavar="[LOT]",
            help="Lot number, or GTIN/LOT; else the house: people, products, settings.",
        ),
    ] = "",
    label: Annotated[
        int | None,
        typer.Option(min=1, max=10**9, metavar="POSITION", help="Only what moved this label."),
    ] = None,
) -> None:
    """Print the journal of a lot, or of the house, with its signatures."""
    rows = reports.list_entries(call.record(), name, label=label)
    answer_rows(rows, entry_lines(rows))


def entry_lines(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Entries for people."""
    for row in rows:
        reason = f": {row['reason']}" if row["reason"] else ""
        about = f" ({row['about']})" if row["about"] else ""
        second = f" with {row['second']}" if row["second"] else ""
        second += f" by token {row['token']}" if row["token"] else ""
        yield (
            f"{row['entry']:>6}  {row['at']} (zone {row['zone']})  {row['verb']}{about}, by "
            f"{row['person']} ({row['role']}){second} at {row['station']}{reason}"
        )
        yield from signature_lines(row["signatures"])


@app.command()
def backup(
    out: Annotated[Path, typer.Option(help="The file to make.", dir_okay=False)],
) -> None:
    """Write a backup while lines go on writing, and check it."""
    result = keeping.backup(call.record(), out)
    answer(
        result,
        [
            f"Backup of {result['from']}: {result['file']}, {result['size']:,} bytes",
            f"  SHA-256 {result['sha256']}",
            f"  {_entries(result)} and {many(result['parts'], 'part')}, checked by replay.",
            "  Keep it elsewhere, and closed: it holds what is kept of passwords.",
        ],
    )


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A backup: record backup.", dir_okay=False)],
    to: Annotated[
        str, typer.Argument(metavar="TO_URL", help="A file not there yet, or an empty database.")
    ],
) -> None:
    """Restore a backup to an empty place, and check it. Nobody works there before its recovery."""
    check_url(to, "TO_URL")
    result = keeping.restore(_opened, file, to)
    answer(
        result,
        [
            f"Restored as generation {result['generation']}: {result['to']}",
            f"  {_entries(result)}, {many(result['parts'], 'part')} and "
            f"{many(result['labels'], 'label')}, checked by replay.",
            "  What the other record did after the backup is not in it. Make sure that the other",
            "  one works no more; then: serialkeeper record recover --reason TEXT --second NAME",
        ],
    )


def _opened(url: str) -> Record:
    """A backup, opened by whoever calls."""
    return opening.open_record(
        url,
        person=call.person,
        password=call.password,
        pin=call.pin,
        station=clock.station(),
        now=clock.now,
        chance=clock.chance(),
    )


@app.command()
def recover(
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why, and what was made sure of.")],
    second: Second = "",
) -> None:
    """Let a restored record go on, ahead of all that the other one can have given out."""
    result = keeping.recover(call.record(second=second), reason=reason, second=second)
    answer(result, recovery_lines(result))


def recovery_lines(result: dict[str, Any]) -> list[str]:
    """A recovery for people: what it did, and what they have to do."""
    return [
        f"The record goes on, as generation {result['generation']}.",
        f"  skipped: prefixes of numbers {result['prefixes']:,}, SSCCs {result['ssccs']:,}",
        f"  given up: SSCCs in hand {result['given_up']:,}, imports that were under way "
        f"{result['imports']:,}",
        f"  ended, packs that had a key and were never filled: {result['packs']:,}",
        f"  voided, numbers that were not printed when the backup was made: {result['voided']:,}; "
        "the other record may have printed them",
        "By hand, for what happened after the backup:",
        "  take in the results files again; pack, count and settle again what was done;",
        "  labels that were printed meanwhile are foreign here: find them, and hold what they "
        "are on;",
        "  compare with the last checkpoint, the print files and the events that were sent.",
        CAUTION,
    ]


@app.command()
def export(
    out: Annotated[Path | None, typer.Option(help="A new folder.", file_okay=False)] = None,
    check: Annotated[
        Path | None, typer.Option(help="An export to check; needs no record.", file_okay=False)
    ] = None,
) -> None:
    """Write a complete copy that can be read without this program; or check such a copy."""
    if (out is None) == (check is None):
        raise WrongUsage(
            "usage",
            "Give --out or --check, and not both.",
            remedy="record export --out FOLDER, or record export --check FOLDER",
        )
    if check:
        result = exporting.check(check)
        answer(result, ["Sound, and complete in itself.", *export_lines(result)])
    elif out:
        result = exporting.write(call.record(), out)
        answer(result, ["The record is sound and was copied whole.", *export_lines(result)])


def export_lines(result: dict[str, Any]) -> list[str]:
    """An export for people."""
    return [
        f"  {result['folder']}: {_entries(result)} in {many(result['chains'], 'chain')}, "
        f"{many(result['parts'], 'part')}, {many(result['labels'], 'label')}, "
        f"{many(result['originals'], 'original')}",
        f"  {many(result['files'], 'file')}, {result['bytes']:,} bytes of a {result['record']} "
        f"record, generation {result['generation']}; nothing of passwords is in it",
        *head_lines(result["heads"]),
    ]


@app.command()
def migrate() -> None:
    """Bring the record of an earlier version to this one. Back it up first.

    Nobody can work on it meanwhile; earlier versions cannot work on it afterwards.
    """
    result = opening.migrate_record(
        call.url,
        person=call.person,
        password=call.password,
        station=clock.station(),
        now=clock.now,
        chance=clock.chance(),
    )
    answer(result, migrate_lines(result))


@app.command("copy")
def copy_(
    to: Annotated[
        str,
        typer.Argument(metavar="TO_URL", help="A file not there yet, or an empty database."),
    ],
    call_off: Annotated[
        bool,
        typer.Option("--call-off", help="Work here again: the copy can never be finished."),
    ] = False,
    reason: Annotated[str, typer.Option(help="Why the move is called off.")] = "",
) -> None:
    """Move the record: copy it to another database, check the copy, and let it take over.

    From then on this one is for looking only. After an interruption the same command goes on.
    """
    check_url(to, "TO_URL")
    if call_off:
        result = moving.call_off(call.record(), to, reason=reason)
        answer(result, call_off_lines(result))
        return
    result = moving.copy(call.record(), to)
    answer(result, copy_lines(result))


def copy_lines(result: dict[str, Any]) -> list[str]:
    """A move for people."""
    when = " before" if result["already"] else ""
    return [
        f"The copy took over{when}, as generation {result['generation']}: {result['to']}",
        f"  {_entries(result)}, {many(result['parts'], 'part')} and "
        f"{many(result['labels'], 'label')}, copied and checked by replay.",
        *head_lines(result["heads"]),
        f"  What is at {result['from']} is for looking only. Name the new place at every station.",
    ]


def call_off_lines(result: dict[str, Any]) -> list[str]:
    """A move that was called off, for people."""
    return [
        f"The move to {result['to']} was called off: work goes on here, as generation "
        f"{result['generation']}."
    ]


def migrate_lines(result: dict[str, Any]) -> list[str]:
    """A migration for people."""
    if result["from"] == result["to"]:
        return [f"The record is of this version already (schema {result['to']})."]
    return [
        f"The record was brought from schema {result['from']} to {result['to']}.",
        "  Check it: serialkeeper record verify",
    ]


def verify_lines(result: dict[str, Any]) -> list[str]:
    """A verification for people."""
    return [
        f"Sound: {_entries(result)} in {many(result['chains'], 'chain')}, "
        f"{many(result['parts'], 'part')} ({result['bytes']:,} bytes), replayed and compared with "
        f"{many(result['rows'], 'table row')}.",
        *set_back_lines(**result["set_back"]),
        *head_lines(result["heads"]),
        unprotected_line(**result["unprotected"]),
    ]


def set_back_lines(entries: int, seconds: int, first: str | None) -> list[str]:
    """What stations' clocks did, for people."""
    if not entries:
        return []
    return [
        f"  A station's clock was set back {many(entries, 'time')}, by {seconds:,} s at most, "
        f"first at {first}: times there are what the clock showed; the order of entries holds all "
        "the same."
    ]


def unprotected_line(since: str | None, entries: int) -> str:
    """How much no checkpoint protects, for people."""
    if since is None:
        return f"  No checkpoint yet; entries that none protects: {entries:,}."
    return f"  Checkpoint of {since}; entries after it, which none protects yet: {entries:,}."


def _entries(result: dict[str, Any]) -> str:
    return many(result["entries"], "entry", "entries")


def head_lines(heads: dict[str, dict[str, Any]]) -> list[str]:
    """Heads for people."""
    return [
        *(f"  {name}: {_entries(one)}, head {one['head']}" for name, one in heads.items()),
        "  Keep these heads elsewhere: a history rewritten to its end, head row included, "
        "shows only against a copy kept outside.",
    ]
