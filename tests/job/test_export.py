"""An export: all that the record says, in files that need neither the record nor this program."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from conftest import EXPIRY, GTIN, Bench, as_seen
from databases import Database
from test_copy import journal, worked_on
from test_packs import packing

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.chain import HOUSE

LOT = f"lot-000001-{GTIN}-LOT24A.jsonl"
LABEL = ("position", "serial", "state")
AT = "2026-06-01T09:00:01.000Z"


def lines(path: Path) -> list[dict[str, Any]]:
    """A file of JSON Lines, read as anybody would."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").split("\n")[:-1]]


def tree(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    paths = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def refused(word: str, step: Callable[..., Any], *arguments: Any, **more: Any) -> str:
    """The refusal of a step, which has to have this word."""
    with pytest.raises(sk.SerialKeeperError) as caught:
        step(*arguments, **more)
    assert caught.value.word == word, caught.value
    return str(caught.value)


def summed(folder: Path) -> bool:
    """What `sha256sum -c` (GNU coreutils, outside this project) says of a folder."""
    done = subprocess.run(
        ["sha256sum", "--strict", "--quiet", "-c", "SHA256SUMS"],
        cwd=folder,
        capture_output=True,
        check=False,
    )
    return done.returncode == 0


def followed(folder: Path) -> bool:
    """What the script in README.txt says of a folder, run by a Python without this program."""
    text = (folder / "README.txt").read_text()
    script = textwrap.dedent(text[text.index("    import ") : text.index("Whoever can write")])
    command = [sys.executable, "-I", "-c", script]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 0


def sum_again(folder: Path) -> None:
    """What somebody does who alters a file and its hash."""
    files = {name: data for name, data in tree(folder).items() if name != "SHA256SUMS"}
    told = (f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in sorted(files.items()))
    (folder / "SHA256SUMS").write_text("".join(told))


@pytest.fixture
def full(bench: Bench) -> Path:
    """An export of a record with every kind of part."""
    worked_on(bench)
    packing(bench, "PACK1", 8)
    sk.pack.build(bench.record, "PACK1", "case", in_order=True)
    bench.lot = "LOT24A"
    out = bench.folder / "out"
    sk.record.export(bench.record, out)
    return out


def test_a_complete_copy_that_needs_nothing_else(bench: Bench, full: Path) -> None:
    """Journal and parts byte for byte, labels and originals as they are, and the same bytes each
    time; checked with coreutils, and with the script that README.txt gives, by a Python that knows
    nothing of this program. The record is as it was."""
    before, files = bench.heads(), tree(full)
    for key, stored in journal(bench.record).items():
        begin = "journal/house" if key == HOUSE else f"journal/lot-{key.lot_id:06d}-"
        (name,) = (one for one in files if one.startswith(begin))
        assert files[name] == b"".join(body + b"\n" for _, body, _ in stored)
    labels = [{name: row[name] for name in LABEL} for row in bench.labels()]
    assert lines(full / "labels" / LOT) == labels
    assert {row["state"] for row in labels} >= {"commissioned", "rejected", "voided"}
    entries, parts = lines(full / "journal" / LOT), lines(full / "parts" / LOT)
    assert {part["kind"] for part in parts} == {"serials", "extras", "states", "findings", "proofs"}
    named = [part["sha256"] for entry in entries for part in entry["parts"]]
    assert named == [hashlib.sha256(base64.b64decode(one["base64"])).hexdigest() for one in parts]
    detail = lines(full / "detail" / LOT)
    assert [row["serial"] for row in detail if "serial" in row] == [row["serial"] for row in labels]
    good = next(row for row in detail if row.get("state") == "commissioned")
    assert (good["evidence"], good["grade"], good["at"]) == ("read", "3.5", AT)
    assert {"unreadable", "low_grade"} <= {row["finding"] for row in detail if "finding" in row}
    put = [row for row in lines(next((full / "detail").glob("*PACK1*"))) if "pack" in row]
    assert [(row["position"], row["pack"]) for row in put] == [(n, 1 + n // 5) for n in range(1, 9)]
    kept = {e["seq"]: e["data"] for e in entries if e["verb"] == "take started"}
    for seq, data in kept.items():
        (name,) = (one for one in files if one.startswith(f"originals/{LOT[:-6]}/{seq:06d}-"))
        assert files[name] == (bench.folder / data["name"]).read_bytes()
    assert len(kept) == 2 and summed(full) and followed(full)
    told = sk.record.export(bench.record, bench.folder / "again")
    assert tree(bench.folder / "again") == files
    assert sk.record.export(None, check=full) == {**told, "folder": str(full)}
    assert told["heads"] == before == bench.heads()
    assert full.stat().st_mode & 0o777 == 0o700


def flip(path: Path) -> None:
    """One bit of the last byte but two."""
    data = bytearray(path.read_bytes())
    data[-3] ^= 1
    path.write_bytes(data)


def swap(path: Path) -> None:
    """The first two lines change places."""
    told = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join([told[1], told[0], *told[2:]]))


def cut(path: Path) -> None:
    """The last line is gone."""
    path.write_bytes(b"".join(line + b"\n" for line in path.read_bytes().split(b"\n")[:-2]))


def double(path: Path) -> None:
    """The last line stands there twice."""
    path.write_bytes(path.read_bytes() + path.read_bytes().split(b"\n")[-2] + b"\n")


def unlink(path: Path) -> None:
    """The file is gone."""
    path.unlink()


def add(path: Path) -> None:
    """There is a file too many."""
    (path.parent / "more").write_bytes(b"")


def link(path: Path) -> None:
    """The file lies elsewhere."""
    other = path.parent.parent.parent / "elsewhere"
    path.rename(other)
    path.symlink_to(other)


def state(path: Path) -> None:
    """A label that was good is told to be bad, in a form that is right in itself."""
    path.write_bytes(path.read_bytes().replace(b'"commissioned"', b'"rejected"', 1))


@pytest.mark.only_on("sqlite", reason="an export is the same whatever record it comes from")
def test_whatever_is_altered_is_found(full: Path, tmp_path: Path) -> None:
    """Each kind of edit in each kind of file, plainly and with the sums made again; the check says
    which file it is, or that the journal does not bear it out."""
    fine, found = tree(full), 0
    places = [f"{folder}/{LOT}" for folder in ("journal", "parts", "detail", "labels")]
    places += ["manifest.json", next(name for name in fine if name.startswith("originals/"))]
    for place in places:
        edits = [flip, cut, unlink, add, link]
        edits += [swap, double] if place.endswith("l") else []
        edits += [state] if place.startswith(("detail", "labels")) else []
        for edit in edits:
            for again in (False, True):
                copied = tmp_path / "altered" / "copy"
                shutil.rmtree(copied.parent, ignore_errors=True)
                shutil.copytree(full, copied)
                edit(copied / place)
                if again:
                    sum_again(copied)
                refused("export_differs", sk.record.export, None, check=copied)
                found += 1
    assert found == 2 * (6 * 5 + 4 * 2 + 2)
    assert sk.record.export(None, check=full)["files"] == len(fine)


@pytest.mark.only_on("sqlite", reason="an export is the same whatever record it comes from")
def test_a_journal_that_somebody_wrote_anew_shows_by_its_heads(full: Path) -> None:
    """A reason changed, all hashes of the folder made again: sound in itself, as README.txt says,
    and its heads are not those of the record."""
    path, manifest = full / "journal" / LOT, full / "manifest.json"
    told, before = json.loads(manifest.read_bytes()), sk.record.export(None, check=full)["heads"]
    path.write_bytes(path.read_bytes().replace(b'"waste"', b'"wasto"'))
    assert not followed(full)
    head = bytes(32)
    for line in path.read_bytes().split(b"\n")[:-1]:
        head = hashlib.sha256(head + line).digest()
    (chain,) = (one for one in told["chains"] if f"{one['name']}.jsonl" == LOT)
    chain["head"] = head.hex()
    manifest.write_text(json.dumps(told, separators=(",", ":"), sort_keys=True) + "\n")
    sum_again(full)
    assert summed(full) and followed(full)
    after = sk.record.export(None, check=full)["heads"]
    assert {name for name in after if after[name] != before[name]} == {f"{GTIN}/LOT24A"}


@pytest.mark.only_on("sqlite", reason="tampers with one kind of file; the refusal is the same")
def test_nothing_half_made_and_nothing_overwritten(bench: Bench, tmp_path: Path) -> None:
    """A name that is taken, even by a dead link, a folder that is not there, a disk that fails at
    any file: refused, and nothing is left; a record that is not sound is not exported."""
    bench.printed(10)
    for name, make in {"dir": Path.mkdir, "file": Path.touch}.items():
        make(tmp_path / name)
        refused("file_exists", sk.record.export, bench.record, tmp_path / name)
    (tmp_path / "dead").symlink_to(tmp_path / "nowhere")
    refused("file_exists", sk.record.export, bench.record, tmp_path / "dead")
    refused("file_unwritable", sk.record.export, bench.record, tmp_path / "no" / "out")
    refused("file_missing", sk.record.export, None, check=tmp_path / "no")
    refused("export_differs", sk.record.export, None, check=tmp_path / "dir")
    before = sorted(tmp_path.iterdir())
    real = os.fsync
    for most in range(1, 12, 2):
        calls = iter(range(most))

        def fsync(file: int, calls: Iterator[int] = calls) -> None:
            if next(calls, None) is None:
                raise OSError(28, "No space left on device")
            real(file)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "fsync", fsync)
            refused("file_unwritable", sk.record.export, bench.record, tmp_path / "out")
        assert sorted(tmp_path.iterdir()) == before
    bench.database.edit("UPDATE label SET state = 'c' WHERE position = 3")
    refused("table_differs", sk.record.export, bench.record, tmp_path / "out")
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.only_on("sqlite", reason="names of files are the same whatever record they are in")
def test_names_that_lead_elsewhere_stay_inside(bench: Bench, tmp_path: Path) -> None:
    """A lot called like a path, and a results file with a name that no file system bears twice:
    every file of the export lies in its folder, and is found again by its entry."""
    number = "../../../x/%2e%2e"
    sk.lot.open(bench.record, GTIN, number, expiry=EXPIRY, target=10)
    sk.lot.approve(bench.record, number, second="Second Person")
    bench.lot = number
    rows = as_seen(bench.printed(4))
    name = "=cmd|' ..\u00df" + "x" * 80 + ".csv"
    sk.inspect.take(bench.record, number, bench.results(rows, name=name))
    out = tmp_path / "deep" / "out"
    out.parent.mkdir()
    sk.record.export(bench.record, out)
    assert [path.name for path in out.parent.iterdir()] == ["out"]
    files = tree(out)
    (kept,) = (one for one in files if one.startswith("originals/"))
    assert kept.count("/") == 2 and kept.isascii() and not set(kept) & set("\\ \n|'=")
    assert files[kept] == (bench.folder / name).read_bytes() and len(Path(kept).name) <= 107
    assert summed(out) and sk.record.export(None, check=out)["originals"] == 1


def test_no_secret_of_a_live_record_is_in_it(database: Database, tmp_path: Path) -> None:
    """Neither a password nor what is kept of one stands in any file; README.txt says so."""
    with sk.init(database.url, "Ada", password="a long word for the tests") as made:  # noqa: S106
        sk.person.add(made, "Bea", role="operator", password="given by word of mouth")  # noqa: S106
        told = sk.record.export(made, tmp_path / "out")
        with made.read() as view:
            sealed = [one.data for one in view.credentials()]
    text = b"".join(tree(tmp_path / "out").values())
    assert told["record"] == "live" and len(sealed) == 2
    for secret in (*sealed, "a long word", "word of mouth", "argon2"):
        assert secret.encode() not in text
    assert b"Not in here, because they are secrets" in text and b"practice" not in text
    assert sk.record.export(None, check=tmp_path / "out") == told


@pytest.mark.only_on("sqlite", reason="what is typed and answered is the same")
def test_as_typed(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """The answers follow their schema; a check needs no record; one of two options is needed."""
    bench.printed(4)
    out = str(bench.folder / "out")
    common = ["--record", bench.url, "--as", "Line Lead", "--json", "record", "export"]
    assert run([*common, "--out", out]) == 0
    told = json.loads(capsys.readouterr().out)
    schema = Path(__file__).resolve().parents[2] / "schemas" / "record-export.schema.json"
    jsonschema_rs.validator_for(json.loads(schema.read_text())).validate(told)
    assert (
        run(["--json", "--record", "sqlite:///nowhere.db", "record", "export", "--check", out]) == 0
    )
    assert json.loads(capsys.readouterr().out) == told
    assert run([*common, "--out", out]) == 1
    assert json.loads(capsys.readouterr().out)["refused"]["word"] == "file_exists"
    assert run(common) == 2 and run([*common, "--out", "a", "--check", "b"]) == 2
    capsys.readouterr()
    flip(Path(out) / "README.txt")
    assert run(["record", "export", "--check", out]) == 3
    assert "README.txt" not in capsys.readouterr().out
