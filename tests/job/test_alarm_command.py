"""The user's command for an alarm: no shell, a time limit, and what goes wrong is only told."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from serialkeeper.errors import WrongUsage
from serialkeeper.outside import command
from serialkeeper.outside.command import Command


def ran(line: str, *texts: bytes) -> list[str]:
    """What is reported of a command that was called with these texts."""
    reports: list[str] = []
    with Command(line, reports.append) as called:
        for text in texts:
            called.call(text)
    return reports


def test_it_gets_the_text_and_its_words_as_they_stand(tmp_path: Path) -> None:
    """Quoted words are one argument; a shell's signs mean nothing."""
    out = tmp_path / "out"
    program = f"import sys; open({str(out)!r}, 'a').write(sys.argv[1] + sys.stdin.read())"
    assert ran(f'{sys.executable} -c "{program}" "a b; $HOME *"', b"one", b"two") == []
    assert out.read_text() == "a b; $HOME *onea b; $HOME *two"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("no-such-program", "No such file"),
        (
            f"{sys.executable} -c \"import sys; sys.exit('lamp is off')\"",
            "exit code 1: lamp is off",
        ),
        (f'{sys.executable} -c "import time; time.sleep(30)"', "stopped after"),
    ],
    ids=["missing", "failing", "hanging"],
)
def test_what_goes_wrong_is_told_and_stops_nothing(
    monkeypatch: pytest.MonkeyPatch, line: str, told: str
) -> None:
    """A missing program, an exit code, a program that hangs: one sentence for each call."""
    monkeypatch.setattr(command, "LONGEST", 0.5)
    reports = ran(line, b"one", b"two")
    assert len(reports) == 2 and all(told in report for report in reports)


def test_too_many_alarms_do_not_pile_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Beyond some that wait, an alarm is not passed on, and that is told."""
    monkeypatch.setattr(command, "MOST_WAITING", 2)
    gate, reports = tmp_path / "gate", list[str]()
    program = f"import os, time\nwhile not os.path.exists({str(gate)!r}): time.sleep(0.01)"
    with Command(f'{sys.executable} -c "{program}"', reports.append) as called:
        for _ in range(4):
            called.call(b"")
        gate.touch()
    assert len(reports) == 2 and all("wait" in report for report in reports)


def test_a_line_that_is_no_command_is_refused() -> None:
    """Nothing at all, and quotes that are not closed."""
    for line in ("", "lamp 'on"):
        with pytest.raises(WrongUsage):
            Command(line, print)
