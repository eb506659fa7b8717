"""The house keeps its own rules: sizes, words, contracts, types, and documents that are true."""

from __future__ import annotations

import ast
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import Database

from serialkeeper.errors import WORDS
from serialkeeper.rules.moves import ROLES
from serialkeeper.rules.replay import VERBS
from serialkeeper.rules.rights import NOBODY, RIGHTS

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "serialkeeper"
SOURCES = sorted(PACKAGE.rglob("*.py"))

LONGEST_MODULE, LONGEST_FUNCTION = 480, 62
"""Lines; a file or function that grows past them has a seam to be found."""

DECLARATIONS = {"0001_first.py"}
"""Migrations list tables; they are not read like code."""


def functions() -> Iterator[tuple[Path, ast.FunctionDef]]:
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef):
                yield path, node


def test_no_module_and_no_function_outgrows_its_room() -> None:
    """Sizes are held from the first day."""
    long = [
        (path.name, count)
        for path in SOURCES
        if (count := len(path.read_text().splitlines())) > LONGEST_MODULE
    ]
    assert long == []
    long = [
        (path.name, node.name, length)
        for path, node in functions()
        if path.name not in DECLARATIONS
        and (length := (node.end_lineno or 0) - node.lineno + 1) > LONGEST_FUNCTION
    ]
    assert long == []


def test_every_refusal_word_is_used_and_explained() -> None:
    """A word without use is dead; README explains each."""
    text = "\n".join(path.read_text() for path in SOURCES if path.name != "errors.py")
    readme = (ROOT / "README.md").read_text()
    for word, meaning in WORDS.items():
        assert f'"{word}"' in text, word
        assert f"| `{word}` | {meaning} |" in readme, word


def test_every_verb_of_the_journal_is_written_somewhere() -> None:
    """Each verb that the replay understands is written by a step."""
    text = "\n".join(path.read_text() for path in SOURCES if path.name != "replay.py")
    for verb in VERBS:
        assert f'"{verb}"' in text, verb


def test_no_leftovers() -> None:
    """No markers of work to do later, and no words that the project does not use."""
    marks = re.compile(r"\b(TODO|FIXME|XXX|HACK|NotImplementedError|batch_id)\b")
    for path in SOURCES:
        found = marks.search(path.read_text())
        assert not found, (path, found)


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=" ".join,
)
def test_the_checkers_are_content(command: list[str]) -> None:
    """Lint, format, strict types and the import contracts."""
    program = Path(sys.executable).with_name(command[0])
    found = str(program) if program.exists() else shutil.which(command[0])
    assert found, f"{command[0]} is not installed"
    done = subprocess.run([found, *command[1:]], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


def test_a_contract_that_is_broken_is_noticed(tmp_path: Path) -> None:
    """The import contracts can fail: a rule that reaches up to the store is caught."""
    shutil.copytree(PACKAGE, tmp_path / "serialkeeper")
    shutil.copy(ROOT / ".importlinter", tmp_path)
    with (tmp_path / "serialkeeper" / "rules" / "gs1.py").open("a") as file:
        file.write("\nfrom serialkeeper.store import tables\nimport socket\n")
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [str(program)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode != 0
    assert done.stdout.count("BROKEN") >= 2


def readme_blocks(language: str) -> list[str]:
    text = (ROOT / "README.md").read_text()
    return re.findall(rf"```{language}\n(.*?)```", text, re.S)


def asks_for_a_database(test: ast.FunctionDef) -> bool:
    return bool({"bench", "database", "databases"} & {one.arg for one in test.args.args})


def test_a_test_of_one_database_says_why() -> None:
    """A test of the job that names a make of database asks for one, and so runs on both, or is
    marked and gives the reason."""
    for path in sorted((ROOT / "tests" / "job").glob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                marks = " ".join(map(ast.unparse, node.decorator_list))
                if "only_on" in marks:
                    assert re.search(r"reason='\w+ .+'|reason=\"\w+ .+\"", marks), node.name
                elif "by_the_demo" not in marks and not asks_for_a_database(node):
                    named = re.search(r"sqlite:///|sqlite3|record\.db", ast.unparse(node))
                    assert not named, f"{path.name}: {node.name}"


@pytest.mark.only_on("sqlite", reason="without a named record the commands work on a file")
def test_the_readmes_first_hours_work_as_written(tmp_path: Path) -> None:
    """Every shell line of each user's first hour runs, with the exit code it says."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    env = {name: value for name, value in os.environ.items() if "SERIALKEEPER" not in name}
    sessions = [
        block for block in readme_blocks("sh") if re.search("serialkeeper (init|demo)", block)
    ]
    assert len(sessions) == 3
    for number, session in enumerate(sessions):
        typed = []
        for line in session.strip().splitlines():
            wanted = int(match[1]) if (match := re.search(r"# exit (\d+)", line)) else 0
            typed += [line, f"[ $? -eq {wanted} ] || {{ echo {shlex.quote(line)}; exit 99; }}"]
        folder = tmp_path / str(number)
        folder.mkdir()
        done = subprocess.run(
            ["sh", "-c", "\n".join(typed)],
            cwd=folder,
            env={**env, "PATH": path},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, (done.stdout[-2000:], done.stderr[-2000:])


def test_the_readmes_python_example_works_as_written(
    database: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The integrator's examples run one after the other in a fresh folder, or with the URL of a
    server."""
    monkeypatch.chdir(tmp_path)
    for block in readme_blocks("python"):
        assert "sqlite:///practice.db" in block
        typed = block.replace("sqlite:///practice.db", database.url)
        exec(compile(typed, "README.md", "exec"), {})  # noqa: S102 - the README's own code
    assert (tmp_path / "events.jsonld").exists() and (tmp_path / "copy").is_dir()
    assert "nothing_to_print" in capsys.readouterr().out


def test_the_readmes_command_table_names_every_command() -> None:
    """Each noun and verb stands in the table, and no other."""
    from serialkeeper.cli.door import app

    there = {
        (str(group.name), str(command.name or command.callback.__name__.strip("_")))
        for group in app.registered_groups
        for command in (group.typer_instance.registered_commands if group.typer_instance else [])
        if command.callback
    }
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", (ROOT / "README.md").read_text(), re.M)
    nouns = {noun for noun, _ in there}
    told = {
        (noun, verb)
        for noun, verbs in rows
        if noun in nouns
        for verb in re.findall(r"`([\w-]+)`", verbs)
    }
    assert told == there


def test_the_readmes_table_of_rights_is_the_one_that_is_enforced() -> None:
    """Each verb of the journal stands once, beside the roles that may write it."""
    rows = re.findall(r"^\| ([a-z, ]+) \| (`.+`) \|$", (ROOT / "README.md").read_text(), re.M)
    told = [
        (verb, set(roles.split(", ")))
        for roles, verbs in rows
        if set(roles.split(", ")) <= {*ROLES, NOBODY}
        for verb in re.findall(r"`([^`]+)`", verbs)
    ]
    assert len(told) == len(RIGHTS)
    assert dict(told) == {verb: set(roles) for verb, roles in RIGHTS.items()}


def test_the_contributors_guide_names_functions_that_exist() -> None:
    """Every `module.function` of the guide's journey is there."""
    import importlib

    text = (ROOT / "DEVELOPERS.md").read_text()
    named = re.findall(r"`((?:rules|steps|store|outside|cli)\.[a-z_]+)\.([A-Za-z_.]+)`", text)
    assert len(named) > 15
    for module, name in named:
        found: object = importlib.import_module(f"serialkeeper.{module}")
        for piece in name.split("."):
            found = getattr(found, piece)


def test_the_readmes_controls_name_tests_that_exist() -> None:
    """Every control of 21 CFR 11 has a row, and each test that a row names is there."""
    readme = (ROOT / "README.md").read_text()
    section = readme[readme.index("## Controls") : readme.index("## What inspection shows")]
    there = {
        node.name
        for path in (ROOT / "tests").rglob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FunctionDef)
    }
    named = re.findall(r"`(test_[a-z0-9_]+)`", section)
    assert len(named) > 40 and set(named) <= there, set(named) - there
    paragraphs = [f"11.10({letter})" for letter in "abcdefghijk"]
    for control in [*paragraphs, "11.30", "11.50", "11.70", "11.100", "11.200", "11.300"]:
        assert f"| {control} |" in section
