"""The benchmark still runs and reports every row; how fast is not asked here."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

PROGRAM = Path(__file__).with_name("main_job.py")

TIMED = ["allocate", "print", "take", "events_json", "events_xml", "verify"]
REST = ["look_up", "life", "rest", "rest_bare"]


def run(tmp_path: Path, *words: str) -> tuple[str, dict[str, Any]]:
    out = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, str(PROGRAM), *words, "--json", str(out)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout, json.loads(out.read_text())


def names(figures: dict[str, Any]) -> list[str]:
    return [row["name"] for row in figures["rows"]]


def test_every_step_stands_beside_its_limit(tmp_path: Path) -> None:
    """One repeat gives one row a step, in the table and in the JSON."""
    table, figures = run(tmp_path, "--labels", "3000", "--repeat", "1")
    assert names(figures) == [*TIMED, *REST]
    assert {"fsync_ms", "cpus", "python", "sqlite", "labels", "repeats"} <= set(figures)
    for row in figures["rows"]:
        assert row["title"] in table
        assert row["step"] > 0
        if row["name"] in TIMED:
            assert row["limit"] > 0
            assert row["ratio"] == row["step"] / row["limit"]
            assert row["met"] is (row["ratio"] <= row["targets"]["ratio"])


def test_figures_are_kept_beside_those_of_other_cases(tmp_path: Path) -> None:
    """A figure replaces that of the same step in the same case, and no other; the order is that of
    the job, and the file that README is made of has that form."""
    theirs = json.loads(PROGRAM.with_suffix(".json").read_text())
    kept = tmp_path / "kept.json"
    kept.write_text(json.dumps(theirs))
    words = ("--labels", "3000", "--repeat", "1", "--steps", "print,take", "--keep", str(kept))
    _, figures = run(tmp_path, *words)
    now = json.loads(kept.read_text())
    assert [set(one) for one in now] == [set(theirs[0])] * len(theirs)
    assert [one["name"] for one in now] == [one["name"] for one in theirs]
    changed = [(old, new) for old, new in zip(theirs, now, strict=True) if old != new]
    measured = {row["name"]: row["ratio"] for row in figures["rows"]}
    assert {new["name"]: new["measured"] for _, new in changed} == measured
    for old, new in changed:
        same = ("name", "step", "limit", "tells", "stored", "wanted", "unit")
        assert [old[one] for one in same] == [new[one] for one in same]
        assert new["labels"] == 3000 and new["tells"] == "positions"


def test_a_full_record_adds_the_growth(tmp_path: Path) -> None:
    """With numbers stored, the same allocation is held against one in an empty record."""
    words = ("--labels", "3000", "--repeat", "2", "--stored", "5000", "--steps", "allocate,look_up")
    table, figures = run(tmp_path, *words)
    assert names(figures) == ["allocate", "look_up", "growth"]
    assert len(figures["rows"][-1]["samples"]["ratio"]) == 2
    assert "5,000" in table


def test_memory_is_read_from_a_process_for_each_step(tmp_path: Path) -> None:
    """Every step gets its peak at both sizes."""
    table, figures = run(tmp_path, "--memory", "--labels", "1000", "--steps", "allocate")
    assert names(figures) == ["imports", "start", "allocate"]
    assert "growth" in table
    assert all(row["peak"] > 1 and row["peak_5x"] > 1 for row in figures["rows"])


def test_the_demo_is_timed(tmp_path: Path) -> None:
    """The demo gets its time and peak."""
    _, figures = run(tmp_path, "--demo", "--labels", "1000")
    assert names(figures) == ["demo"]
    assert figures["rows"][0]["time"] > 0


def test_a_tenth_of_the_webs_ends_as_the_truth_says() -> None:
    """Two seeds of twenty, in full length: no bad label is good, no outcome differs silently;
    what the readings do not tell stays within its bounds."""
    program = Path(__file__).with_name("web.py")
    done = subprocess.run(
        [sys.executable, str(program), "--seeds", "2"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line for line in done.stdout.splitlines() if line.startswith(("positions", "times"))]
    assert len(rows) == 9, done.stdout


def test_following_is_measured(tmp_path: Path) -> None:
    """Writer and follower run as two processes; every label and alarm gets its delay."""
    out = tmp_path / "figures.json"
    program = PROGRAM.with_name("follow.py")
    words = ["--labels", "3000", "--rate", "3000", "--json", str(out)]
    done = subprocess.run(
        [sys.executable, str(program), *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    figures = json.loads(out.read_text())
    assert figures["labels"] > 2900 and figures["rate"] > 100
    assert 0 < figures["delay_p50"] <= figures["delay_p99"] <= figures["delay_most"]
    assert figures["alarms"] > 0 and figures["core_share"] > 0
    assert "delay, 99 of 100" in done.stdout


def test_growth_is_told_for_every_step_at_every_size(tmp_path: Path) -> None:
    """A record that doubles: each step has a time and both ratios, each byte of the file a kind."""
    out, folder = tmp_path / "figures.json", tmp_path / "record"
    program = PROGRAM.with_name("scale.py")
    words = ["--labels", "2000,4000", "--repeat", "1", "--look-ups", "40"]
    done = subprocess.run(
        [sys.executable, str(program), *words, "--json", str(out), "--folder", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr  # 1: a limit was missed, as it may be here
    small, large = json.loads(out.read_text())["sizes"]
    assert (small["labels"], large["labels"]) == (2000, 4000)
    for name, row in large["steps"].items():
        assert row["ms"] > 0 and row["of_first"] > 0 and row["of_beside"] > 0, name
        assert small["steps"][name]["of_first"] == small["steps"][name]["of_beside"] == 1, name
    assert {"allocate", "print", "take", "look_up", "life", "scan", "verify"} <= set(large["steps"])
    bare = sum(large["rest"].values()) - large["rest"]["originals"]
    assert large["bytes"] == pytest.approx(bare / 4000)
    assert large["rest"]["label rows"] > small["rest"]["label rows"]
    assert not (folder / "full" / "job.csv").exists()
    assert not (folder / "beside").exists()


def test_photographs_of_our_symbols_are_read_right_or_not_at_all() -> None:
    """Without harm every one reads, and with much of it none is read as something else."""
    from photographs import measure

    clean, mild, bad = measure(16, 5, (0.0, 1.0, 4.0))
    assert clean.right == clean.taken == 16
    assert mild.right > 8
    assert bad.right < 16
    assert clean.wrong + mild.wrong + bad.wrong == 0


def test_the_rate_of_symbols_is_measured() -> None:
    """Every form is drawn and compared with its limit; how fast is not asked here."""
    from symbols_rate import measure

    for form in ("svg", "png", "matrix"):
        rate, times, length = measure(200, "24x24", form, runs=1)
        assert rate > 0 and times > 0 and length > 24 * 24 / 8
