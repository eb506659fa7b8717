"""The house keeps its own rules: sizes, words, contracts, types, and documents that are true."""

from __future__ import annotations

import ast
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import readme
import typer
from databases import Database

from serialkeeper.cli.door import app
from serialkeeper.cli.guide import chapters
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
    """A word without use is dead; the guide has each."""
    text = "\n".join(path.read_text() for path in SOURCES if path.name != "errors.py")
    told = chapters()["refusals"].text
    for word, meaning in WORDS.items():
        assert f'"{word}"' in text, word
        assert f"| `{word}` | {meaning} |" in told, word


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


def sentences(path: Path) -> Iterator[str]:
    """The texts of a module; each `{...}` in them, with its format, is one `{}`."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.JoinedStr):
            yield "".join(
                str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_a_counted_thing_is_in_the_singular_where_it_is_one() -> None:
    """What a command prints names counted things by `rules.counts.many`, or before their number."""
    things = (
        "alarms|changes|checkpoints|documents|entries|events|files|groups|images|labels|lanes"
        "|minutes|numbers|packs|pages|parts|places|prefixes|readings|rows|scans|signatures|symbols"
        "|times|units"
    )
    counted = re.compile(rf"\{{\}} (?:more |open )?(?:{things})\b")
    assert counted.search("{} open alarms of the lot") and not counted.search("alarms: {}")
    for path in sorted((PACKAGE / "cli").glob("*.py")):
        if path.name != "demo.py":  # whose labels, rows, pages and units are many
            assert [one for one in sentences(path) if counted.search(one)] == [], path


def options() -> dict[str, set[str]]:
    """The options of each command, as `NOUN VERB`."""
    nouns: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    return {
        f"{noun} {verb}": {text for one in command.params for text in one.opts}
        for noun, group in nouns.items()
        for verb, command in getattr(group, "commands", {}).items()
    }


def test_an_option_named_beside_a_command_is_one_of_its_options() -> None:
    """In remedies, next steps, help and guide: what is to be typed can be typed."""
    there = options()
    call = re.compile(rf"\b({'|'.join(sorted(there, reverse=True))})\b")
    texts = [path.read_text() for path in (PACKAGE / "cli").glob("*.toml")]
    texts += [path.read_text() for path in (ROOT / "README.md", *PACKAGE.glob("guide/*.md"))]
    texts += [text for path in SOURCES for text in sentences(path)]
    named = 0
    for line in "\n".join(texts).replace("\\\n", " ").split("\n"):
        _, *typed = call.split(re.sub(r'"[^"]*"', "", line))
        for command, rest in zip(typed[::2], typed[1::2], strict=True):
            for option in re.findall(r"--[a-z][a-z-]*", re.split(r"[;)`]|[.:] | # ", rest)[0]):
                named += 1
                assert option in {*there[command], "--record", "--as", "--json", "--help"}, line
    assert named > 300


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
    return re.findall(rf"```{language}\n(.*?)```", readme.README.read_text(), re.S)


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


def a_users_environment() -> dict[str, str]:
    """With the program on the path, and nothing said about a record."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    env = {name: value for name, value in os.environ.items() if "SERIALKEEPER" not in name}
    return {**env, "PATH": path}


def test_the_readmes_first_command_tells_the_story(tmp_path: Path) -> None:
    """Its last part runs as written, in an empty folder with this interpreter's `.venv/bin`; that
    the parts before it make such a folder, the test command shows wherever it begins with nothing
    (`.ci/run`)."""
    first, tests = (block.strip().split(" && ") for block in readme_blocks("bash"))
    assert first[0] == tests[0] == "python3 -m venv .venv"
    assert first[1] == ".venv/bin/pip install -q ." and len(first) == len(tests) == 3
    assert tests[1] == ".venv/bin/pip install -q -e '.[test]'"
    (tmp_path / ".venv").mkdir()
    (tmp_path / ".venv" / "bin").symlink_to(Path(sys.executable).parent)
    done = subprocess.run(
        ["sh", "-c", first[2]], cwd=tmp_path, env=a_users_environment(), capture_output=True
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert {"record.db", "report.pdf"} <= {one.name for one in (tmp_path / "demo").iterdir()}


def test_every_file_beside_the_code_is_installed() -> None:
    """What `pip install .` takes along is named in pyproject.toml by patterns; none is forgotten,
    and none names nothing."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    patterns = told["package-data"]["serialkeeper"]
    named = [{one for one in PACKAGE.glob(pattern) if one.is_file()} for pattern in patterns]
    there = {
        one
        for folder in (PACKAGE, PACKAGE / "schemas")  # which is a link
        for one in folder.rglob("*")
        if one.is_file() and one.suffix not in (".py", ".pyc")
    }
    assert there == set().union(*named)
    assert all(named), patterns


def anchors(text: str) -> set[str]:
    """The headings of a Markdown text as links name them; a fenced line is none."""
    bare = re.sub(r"^```.*?^```$", "", text, flags=re.S | re.M)
    heads = re.findall(r"^#+ (.+)$", bare, re.M)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


def test_links_between_the_documents_lead_somewhere() -> None:
    """From README, the guide and DEVELOPERS to files, and to headings in them; a chapter is named
    by its own name; every chapter has a link to it."""
    documents = [readme.README, ROOT / "DEVELOPERS.md", *(PACKAGE / "guide").glob("*.md")]
    linked = set()
    for document in documents:
        text = document.read_text()
        for words, to in re.findall(r"\[([^]]+)\]\(([^)\s]+)\)", text):
            name, _, place = to.partition("#")
            found = document.parent / name if name else document
            assert found.is_file(), (document.name, to)
            assert not place or place in anchors(found.read_text()), (document.name, to)
            if found.parent.name == "guide":
                linked.add(found)
                assert not words.startswith("`guide ") or words == f"`guide {found.stem}`", to
    assert linked == set((PACKAGE / "guide").glob("*.md"))
    assert "what-it-says" not in anchors("```\n# What it says\n```\n")


def first_hours() -> dict[str, str]:
    """The shell lines of each user's first hour, by the user."""
    text = readme.README.read_text()
    hours = text[text.index("## The first hour") : text.index("## The guide")]
    return dict(re.findall(r"^### ([\w ]+):.*?```sh\n(.*?)```", hours, re.S | re.M))


@pytest.mark.only_on("sqlite", reason="without a named record the commands work on a file")
@pytest.mark.parametrize("user", ["Line lead", "Compliance officer", "Integrator"])
def test_the_readmes_first_hours_work_as_written(tmp_path: Path, user: str) -> None:
    """Every shell line of each user's first hour runs, with the exit code it says."""
    hours = first_hours()
    assert len(hours) == 3 == len(readme_blocks("sh"))
    typed = []
    for line in hours[user].strip().splitlines():
        wanted = int(match[1]) if (match := re.search(r"# exit (\d+)", line)) else 0
        typed += [line, f"[ $? -eq {wanted} ] || {{ echo {shlex.quote(line)}; exit 99; }}"]
    done = subprocess.run(
        ["sh", "-c", "\n".join(typed)],
        cwd=tmp_path,
        env=a_users_environment(),
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


def test_the_readmes_made_parts_are_as_they_are_made_now() -> None:
    """The tables of commands, chapters and figures; a change of any of them is noticed."""
    text = readme.README.read_text()
    assert readme.made(text) == text, "python tests/readme.py --write"
    for part in ("`roll` | `add`", "| [`rolls`](", "| print file |"):
        assert text.count(part) == 1
        assert readme.made(text.replace(part, "| gone |")) == text


def test_the_guides_table_of_rights_is_the_one_that_is_enforced() -> None:
    """Each verb of the journal stands once, beside the roles that may write it."""
    rows = re.findall(r"^\| ([a-z, ]+) \| (`.+`) \|$", chapters()["people"].text, re.M)
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
    text = readme.README.read_text()
    section = text[text.index("## Controls") : text.index("## Speed")]
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
