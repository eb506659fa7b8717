"""Hostile input is refused in words, with the record as it was, or does no harm."""

from __future__ import annotations

import tracemalloc
import zlib

import hostile
import pytest
from conftest import Bench

import serialkeeper as sk
from serialkeeper.cli.guide import chapters
from serialkeeper.store.journal import LARGEST_PIECE, unpacked


def check(bench: Bench, kind: str) -> None:
    """Try all attacks of a kind on one record; tell all that end otherwise than they should."""
    hostile.ready(bench)
    wrong = []
    for attack in hostile.KINDS[kind]():
        came = hostile.outcome(bench, attack)
        if not attack.ends(came):
            wrong.append(f"{attack.what}: {came}, not {attack.word or hostile.HARMLESS}")
    bench.heads()  # still sound
    assert not wrong, "\n".join(wrong)


IN_DATABASES = {"SQL and templates in texts", "numbers and lengths", "unseen signs"}


@pytest.mark.parametrize("kind", sorted(IN_DATABASES))
def test_what_goes_into_statements_harms_no_database(bench: Bench, kind: str) -> None:
    """Whatever is typed is a value, or refused before the driver meets it."""
    check(bench, kind)


@pytest.mark.only_on("sqlite", reason="these never reach the database")
@pytest.mark.parametrize("kind", sorted(set(hostile.KINDS) - IN_DATABASES))
def test_hostile_input_is_refused_or_harmless(bench: Bench, kind: str) -> None:
    """Each input ends as its list says."""
    check(bench, kind)


@pytest.mark.only_on("sqlite", reason="pieces are read alike from each database")
def test_a_kept_piece_is_never_unpacked_whole(bench: Bench) -> None:
    """Somebody with the database in hand puts little in that unpacks to much: it is damage."""
    hostile.ready(bench)
    bomb = hostile.gzipped(bytes(8 * LARGEST_PIECE))
    for piece in (bomb, bomb[:100], b"no gzip"):
        assert bench.database.rewrite("original.data", lambda _, new=piece: new) == 1
        with pytest.raises(sk.Damaged) as found:
            sk.record.verify(bench.record)
        assert found.value.word == "original_differs"
    tracemalloc.start()
    with pytest.raises(zlib.error):
        unpacked(bomb)
    assert tracemalloc.get_traced_memory()[1] < 3 * LARGEST_PIECE
    tracemalloc.stop()


def test_the_guide_counts_the_attacks_of_each_kind() -> None:
    """What the list says, which the tests hold, is what the table says."""
    told = chapters()["refusals"].text
    for kind, made in hostile.KINDS.items():
        refused = [bool(attack.word) for attack in made()]
        counts = f"{len(refused)} | {sum(refused)} | {refused.count(False)} | 0"
        assert f"| {kind} | {counts} |" in told
