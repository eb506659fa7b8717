"""The OpenAPI document against what the routes do: each answer is a described one.

Source: the document itself (OpenAPI 3.1); requests are made from it, good and bad ones, and answers
held against it, by schemathesis.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest
import schemathesis
from conftest import EXPIRY, GTIN, Bench, as_seen
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi import checks
from test_packs import LEVELS

import serialkeeper as sk
from serialkeeper.outside import clock
from serialkeeper.store.opening import stand_by
from serialkeeper.web.app import make_app

pytestmark = pytest.mark.only_on("sqlite", reason="what a route may answer is the same everywhere")

CHECKS = [
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
]


@pytest.fixture
def served(bench: Bench) -> Iterator[tuple[Any, dict[str, Any]]]:
    """The routes of a record that knows something, and names of what it knows."""
    record, name = bench.record, "PACKED"
    path = bench.folder / "levels.toml"
    path.write_text(LEVELS)
    sk.product.packs(record, GTIN, path)
    sk.lot.open(record, GTIN, name, expiry=EXPIRY, target=20)
    sk.lot.approve(record, name)
    bench.lot = name
    rows = as_seen(bench.printed(24))
    rows[6]["seen"] = ""
    sk.run.start(record, name)
    sk.challenge.make(record, name, out=bench.folder / "set.csv", each=1)
    sk.inspect.take(record, name, bench.results(rows))
    sk.roll.add(record, name, rows="1-2")
    sk.pack.build(record, name, "case", in_order=True, count=2)
    packs = sk.pack.list(record, name)["packs"]
    sk.hold.place(record, name, positions="20-21", reason="odd colour")
    sk.location.add(record, "9521234000006", prefix_length=7, name="Depot", zone="UTC")
    sk.label.void(record, name, "7", reason="waste")
    nothing = dict.fromkeys(("serial", "rows", "kind", "reason", "person", "state"), "")
    known = {
        **nothing,
        **dict.fromkeys(("job", "lane", "roll", "pitch", "x"), 0),
        **{"gtin": GTIN, "lot": name, "level": "case", "key": packs[0]["key"]},
        **{"number": 1, "position": 7, "count": 3, "lanes": 4, "label": 7},
        **{"location": "9521234000006", "to": "9521234000006", "zone": "UTC"},
        "code": rows[3]["seen"],
        "name": "file.csv",
        "expiry": str(EXPIRY),
        "group": sk.review.list(record, name)["groups"][0]["group"],
    }
    opened = stand_by(bench.url, station="server", now=clock.now, chance=clock.chance())
    yield (
        make_app(opened, acting="Line Lead", hosts=frozenset({"testserver"}), say=lambda _: None),
        known,
    )
    opened.close()


def test_every_answer_is_one_that_the_document_describes(
    served: tuple[Any, dict[str, Any]],
) -> None:
    """No 500, no status, no type of content and no form of an answer that it does not tell of; for
    each route, with what the record knows and with what it does not, well formed and not."""
    app, known = served
    document = schemathesis.openapi.from_asgi("/openapi.json", app)
    routes = [one.ok() for one in document.get_all_operations()]
    assert len(routes) > 45
    for route in routes:
        done = ask(route, GenerationMode.POSITIVE, 5, known)
        assert 200 in done or route.method.upper() == "POST", f"{route.label}: {done}"
        ask(route, GenerationMode.POSITIVE, 4, {})
        ask(route, GenerationMode.NEGATIVE, 4, known)


def ask(route: Any, mode: GenerationMode, examples: int, known: dict[str, Any]) -> set[int]:
    """Ask so many times, for what is known where that is asked for, and check each answer; gives
    the statuses."""
    done: set[int] = set()

    @settings(
        max_examples=examples,
        derandomize=True,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=route.as_strategy(generation_mode=mode))
    def once(case: Any) -> None:
        wrong = mode == GenerationMode.NEGATIVE
        for asked in (
            case.path_parameters,
            {} if wrong else case.query,
            {} if wrong else case.body,
        ):
            if isinstance(asked, dict):
                asked.update({name: known[name] for name in asked if name in known})
        if isinstance(case.body, dict) and isinstance(case.body.get("count"), int):
            case.body["count"] = min(case.body["count"], 1000)  # a million takes its time
        done.add(case.call_and_validate(checks=CHECKS).status_code)

    with suppress(Unsatisfiable):  # there is nothing to be wrong where nothing is asked for
        once()
    return done
