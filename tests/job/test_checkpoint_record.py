"""What a checkpoint finds in a record, and what it cannot find."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from pathlib import Path

import pytest
from conftest import Bench, as_seen
from databases import Database
from sqlalchemy import text

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import clock, signing
from serialkeeper.rules.checkpoints import Checkpoint, read
from serialkeeper.store import checkpoints

AT = "2026-11-26T12:00:00.000Z"


def kept(bench: Bench) -> Checkpoint:
    """A checkpoint that went through its signed file."""
    key = signing.make_key(bench.folder / "key.pem")
    with bench.record.read() as view:
        data = checkpoints.take(view, 1, AT).signed(key)
    return read(data, key.public_key().public_bytes_raw().hex(), "checkpoint")


def after(bench: Bench, checkpoint: Checkpoint, generation: int = 1) -> int:
    with bench.record.read() as view:
        return checkpoints.entries_after(view, checkpoint, generation)


def rewrite(database: Database, first: int) -> int:
    """Give the lot's entries from one on another person, and hashes that fit, head row included.

    With hashlib alone, as whoever can write the database would (FIPS 180-4). Gives how many
    entries were altered.
    """
    altered, head = 0, bytes(32)
    with database.client() as client:
        every = "SELECT seq, body, hash FROM entry WHERE lot_id = 1 ORDER BY seq"
        for seq, body, own in client.execute(text(every)).all():
            if seq < first:
                head = own
                continue
            other = bytes(body)
            if b'"signatures"' not in other:  # these would need new ones, which is as easy
                other = other.replace(b'"person":"Line Lead"', b'"person":"Somebody"')
            altered += other != body
            head = hashlib.sha256(head + other).digest()
            edit = "UPDATE entry SET body = :body, hash = :head WHERE lot_id = 1 AND seq = :seq"
            client.execute(text(edit), {"body": other, "head": head, "seq": seq})
        client.execute(text("UPDATE chain SET head = :head WHERE lot_id = 1"), {"head": head})
    return altered


def test_as_an_officer_uses_it(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """A key, a checkpoint, the check against it; the span that it does not protect is told. A key
    that the record does not name signs nothing, and a file of another key is not believed."""
    bench.printed(4)
    record, folder = bench.record, bench.folder
    assert sk.record.verify(record)["unprotected"]["since"] is None
    with pytest.raises(sk.Refused, match="not name this key"):
        signing.make_key(folder / "strange.pem")
        sk.record.checkpoint(record, folder, key=folder / "strange.pem")
    key = sk.record.key(record, folder / "key.pem")
    with pytest.raises(sk.Refused, match="file of that name"):
        sk.record.key(record, folder / "key.pem")
    made = sk.record.checkpoint(record, folder, key=folder / "key.pem")
    path = Path(made["file"])
    assert hashlib.sha256(path.read_bytes()).hexdigest() == made["sha256"]
    for given in ("", key["public_key"]):
        later = sk.record.verify(record, against=path, public_key=given)["unprotected"]
        assert later == {"since": made["at"], "entries": 1}  # the entry that tells of it
    sk.label.void(record, bench.lot, "4", reason="specimen", count=1)
    assert sk.record.verify(record)["unprotected"] == {"since": made["at"], "entries": 2}
    with pytest.raises(sk.Refused, match="relied on"):
        sk.record.verify(record, against=path, public_key="ab" * 32)
    (folder / "altered.json").write_bytes(path.read_bytes().replace(b"2026", b"2027"))
    with pytest.raises(sk.Refused, match="relied on"):
        sk.record.verify(record, against=folder / "altered.json")
    common = ["--record", bench.url, "--as", "Line Lead"]
    assert run(["record", "verify", "--against", str(path), *common]) == 0
    assert "entries after it, which none protects yet: 2" in capsys.readouterr().out
    assert rewrite(bench.database, 1) > 1
    assert run(["record", "verify", *common]) == 0
    assert run(["record", "verify", "--against", str(path), *common]) == 3
    assert "rewritten" in capsys.readouterr().err


def test_a_rewritten_chain_shows_only_against_the_checkpoint(bench: Bench) -> None:
    """First what came after it is rewritten: not found, but counted. Then all of the chain."""
    bench.printed(4)
    checkpoint = kept(bench)
    told = next(mark.count for mark in checkpoint.marks if mark.key.lot_id == 1)
    assert after(bench, checkpoint) == 0
    sk.label.void(bench.record, bench.lot, "4", reason="specimen", count=1)
    added = after(bench, checkpoint)
    assert added > 0
    assert rewrite(bench.database, told + 1) > 0
    assert sk.record.verify(bench.record)["sound"]
    assert after(bench, checkpoint) == added
    assert rewrite(bench.database, 1) > 1
    assert sk.record.verify(bench.record)["sound"]
    with pytest.raises(sk.Damaged, match="rewritten"):
        after(bench, checkpoint)


def test_a_cut_tail_a_lost_chain_and_another_record_show(bench: Bench) -> None:
    bench.printed(4)
    checkpoint = kept(bench)
    other = Checkpoint("00" * 32, 1, AT, checkpoint.marks)
    with pytest.raises(sk.Damaged, match="another record"):
        after(bench, other)
    older = Checkpoint(checkpoint.record, 2, AT, checkpoint.marks)
    with pytest.raises(sk.Damaged, match="older copy"):
        after(bench, older)
    cut = (
        "DELETE FROM entry WHERE lot_id = 1 AND seq = (SELECT count FROM chain WHERE lot_id = 1);"
        "UPDATE chain SET count = count - 1, head = (SELECT hash FROM entry WHERE lot_id = 1 "
        "ORDER BY seq DESC LIMIT 1) WHERE lot_id = 1"
    )
    assert bench.database.edit(cut) == 1
    with pytest.raises(sk.Damaged, match="cut off"):
        after(bench, checkpoint)
    gone = "DELETE FROM entry WHERE lot_id = 1;DELETE FROM chain WHERE lot_id = 1"
    assert bench.database.edit(gone) >= 1
    with pytest.raises(sk.Damaged, match="lot 1, entry 1"):
        after(bench, checkpoint)


def test_checkpoints_by_themselves(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """For a custodian: at once, when the last one is old, at a lot's closing; never because
    somebody looked, and never at the cost of a step."""
    folder = bench.folder / "custodian"
    key = sk.record.key(bench.record, bench.folder / "key.pem")
    monkeypatch.setenv("SERIALKEEPER_SIGNING_KEY", key["key"])

    def typed(*words: str) -> list[Path]:
        before = set(folder.iterdir()) if folder.exists() else set()
        assert run(["--record", bench.url, "--as", "Line Lead", *words]) == 0
        return sorted(set(folder.iterdir()) - before) if folder.exists() else []

    assert run(["--record", bench.url, "record", "custodian", str(folder)]) == 1
    folder.mkdir()
    assert typed("serials", "allocate", bench.lot, "4") == []
    assert typed("record", "custodian", "--end") == []  # nothing to end
    (made,) = typed("record", "custodian", str(folder), "--minutes", "5")
    assert sk.record.custodian(bench.record)["last"]
    assert typed("record", "custodian") == [] == typed("label", "list", bench.lot)
    job = bench.folder / "job.csv"
    assert typed("print", "write", bench.lot, "--lanes", "4", "--out", str(job)) == []
    capsys.readouterr()
    # the clock goes on; then there is no room for the checkpoint, and no key
    now = clock.now
    monkeypatch.setattr(clock, "now", lambda: now() + timedelta(minutes=6))
    results = bench.results(as_seen(job))
    folder.rename(bench.folder / "away")
    assert typed("inspect", "take", bench.lot, str(results)) == []
    told = capsys.readouterr().err
    assert "No checkpoint was made" in told and told.count("\n") == 2  # and the practice line
    (bench.folder / "away").rename(folder)
    monkeypatch.delenv("SERIALKEEPER_SIGNING_KEY")
    assert typed("lot", "count", bench.lot, "printer_counter", "4") == []
    assert "no key" in capsys.readouterr().err
    monkeypatch.setenv("SERIALKEEPER_SIGNING_KEY", key["key"])
    (second,) = typed("lot", "count", bench.lot, "rewind_counter", "4")
    assert typed("lot", "reconcile", bench.lot) == []
    (third,) = typed("lot", "close", bench.lot)
    assert f"Checkpoint {third}, SHA-256 " in capsys.readouterr().err
    for point, entries in ((second, 5), (third, 1)):
        later_entries = sk.record.verify(bench.record, against=point)["unprotected"]["entries"]
        assert later_entries <= entries
    assert sk.record.verify(bench.record, against=made)["sound"]
    newest = sk.record.verify(bench.record, against=folder)["unprotected"]
    assert newest == sk.record.verify(bench.record, against=third)["unprotected"]
    (bench.folder / "empty").mkdir()
    with pytest.raises(sk.Refused, match="file_missing"):
        sk.record.verify(bench.record, against=bench.folder / "empty")
    assert typed("record", "custodian", "--end") == []
    assert typed("hold", "place", bench.lot, "--reason", "a test") == []
    assert sk.record.custodian(bench.record) == {"folder": None, "minutes": 0, "last": None}
