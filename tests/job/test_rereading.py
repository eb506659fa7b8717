"""Events read back: our own documents, altered ones, and what a receiver answers."""

from __future__ import annotations

import json
import re
from typing import Any

import orjson
import pytest
from conftest import Bench
from made_events import AT, COMMISSIONING, FACTS, document
from test_events import GLN, whole_life

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules.events import Event

WAYS = [("json", False), ("json", True), ("xml", False), ("xml", True), ("xml-1.2", False)]


def test_what_was_altered_or_is_not_ours_is_told(bench: Bench) -> None:
    """A unit more, another time, another lot's expiry, a field added: the content does not give
    the ID any more. An event of nobody's is unknown; what is missing is counted."""
    whole_life(bench)
    out = bench.folder / "events.jsonld"
    told = sk.events.write(bench.record, bench.lot, form="json", out=out)
    for form, links in WAYS:
        path = bench.folder / f"{form}{links}"
        sk.events.write(bench.record, bench.lot, form=form, out=path, links=links)
        result = sk.events.read(bench.record, path)
        assert result["same"] == result["events"] == told["events"]
        assert (result["altered"]["count"], result["unknown"]["count"]) == (0, 0)
        assert [(one["found"], one["missing"]) for one in result["lots"]] == [(told["events"], 0)]
    whole = orjson.loads(out.read_bytes())
    events = whole["epcisBody"]["eventList"]

    def read(some: list[Any], **more: Any) -> dict[str, Any]:
        path = bench.folder / "answer.json"
        answer = {
            "@context": whole["@context"],
            "type": "EPCISQueryDocument",
            "schemaVersion": "2.0",
            "creationDate": whole["creationDate"],
            "epcisBody": {"queryResults": {"resultsBody": {"eventList": some}}},
        }
        path.write_bytes(orjson.dumps(answer))
        result: dict[str, Any] = sk.events.read(bench.record, path, **more)
        return result

    first = events[0]
    changes: list[dict[str, Any]] = [
        {"epcList": first["epcList"][1:]},
        {"eventTime": "2026-06-01T09:00:00.000Z"},
        {"ilmd": {**first["ilmd"], "cbvmda:itemExpirationDate": "2030-01-01"}},
        {"ilmd": {**first["ilmd"], "cbvmda:countryOfOrigin": "AT"}},
        {"disposition": "in_progress"},
        {"readPoint": {"id": f"urn:epc:id:sgln:{GLN[:7]}.{GLN[7:12]}.0"}},
        {"bizLocation": {"id": f"urn:epc:id:sgln:{GLN[:7]}.{GLN[7:12]}.0"}},
        {"somebody:else": "says more"},
        {"eventID": events[1]["eventID"]},
    ]
    for change in changes:
        result = read([{**first, **change}, *events[1:]])
        assert result["altered"]["count"] == 1, change
        assert result["same"] == len(events) - 1
        assert result["lots"][0]["missing"] == 1
    # A receiver may record a time, and write the same moment otherwise.
    moved = {"recordTime": "2026-06-02T00:00:00Z", "eventTime": first["eventTime"][:-1] + "+00:00"}
    assert read([{**first, **moved}, *events[1:]])["same"] == len(events)
    result = read(events[3:6])
    assert (result["same"], result["lots"][0]["first_missing"]) == (3, 1)
    assert read([*events, events[2]])["twice"] == 1
    assert read([], name=bench.lot)["lots"][0]["missing"] == len(events)


def test_an_event_of_another_record_is_unknown(bench: Bench) -> None:
    """It is sound in itself, and nobody here told it."""
    whole_life(bench)
    out = bench.folder / "other.jsonld"
    ours = Event(FACTS, *AT, *COMMISSIONING, ["NOBODYS"])
    out.write_text(document("json", [ours]))
    result = sk.events.read(bench.record, out)
    assert result["unknown"]["count"] == 1 and result["lots"] == []
    result = sk.events.read(bench.record, out, name=bench.lot)
    assert result["unknown"]["first"][0]["why"] == "the record has told no such event"


@pytest.mark.only_on("sqlite", reason="about files, not about records")
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "JSON or XML"),
        ("serial\nA7\n", "JSON or XML"),
        ("{", "JSON"),
        ('{"epcisBody": 7}', "EPCIS document"),
        ("[7]", "EPCIS document"),
        ('[{"type": "ObjectEvent"}]', "one of ObjectEvent"),
        ('[{"type": "SomethingEvent"}]', "one of ObjectEvent"),
        ("<a><ObjectEvent><eventTime>x</eventTime></ObjectEvent></a>", "one of ObjectEvent"),
        ("<a><ObjectEvent></a>", "well-formed"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "without a document type"),
        (f"<a>{'<b>' * 5000}", "well-formed"),
    ],
)
def test_what_is_no_document_is_refused(bench: Bench, text: str, expected: str) -> None:
    """With what was expected, and where."""
    path = bench.folder / "no.json"
    path.write_text(text)
    with pytest.raises(sk.Refused) as refused:
        sk.events.read(bench.record, path)
    assert refused.value.word == "events_unreadable" and expected in refused.value.expected
    path.unlink()
    with pytest.raises(sk.Refused, match="file_missing"):
        sk.events.read(bench.record, path)


@pytest.mark.only_on("sqlite", reason="about the command's words only")
def test_the_command_ends_with_five_where_something_differs(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """And says which event, and why; a part of the events is fine unless the whole is wanted."""
    whole_life(bench)
    out = bench.folder / "events.jsonld"
    sk.events.write(bench.record, bench.lot, form="json", out=out)
    word = ["--record", bench.url, "--as", "Line Lead", "events", "read", str(out)]

    def typed(*more: str) -> tuple[int, str]:
        code = run([*word, *more])
        return code, capsys.readouterr().out

    code, text = typed("--whole")
    assert code == 0 and "unaltered" in text
    whole = out.read_text()
    out.write_text(re.sub(r'"action":"DELETE"', '"action":"OBSERVE"', whole, count=1))
    code, text = typed("--json")
    assert code == 5 and json.loads(text)["altered"]["count"] == 1
    code, text = typed()
    assert code == 5 and "does not give its ID" in text
    part = json.loads(whole)
    del part["epcisBody"]["eventList"][0]
    out.write_text(json.dumps(part))
    assert typed()[0] == 0
    code, text = typed("--whole")
    assert code == 5 and "1 missing, from event 1 on" in text
