"""A third party, with a proof, a checkpoint, a key on paper and a script of one page, is shown one
label; with anything altered it is shown nothing."""

from __future__ import annotations

import base64
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from conftest import Bench, as_seen

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import signing

ROOT = Path(__file__).resolve().parents[2]


def set_in(place: str, value: Any) -> Callable[[Any], None]:
    """An alteration of a proof: a value at a place, named as `proofs.0.index`."""

    def change(proof: Any) -> None:
        *way, last = [int(one) if one.isdigit() else one for one in place.split(".")]
        for one in way:
            proof = proof[one]
        proof[last] = value(proof[last]) if callable(value) else value

    return change


def flipped(data: str) -> str:
    """Base64 of the same bytes but for one bit."""
    raw = base64.b64decode(data)
    return base64.b64encode(bytes([raw[0] ^ 1]) + raw[1:]).decode()


ALTERED: dict[str, Callable[[Any], None]] = {
    "an entry's person": set_in("proofs.2.entry", lambda text: text.replace("Lead", "Head")),
    "an entry's place": set_in("proofs.1.index", lambda index: index + 1),
    "a path": set_in("proofs.0.path.0", "00" * 32),
    "a path cut short": set_in("proofs.0.path", lambda path: path[:-1]),
    "a path too long": set_in("proofs.0.path", lambda path: [*path, path[0]]),
    "a part's byte": set_in("proofs.1.part.data", flipped),
    "a part's first position": set_in("proofs.2.part.first", 2),
    "a part's kind": set_in("proofs.2.part.kind", "serials"),
    "another label": set_in("label", 9_999),
    "no label": set_in("label", None),
    "the root": set_in("root", "00" * 32),
    "the size": set_in("size", lambda size: size + 1),
    "another lot": set_in("chain.lot_id", 2),
    "another record": set_in("record", "00" * 32),
    "another time": set_in("at", "2026-06-01T00:00:00.000Z"),
    "no entries": set_in("proofs", []),
}


def test_a_third_party_checks_one_label(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """The script of DEVELOPERS.md says what a good proof proves, and refuses every altered one."""
    folder, record = bench.folder, bench.record
    rows = as_seen(bench.printed(8))
    rows[3]["seen"] = ""
    sk.inspect.take(record, bench.lot, bench.results(rows[:7]))
    sk.label.void(record, bench.lot, "4", reason="waste")
    public = sk.record.key(record, folder / "key.pem")["public_key"]
    point = Path(sk.record.checkpoint(record, folder, key=folder / "key.pem")["file"])
    page = (ROOT / "DEVELOPERS.md").read_text()
    found = re.search(r"```python check-proof\n(.*?)```", page, re.S)
    assert found
    (folder / "check_proof.py").write_text(found[1])

    def check(path: Path, key: str = public, against: Path = point) -> tuple[int, str]:
        words = [sys.executable, "-I", folder / "check_proof.py", path, against, key]
        done = subprocess.run(words, capture_output=True, text=True)
        return done.returncode, done.stdout + done.stderr

    def prove(label: int) -> Path:
        out = folder / f"label{label}.json"
        told = sk.record.prove(record, bench.lot, label=label, against=point, out=out)
        assert told["later"] == 0
        return out

    serial = sk.label.show(record, bench.lot, position=1)["serial"]
    code, said = check(prove(1))
    assert code == 0, said
    assert "lot LOT24A, GTIN 09521234543213, expiry 2028-06-30" in said
    assert f"label 1 has the number {serial}" in said
    assert said.rstrip().endswith("label 1 became commissioned")
    for label, state in {4: "voided", 8: "issued"}.items():
        code, said = check(prove(label))
        assert code == 0 and said.rstrip().endswith(f"label {label} became {state}")

    good = json.loads((folder / "label1.json").read_text())
    schema = json.loads((ROOT / "schemas" / "record-proof.schema.json").read_text())
    jsonschema_rs.validator_for(schema).validate(good)
    for what, alter in ALTERED.items():
        bad = json.loads(json.dumps(good))
        alter(bad)
        (folder / "bad.json").write_text(json.dumps(bad))
        code, said = check(folder / "bad.json")
        assert code == 1, (what, said)
        assert "Traceback" not in said, (what, said)
    strange = signing.public_half(signing.make_key(folder / "strange.pem"))
    assert "not signed with that key" in check(folder / "label1.json", strange)[1]
    (folder / "forged.json").write_bytes(point.read_bytes().replace(b"2026", b"2027"))
    assert check(folder / "label1.json", against=folder / "forged.json")[0] == 1
    # what came later is told, not proven: an entry after the checkpoint, a label decided since
    sk.label.decommission(record, bench.lot, "1", reason="sampled", count=1)
    again = folder / "again.json"
    later = sk.record.prove(record, bench.lot, label=1, against=point, out=again)
    assert later["later"] == 1 and again.read_bytes() == (folder / "label1.json").read_bytes()
    common = ["--record", bench.url, "--as", "Line Lead", "record", "prove"]
    to_house = ["--against", str(point), "--out", str(folder / "house.json")]
    assert run([*common, "--entry", "1", *to_house]) == 0
    assert check(folder / "house.json")[0] == 0
    assert run([*common, bench.lot, "--entry", "99", *to_house]) == 1
    assert "not_covered" in capsys.readouterr().err
    assert run([*common, "--label", "1", *to_house]) == 1
    assert "bad_value" in capsys.readouterr().err
