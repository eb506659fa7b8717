"""Hostile input is refused in words, with the record as it was, or does no harm."""

from __future__ import annotations

import hostile
import pytest
from conftest import Bench


def check(bench: Bench, kind: str) -> None:
    """Try all attacks of a kind on one record; tell all that end otherwise than they should."""
    hostile.ready(bench)
    wrong = []
    for attack in hostile.KINDS[kind]():
        try:
            came = hostile.tried(bench, attack)
        except Exception as error:
            came = f"{type(error).__name__}: {error}"[:300]
        wanted = attack.word or hostile.HARMLESS
        if came != wanted and (wanted != "*" or came == hostile.HARMLESS or " " in came):
            wrong.append(f"{attack.what}: {came}, not {wanted}")
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
