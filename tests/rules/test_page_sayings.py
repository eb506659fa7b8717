"""How refusals and other sentences of steps are told on pages.

Every option and command that one may name is called as the page calls it, and other languages than
English have a sentence for each word of a refusal.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import serialkeeper
from serialkeeper.errors import WORDS
from serialkeeper.rules import challenges, findings
from serialkeeper.web.saying import (
    COMMANDS,
    LONGEST_FOUND,
    LONGEST_TOLD,
    OPTIONS,
    in_page_terms,
    in_words,
    plainly,
    retold,
    translated,
)
from serialkeeper.web.wording import catalogue, first_place

HOME = Path(serialkeeper.__file__).parent
FLOORS = ("rules", "steps", "store", "outside", "web")
REFUSALS = {"Refused", "WrongUsage", "Unavailable", "Damaged", "Interrupted", "SerialKeeperError"}
TYPED = {
    f"{noun} {verb}".strip()
    for noun, verb in (
        name.partition(" ")[::2] for name in tomllib.loads((HOME / "cli/manual.toml").read_text())
    )
}
"""Every command, as it is typed."""


def rendered(node: ast.AST) -> str | None:
    """What a string of the code says, with A7 for each value; None for what is no string."""
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr(values=pieces):
            return "".join(rendered(one) or "A7" for one in pieces)
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            both = rendered(left), rendered(right)
            return None if both == (None, None) else "".join(one or "A7" for one in both)
    return None


def strings(node: ast.AST) -> Iterator[str]:
    """The strings in a piece of code, the largest ones, documentation left out."""
    text = rendered(node)
    if text is not None:
        yield text
        return
    body = getattr(node, "body", None)
    for one in ast.iter_child_nodes(node):
        plain = isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)
        if not (plain and isinstance(body, list) and one in body):
            yield from strings(one)


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Every module whose sentences a page may show; what stands on paper does not."""
    for floor in FLOORS:
        for path in sorted((HOME / floor).rglob("*.py")):
            if not path.name.startswith(("report", "history_pages", "chronicle", "saying")):
                yield f"{floor}/{path.name}", ast.parse(path.read_text())


def refusals() -> Iterator[tuple[str, str]]:
    """Every text in a call that makes a refusal."""
    for name, tree in modules():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in REFUSALS:
                for part in (*node.args, *(one.value for one in node.keywords)):
                    yield from ((f"{name}:{node.lineno}", text) for text in strings(part))


TYPED_ONLY = {
    *("behind-proxy", "certificate", "host", "key", "on-alarm", "port"),  # of a server
    *("call-off", "end", "entry", "password-stdin", "record"),  # of a record, and of proofs
    *("dpi", "first", "flip", "keep", "last", "out", "overlap", "sheets", "space", "truth"),
    *("count", "position", "from-end", "lane", "help"),  # of what a page does for one label
}
"""Options that no page asks for."""

NOUNS = {"challenge run", "review list"}
"""What is a noun in sentences, too."""

ASIDE = {
    "rules/profiles.py": "inspect profile",
    "steps/profiling.py": "inspect profile",
    "steps/following.py": "inspect follow",
}
"""Modules that no page calls, and what they name in the midst of a sentence."""


def told(text: str) -> str:
    """A sentence on an English page, without what it says to be on the command line."""
    return re.sub("“[^”]*” on the command line", "", in_page_terms(text, catalogue()["en"]))


def test_every_option_that_a_sentence_names_has_a_word_on_pages() -> None:
    """Or no page has it."""
    left = {
        option: f"{name}: {text}"
        for name, tree in modules()
        for text in strings(tree)
        for option in re.findall(r"(?<![\w-])--([a-z][a-z-]+)", told(text))
    }
    assert {one: where for one, where in left.items() if one not in TYPED_ONLY} == {}
    assert TYPED_ONLY - set(left) == set()
    assert not TYPED_ONLY & set(OPTIONS)


def test_every_command_that_a_refusal_names_is_told_as_the_page_calls_it() -> None:
    """None is left between the words, where no reader would know it for one."""
    assert set(COMMANDS) <= TYPED
    names = "|".join(sorted((one for one in TYPED if " " in one), key=len, reverse=True))
    left = {
        (name.partition(":")[0], command, text)
        for name, text in refusals()
        for command in re.findall(rf"\b({names})\b", told(text))
    }
    odd = {one for one in left if one[1] not in NOUNS and ASIDE.get(one[0]) != one[1]}
    assert odd == set()


@pytest.mark.parametrize(
    ("text", "english", "german"),
    [
        ("Give --reason TEXT.", "Give “Reason”.", "Give „Grund“."),
        ("Give --scan and --grade 2.5/08/660.", "Give “{scan}” and “Grade”.", ""),
        ("Look at it: lot show A7. Then go on.", "Look at it: “The lot's page”. Then go on.", ""),
        ("Do it: serialkeeper lot approve A/7 --second NAME", "Do it: “Approve”", ""),
        (
            "Look (hold list A7), or lift: hold lift 1.",
            "Look (“Holds”), or lift: “Lift a hold”.",
            "",
        ),
        ("It is set with 'product packs' there.", "It is set with “Set the packs” there.", ""),
        ("Look where it is: pack show, label show.", "Look where it is: “Find”.", ""),
        ("Make it: pack label A7 --out FILE.svg", "Make it: “Make its label”", ""),
        ("Make one: record backup A7.", "Make one: “record backup A7” on the command line.", ""),
        ("Make a new one: person token.", "Make a new one: “Make a token”.", ""),
        ("Give --reason, or set SERIALKEEPER_PERSON.", "Give “Reason”.", "Give „Grund“."),
        ("The review list is not empty.", "The review list is not empty.", ""),
        ("a--reason 'lot show' --odd", "a--reason “The lot's page” --odd", ""),
        ("", "", ""),
    ],
)
def test_what_is_typed_is_called_as_the_page_calls_it(text: str, english: str, german: str) -> None:
    """Options by the names of their fields, commands where they stand as commands only."""
    words = catalogue()["en"]
    assert in_page_terms(text, words) == english.replace("{scan}", words("decide.scan"))
    if german:
        assert in_page_terms(text, catalogue()["de"]) == german


def test_names_of_options_and_commands_are_plain_words() -> None:
    """They stand in every language, and nothing has to be filled in."""
    for words in catalogue().values():
        for key in (*OPTIONS.values(), *filter(None, COMMANDS.values())):
            assert not first_place(words(key)), key


def test_other_languages_tell_every_refusal() -> None:
    """What its word means, and what to do; in English the refusal itself says both."""
    for tag, words in catalogue().items():
        for section in ("refused", "remedy"):
            there = [key for key in words.texts if key.startswith(f"{section}.")]
            wanted = [f"{section}.{word}" for word in WORDS] if words.foreign else []
            assert there == wanted, tag
            assert len({words.texts[key] for key in there}) > len(there) * 0.9 or not there


def test_every_finding_and_every_bad_label_is_told_in_every_language() -> None:
    """What stands beside a label that a person has to decide about, and how one is made bad."""
    said = [text for text, _ in findings.WORDS.values()]
    said += [text for kind in challenges.KINDS.values() for text in (kind.make, kind.plant) if text]
    for tag, words in catalogue().items():
        for text in said:
            assert bool(translated(text, tag)) == words.foreign, text
            assert plainly(text, words) != text or not words.foreign


def in_letters(text: str) -> str:
    """Its words, with a space before each."""
    return "".join(f" {word}" for word in re.findall(r"[A-Za-z']+", text))


def test_sentences_of_other_languages_are_still_said() -> None:
    """A sentence that no step says any more, or says otherwise, would never be found again."""
    said = in_letters(" ".join(text for _, tree in modules() for text in strings(tree)))
    for tag, words in catalogue().items():
        sentences = [
            key.partition(".")[2]
            for key in words.texts
            if key.startswith(("sentence.", "own_reason."))
        ]
        assert bool(sentences) == words.foreign, tag
        for one in sentences:
            pieces = [in_letters(text) for text, *_ in Formatter().parse(one)]
            longest = max(pieces, key=len).split()
            runs = [" ".join(longest[at : at + 3]) for at in range(len(longest) - 2)]
            there = any(f" {run}" in said for run in runs)  # counted things stand apart in the code
            short = not runs and all(f" {word}" in said for word in longest)
            assert there or short, f"{tag}: {one}"
            names = [name for _, name, *_ in Formatter().parse(one) if name]
            assert len(set(names)) == len(names), f"{tag}: {one}"
            sections = {key.partition(".")[0]: key.partition(".")[2] for key in words.texts}
            sections["sentence"] = "pack A7"
            filled = one.format_map({name: sections.get(name, "A7") for name in names})
            assert translated(filled, tag), f"{tag}: {filled}"


@pytest.mark.parametrize(
    ("text", "german"),
    [
        ("the code names lot A7", "der Code nennt Charge A7"),
        (
            "voided (waste); the camera could not read the code",
            "entwertet (Ausschuss); die Kamera konnte den Code nicht lesen",
        ),
        ("voided (left on the lorry)", ""),
        ("rejected; nobody knows why", ""),
        ("roll 2: positions 3, 7-9", "Rolle 2: Positionen 3, 7-9"),
        (
            "1 printed label not seen by the camera",
            "1 gedrucktes Etikett von der Kamera nicht gesehen",
        ),
        (
            "12 printed labels not seen by the camera",
            "12 gedruckte Etiketten von der Kamera nicht gesehen",
        ),
        (
            "Open finding wrong_lot: the code names lot A7",
            "Offener Befund – Andere Charge: der Code nennt Charge A7",
        ),
        ("the lot is running, not closed", "Zustand der Charge: In Arbeit"),
        ("lot A7, position 3", "Charge A7, Position 3"),
        (
            "case 095212340000000017: commissioned, in it 10, units in all 1,200, "
            "in pallet 195212340000000014",
            "Karton 095212340000000017: In Verwendung, darin 10, Einheiten insgesamt "
            "1\N{NARROW NO-BREAK SPACE}200, in Palette 195212340000000014",
        ),
        ("odd colour", ""),
        ("", ""),
    ],
)
def test_a_sentence_is_told_in_german(text: str, german: str) -> None:
    """Whole or part by part, with its places filled; else not at all, and never half."""
    assert translated(text, "de") == german
    assert translated(text, "en") == ""
    assert in_words(text, catalogue()["de"]) == (german or text)


PIECES = sorted(
    {
        text
        for key in catalogue()["de"].texts
        if key.startswith(("sentence.", "own_reason."))
        for text, *_ in Formatter().parse(key.partition(".")[2])
        if text
    }
)
"""What our sentences are made of between their places."""


@given(st.text(max_size=60) | st.lists(st.sampled_from(PIECES), max_size=400).map("".join))
@settings(max_examples=200, deadline=None)
def test_what_came_from_outside_stands_as_it_came_and_takes_no_time(text: str) -> None:
    """Pieces of our own sentences in any order, as somebody may send them: what is longer
    than any sentence of ours stands as it came, and no reason is retold that no step gives."""
    words = catalogue()["de"]
    told = in_words(text, words)
    if len(text) > LONGEST_FOUND:
        assert told == text
    if len(text) > LONGEST_TOLD:
        assert in_page_terms(text, words) == text
    assert retold(text, words) == text or text.startswith("the reader at ")


@pytest.mark.parametrize(
    "reason",
    [
        "rejected",
        "something happened after the last check: events check 40 labels went home in my bag",
        "the review list holds 3: review list nobody looked at the 12 bad ones",
        "the code names lot A7",
        "{x} {0.__class__}",
    ],
)
def test_a_persons_reason_stands_as_it_was_given(reason: str) -> None:
    """Also where it reads like a sentence of ours; only reasons that steps alone give are told in
    the page's language."""
    words = catalogue()["de"]
    assert retold(reason, words) == reason
    own = "the reader at line 2 failed its challenge; this was taken since it last passed (take 3)"
    assert "line 2" in retold(own, words) != own and "Übernahme 3" in retold(own, words)
