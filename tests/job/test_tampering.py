"""Whatever somebody alters in a record with a plain SQL client, and which check finds it."""

from __future__ import annotations

from collections import Counter

import pytest
from altering import FOLDER, WORKING, as_it_should, attacked, filled, kept, people, swept, tried
from conftest import Bench
from databases import Databases

from serialkeeper.store.tables import MODELS


def test_every_alteration_is_found_as_its_class_says(
    bench: Bench, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Invariant 4: each named fault of `fixtures/tampering` in its class; and no table whose rows
    can be flipped, taken out, emptied, put in or swapped unseen (a server tries one in seven)."""
    checkpoint = kept(bench)
    each = 1 if databases.kind == "sqlite" else 7
    with attacked(bench.database) as connection:
        there = filled(connection)
        tries = list(tried(connection, checkpoint))
        edits = list(swept(connection, each=each))
    folder = tmp_path_factory.mktemp("people")
    with people(databases, folder) as database, attacked(database) as connection:
        there |= filled(connection)
        edits += swept(connection, each=each)
    assert [fault.name for fault, *told in tries if not as_it_should(fault, *told)] == []
    assert Counter(fault.kind for fault, *_ in tries).keys() == {"plain", "rehashed", "tail"}
    assert len(tries) == len(list(FOLDER.iterdir()))
    # some pass the check without the checkpoint, and so it is the checkpoint that finds them
    assert any(not alone and told is None for fault, alone, told in tries)
    assert [one for one in edits if one[2] != "found"] == []
    assert there >= {str(model.__tablename__) for model in MODELS} - WORKING
