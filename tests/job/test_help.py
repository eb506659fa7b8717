"""Help that helps: every command's page, every refusal explained, guesses, completion, progress,
and Ctrl-C on a long command."""

from __future__ import annotations

import ast
import inspect
import io
import itertools
import os
import pty
import re
import shlex
import signal
import subprocess
import sys
import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import ready
from conftest import EXPIRY, GTIN, Bench
from hypothesis import given
from hypothesis import strategies as st
from typer.main import get_command

import serialkeeper as sk
from serialkeeper.cli import explain, guide, manual
from serialkeeper.cli.answer import FINDINGS
from serialkeeper.cli.door import app, hoist, run
from serialkeeper.errors import WORDS, Refused
from serialkeeper.rules import layout, levels, profiles, progress
from serialkeeper.rules.guesses import meant


def test_every_command_says_why_gives_an_example_and_its_exit_codes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The pages are those of the tree, no more; each example is a call of its own command that the
    command line understands; exit code 5 stands where the command may end with it."""
    there = manual.commands(app)
    assert set(manual.pages()) == set(there)
    tree = get_command(app)
    for name, page in manual.pages().items():
        assert page.why.endswith((".", "?")) and len(page.why.split()) >= 8, name
        words = shlex.split(page.example)
        assert page.example.startswith(name), name
        command: Any = tree
        left = hoist(words)
        while left and hasattr(command, "commands"):
            command = command.commands[left.pop(0)]
        with command.make_context(name, left) as context:
            assert not context.args, name
        source = inspect.getsource(there[name].callback or run)
        if "Exit(FINDINGS)" in source:
            assert FINDINGS in page.exits, f"{name} may end with 5"
    for name in ("lot reconcile", "events send", "scan"):
        assert run([*name.split(), "--help"]) == 0
        told = " ".join(capsys.readouterr().out.replace("│", " ").split())
        for text in manual.pages()[name].text().split("\n\n"):
            assert " ".join(text.split()) in told, name


def test_no_docstring_repeats_its_page() -> None:
    """An example stands once."""
    for name, command in manual.commands(app).items():
        assert "Example" not in (inspect.getdoc(command.callback) or ""), name


def test_every_refusal_word_and_exit_code_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """Cause, what to do and who decides of each word, none of them the word or its meaning again;
    what the texts tell to type is there to be typed."""
    texts = explain.texts()
    assert set(texts) == set(WORDS)
    seen: set[str] = set()
    for word, told in texts.items():
        assert set(told) == {"cause", "do", "who"}, word
        for part in told.values():
            assert part.endswith((".", "?")) and part != WORDS[word] and word not in part, word
        assert len(told["cause"].split()) >= 5 and len(told["do"].split()) >= 4, word
        assert told["cause"] not in seen and told["do"] not in seen, f"{word} says what others say"
        seen |= {told["cause"], told["do"]}
    assert set(explain._EXITS) == set(manual.EXITS)
    for code in ["lot_unbalanced", "[lot_unbalanced]", "5", "130"]:
        assert run(["explain", code]) == 0
        assert "what to do:" in capsys.readouterr().out
    assert run(["explain", "lot_unbalancd"]) == 2
    assert "Did you mean 'lot_unbalanced'" in capsys.readouterr().err
    for code in manual.EXITS:
        assert f"| {code} | " in README.read_text()


def test_commands_that_explanations_name_are_there() -> None:
    """`noun verb` behind a colon or in brackets is a command."""
    there = set(manual.commands(app))
    nouns = {name.split()[0] for name in there}
    named = set()
    for told in explain.texts().values():
        for found in re.findall(r"(?:: |\()([a-z]+ [a-z]+)", told["do"]):
            if found.split()[0] in nouns:
                named.add(found)
    assert len(named) > 25 and named <= there, named - there


def test_a_mistyped_name_gets_a_guess_and_nothing_more(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Lots, products, people, stations and commands; nothing is done for whoever mistyped."""
    before = bench.heads()
    sk.product.add(bench.record, "09521234543220", prefix_length=7, name="Drops")
    for call, guess in (
        (lambda: sk.lot.show(bench.record, "lot24a"), "'LOT24A'"),
        (lambda: sk.lot.show(bench.record, "LOT42A"), "'LOT24A'"),
        (lambda: sk.lot.show(bench.record, f"{GTIN}/LOT24"), f"'{GTIN}/LOT24A'"),
        (lambda: sk.product.show(bench.record, "09521234543237"), "'09521234543213'"),
        (lambda: sk.lot.approve(bench.record, "LOT24A", second="Second Persn"), "'Second Person'"),
    ):
        with pytest.raises(Refused) as caught:
            call()
        assert f"Did you mean {guess}" in caught.value.remedy, guess
    with pytest.raises(Refused) as caught:
        sk.lot.show(bench.record, "nothing like it")
    assert "Did you mean" not in caught.value.remedy
    sk.station.add(bench.record, "line 1")
    with (
        sk.open_record(bench.url, person="Line Lead", station="lien 1") as there,
        pytest.raises(Refused, match="stations that it names") as caught,
    ):
        sk.serials.allocate(there, "LOT24A", 5)
    assert "Did you mean 'line 1'?" in caught.value.remedy
    assert bench.heads()[f"{GTIN}/LOT24A"] == before[f"{GTIN}/LOT24A"]
    assert run(["lto", "list"]) == 2 and run(["lot", "lst"]) == 2
    said = capsys.readouterr().err
    assert "Did you mean 'lot'" in said and "'list'" in said


@given(st.text(max_size=120), st.lists(st.text(max_size=30), max_size=20))
def test_a_guess_is_always_one_of_the_names(came: str, known: list[str]) -> None:
    """Whatever was typed; at most three of them."""
    said = meant(came, known)
    offered = (
        ast.literal_eval("[" + said[13:-1].replace(" or ", ", ") + "]")
        if (said and " or " not in "".join(known))
        else []
    )
    assert len(offered) <= 3 and set(offered) <= set(known)
    if came in known and " or " not in "".join(known):
        assert came.casefold() in {one.casefold() for one in offered} or not came


def test_the_shell_completes_nouns_and_verbs() -> None:
    """As the script that --show-completion prints asks for it, in bash and in zsh's words."""
    for words, wanted in (
        ("serialkeeper lo", {"location", "lot"}),
        ("serialkeeper lot re", {"reconcile", "reopen", "report"}),
        ("serialkeeper lot report --pa", {"--paper"}),
    ):
        asked = {
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split()) - 1),
            "_SERIALKEEPER_COMPLETE": "complete_bash",
        }
        done = ready.typed([], env={**os.environ, **asked})
        assert set(done.stdout.split()) == wanted, words
    shown = ready.typed(["--show-completion", "bash"]).stdout
    assert "_SERIALKEEPER_COMPLETE=complete_bash" in shown


@given(st.integers(1, 10**7), st.integers(0, 10**7), st.floats(0.1, 10**5))
def test_rate_and_time_left_are_what_was_done_in_the_time(
    of: int, done: int, seconds: float
) -> None:
    """The rate by the time gives what was done; at that rate the rest takes what is told."""
    done = min(done, of)
    told = progress.line("labels", done, of, 0, seconds)
    assert told.startswith(f"{done:,} of {of:,} labels")
    rate = done / seconds
    if rate >= 1:
        assert f", {rate:,.0f}/s" in told
    found = re.search(r"(\d+) (s|min|h) left", told)
    assert bool(found) == (0 < done < of)
    if found:
        unit = {"s": 1, "min": 60, "h": 3600}[found[2]]
        assert abs(int(found[1]) * unit - (of - done) / rate) <= unit / 2 + 31 * (unit > 60) + 1


class Terminal(io.StringIO):
    """A stream that says that somebody looks at it."""

    def isatty(self) -> bool:
        return True


def test_progress_is_for_terminals_only(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --json, or into a pipe, nothing of it is written; on a terminal its line is gone before
    the answer."""
    for more, stream, shown in (
        ([], Terminal(), True),
        (["--json"], Terminal(), False),
        ([], io.StringIO(), False),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stderr", stream)
            patch.setattr("serialkeeper.cli.progress.EVERY", 0.0)
            common = ["--record", bench.url, "--as", "Line Lead"]
            assert run([*common, "serials", "allocate", "LOT24A", "5", *more]) == 0
        assert ("5 of 5 numbers" in stream.getvalue()) == shown
    assert sk.record.verify(bench.record)["sound"]


def test_every_long_step_tells_how_far_it_is(bench: Bench) -> None:
    """What is counted, in order, up to all of it, once for each thing that takes its time."""
    bench.printed(60)
    counted: dict[str, list[tuple[int, int]]] = {}

    def seen(what: str, done: int, of: int) -> None:
        counted.setdefault(what, []).append((done, of))

    record = replace(bench.record, seen=seen)
    for step, expected in (
        (partial(sk.record.verify), {"entries and blocks checked"}),
        (partial(sk.record.export, out=bench.folder / "all"),
         {"entries and blocks checked", "entries written"}),
        (partial(sk.record.backup, out=bench.folder / "backup.db"), {"entries and blocks checked"}
         if bench.url.startswith("sqlite") else {"entries copied"}),
        (partial(sk.lot.report, name=bench.lot, out=bench.folder / "lot.html"), {"labels"}),
    ):  # fmt: skip
        counted.clear()
        step(record)
        assert set(counted) == expected
        for told in counted.values():
            assert told == sorted(told) and len({of for _, of in told}) == 1
            assert told[-1][0] == told[-1][1] > 0


@pytest.mark.only_on("sqlite", reason="what a signal does is the process's matter")
def test_ctrl_c_leaves_a_clean_record_and_says_where_it_stopped(tmp_path: Path) -> None:
    """A real signal to a real process with a terminal, in the middle of an allocation: exit code
    130, the place, a sound record; the same command finishes."""
    url = f"sqlite:///{tmp_path}/record.db"
    with sk.init(url, "Line Lead") as record:
        sk.product.add(record, GTIN, prefix_length=7, name="Tablets")
        sk.lot.open(record, GTIN, "BIG", expiry=EXPIRY, target=500_000)
        sk.lot.approve(record, "BIG")
    command = [sys.executable, "-m", "serialkeeper", "--record", url]
    command += ["serials", "allocate", "BIG", "600000"]
    ours, theirs = pty.openpty()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs, text=True) as process:
        os.close(theirs)
        said = b""
        until = time.monotonic() + 60
        while b"/s" not in said and time.monotonic() < until:
            said += os.read(ours, 4096)
        process.send_signal(signal.SIGINT)
        while piece := _read(ours):
            said += piece
        process.communicate(timeout=60)
    os.close(ours)
    assert process.returncode == 130, said.decode()
    place = re.search(r"where: at ([0-9,]+) of 600,000 numbers", said.decode())
    assert place and "[interrupted]" in said.decode()
    with sk.open_record(url, person="Line Lead") as record:
        assert sk.record.verify(record)["sound"]
        shown = sk.lot.show(record, "BIG")
        assert int(place[1].replace(",", "")) <= shown["allocated"] < 600_000
        assert sk.serials.allocate(record, "BIG", 600_000)["resumed"]


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:  # the other end is closed
        return b""


README = Path(__file__).resolve().parents[2] / "README.md"


def typed(text: str) -> list[str]:
    """The lines of commands in a document."""
    blocks = re.findall(r"```\w*\n(.*?)```|((?:^    .*\n)+)", text, re.S | re.M)
    return [
        line.strip()
        for fenced, indented in blocks
        for line in (fenced or indented).replace("\\\n", " ").splitlines()
        if re.match(r"\s*(\w+=\S+ )*serialkeeper ", line) and "$(" not in line
    ]


def test_every_command_line_in_readme_and_guide_is_understood() -> None:
    """Each line of a command in them, run or not, is one that the command line takes: commands,
    options and kinds of values."""
    told = [typed(text) for text in (README.read_text(), *(c.text for c in CHAPTERS.values()))]
    assert len(told[0]) > 45 and sum(map(len, told[1:])) > 120
    tree = get_command(app)
    for line in itertools.chain(*told):
        words = shlex.split(line, comments=True)
        words = words[words.index("serialkeeper") + 1 :]
        ends = [words.index(sign) for sign in "<>|&" if sign in words]
        command: Any = tree
        context = command.make_context("serialkeeper", hoist(words[: min(ends, default=None)]))
        left = [*context._protected_args, *context.args]
        while left and hasattr(command, "commands"):
            command = command.commands[left.pop(0)]
        if not hasattr(command, "commands"):
            with command.make_context(line, left, parent=context) as inner:
                assert not inner.args, line


CHAPTERS = guide.chapters()


def test_chapters_are_listed_and_printed_as_they_stand(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A title, a line that fits into the list, the text; in a pipe every byte of it."""
    assert 12 <= len(CHAPTERS) <= 18
    assert run(["guide"]) == 0
    listed = capsys.readouterr().out.splitlines()
    for row, one in zip(listed, CHAPTERS.values(), strict=False):
        assert row.split(None, 1) == [one.subject, one.about] and len(row) <= 100
        assert one.about.endswith(".") and one.text.startswith(f"# {one.title}\n\n{one.about}\n\n")
        assert run(["guide", one.subject]) == 0
        assert capsys.readouterr().out == one.text


def test_a_chapter_on_a_terminal_is_laid_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Headings and tables are drawn; of a link its words are left."""
    for subject in CHAPTERS:
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stdout", shown := Terminal())
            patch.setenv("COLUMNS", "100")
            assert run(["guide", subject]) == 0
        told = re.sub(r"\x1b\[[0-9;]*m", "", shown.getvalue())
        assert CHAPTERS[subject].about.split()[0] in told
        assert "](" not in told and "\x1b]8" not in told and "\n|---" not in told, subject
        assert "## " not in told.replace("  # ", "")


@pytest.mark.parametrize(
    ("came", "told"),
    [
        ("rols", "Did you mean 'rolls'?"),
        ("backups", "Look into databases."),
        ("images", "Look into files."),
        ("qqq", "Without a subject it lists all."),
    ],
)
def test_a_subject_that_is_not_there_gets_a_guess(
    capsys: pytest.CaptureFixture[str], came: str, told: str
) -> None:
    """A chapter of a like name, or those with the word in a heading; printed is none."""
    assert run(["guide", came]) == 2
    out, err = capsys.readouterr()
    assert not out and told in err


def test_chapters_that_are_named_are_there() -> None:
    """`guide SUBJECT` in messages, pages, help and documents; whoever only installed the program
    has no README, so no message sends there."""
    named = set()
    package = Path(explain.__file__).parents[1]
    files = [*package.rglob("*.py"), *package.rglob("*.toml"), *package.rglob("*.md"), README]
    for path in files:
        named |= set(re.findall(r"guide ([a-z]+)[`.\"]", path.read_text()))
        if path.suffix != ".md" and path.name not in ("exports.py", "exporting.py"):
            assert "README" not in path.read_text(), path  # theirs is an export's own
    assert len(named) > 12 and named <= set(CHAPTERS), named - set(CHAPTERS)


def test_every_file_that_the_guide_shows_is_understood() -> None:
    """Each TOML in it, by the rules that read such a file."""
    read = {
        "files": profiles.parse,
        "packs": lambda text: levels.read_levels(text, "guide", gtin=GTIN, prefix_length=7),
        "symbols": lambda text: layout.read_layout(text, "guide"),
    }
    for subject, chapter in CHAPTERS.items():
        found = re.findall(r"```toml\n(.*?)```", chapter.text, re.S)
        assert len(found) == (subject in read), subject
        for text in found:
            assert read[subject](text)
