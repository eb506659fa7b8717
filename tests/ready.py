"""Processes of their own that begin at once: forked from one that has the program loaded.

A signal, a lock or a lost connection is a process's matter, however it began; that the program
starts from nothing is asked where the test is about that.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from pathlib import Path

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["serialkeeper.__main__"])


def ran(code: str, *arguments: str) -> int:
    """Run a program as `python -c` does, silently; gives its exit code, or minus the signal that
    ended it."""
    return _ended(_program, code, arguments, dict(os.environ))


def typed(
    words: list[str], *, given: str = "", env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a command as `python -m serialkeeper` does, with that on its standard input."""
    with tempfile.TemporaryDirectory(prefix="typed-") as name:
        folder = Path(name)
        (folder / "0").write_text(given)
        code = _ended(_command, words, dict(os.environ) if env is None else env, name)
        told = [(folder / str(number)).read_text() for number in (1, 2)]
        return subprocess.CompletedProcess(words, code, *told)


def _ended(work: object, *arguments: object) -> int:
    process = _FORKS.Process(target=work, args=arguments)  # type: ignore[arg-type]
    process.start()
    process.join()
    assert process.exitcode is not None
    return process.exitcode


def _program(code: str, arguments: tuple[str, ...], env: dict[str, str]) -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    _take_over(env)
    sys.argv = ["-c", *arguments]
    exec(code, {})  # noqa: S102 - a test's own


def _command(words: list[str], env: dict[str, str], folder: str) -> None:
    from serialkeeper.__main__ import main

    for number, how in enumerate((os.O_RDONLY, os.O_WRONLY | os.O_CREAT, os.O_WRONLY | os.O_CREAT)):
        os.dup2(os.open(Path(folder, str(number)), how, 0o600), number)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115 - for as long as the process
    _take_over(env)
    sys.argv = ["serialkeeper", *words]
    main()


def _take_over(env: dict[str, str]) -> None:
    """The caller's variables: the process that everything is forked from began before they were."""
    os.environ.clear()
    os.environ.update(env)
