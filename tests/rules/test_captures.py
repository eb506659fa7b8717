"""What is done on each answer of a capture interface.

Sources beside the checks: the official interface description (openapi.json of the EPCIS 2.0 REST
bindings, read by way of `rest_capture.json`), RFC 9110.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules.captures import (
    LOST,
    UNSENT,
    Answer,
    Next,
    after_look,
    after_post,
    learnt,
    marks_in,
    may_answer,
)
from serialkeeper.rules.destinations import check_url
from serialkeeper.rules.documents import (
    Document,
    Load,
    at_places,
    cleaned,
    file_name,
    list_name,
    load,
    read_runs,
    write_runs,
)

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)


def described(standards: Path, path: str) -> Any:
    """What the official description expects there."""
    vectors = json.loads((standards / "vectors" / "rest_capture.json").read_text())
    return next(one["expect"] for one in vectors if path in one["source"])


def test_every_answer_of_the_description_has_a_next_step(standards: Path) -> None:
    """Each status that it names for POST /capture, and only 5xx leaves the outcome open. Source:
    rest_capture.json, paths./capture.post."""
    told = described(standards, "paths./capture.post")
    wanted = {
        "202": Next.FOLLOW,
        "400": Next.PERSON,
        "401": Next.STOP,
        "403": Next.STOP,
        "406": Next.STOP,
        "413": Next.SPLIT,
        "415": Next.STOP,
        "500": Next.ASK,
    }
    assert {status: after_post(Answer(int(status))) for status in told["responses"]} == wanted


def test_a_job_is_done_only_when_it_does_not_run(standards: Path) -> None:
    """Its own example is a success; that it goes well so far is none. Source: CaptureJob."""
    example = described(standards, "components.schemas.CaptureJob")["200_example"]
    table = {(False, True): Next.STORED, (False, False): Next.FAILED}
    for running in (True, False):
        for success in (True, False):
            body = json.dumps({**example, "running": running, "success": success}).encode()
            wanted = table.get((running, success), Next.LATER)
            assert after_look(Answer(200, body=body)) is wanted
    for body in (
        b"",
        b"[]",
        b'{"running":"false","success":"true"}',
        b'{"running":false}',
        b"\xff",
    ):
        assert after_look(Answer(200, body=body)) is Next.ASK
    assert after_look(Answer(404)) is Next.ASK
    assert after_look(Answer(500)) is after_look(Answer(LOST)) is Next.AGAIN


@given(st.integers(100, 599))
def test_no_status_is_without_a_next_step(status: int) -> None:
    """And only what is surely not stored is ever sent again without asking (RFC 9110, section 15:
    a client error means that the request was not carried out)."""
    step = after_post(Answer(status))
    assert step in set(Next)
    if status < 300 or status >= 500 or status == 408:
        assert step in (Next.FOLLOW, Next.ASK)
    assert may_answer(Answer(status)) in (Next.AGAIN, Next.STOP, Next.PERSON)


def test_nothing_that_left_is_taken_for_something_that_did_not() -> None:
    """No connection is not the same as no answer."""
    assert after_post(Answer(UNSENT)) is Next.AGAIN
    assert after_post(Answer(LOST)) is Next.ASK


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        ("120", 120.0),
        ("Thu, 26 Nov 2026 12:00:30 GMT", 30.0),
        ("Thu, 26 Nov 2026 11:00:00 GMT", 0.0),
        ("Thursday, 26-Nov-26 12:00:30 GMT", 30.0),
        ("Thu Nov 26 12:00:30 2026", 30.0),
        ("-5", None),
        ("soon", None),
        ("1e9", None),
        ("", None),
        ("9" * 5000, None),
    ],
)
def test_retry_after_is_understood(said: str, seconds: float | None) -> None:
    """Seconds, or a date in any form of RFC 9110, section 5.6.7; what is neither says nothing."""
    assert Answer(503, {"retry-after": said}).wait(NOW) == seconds


@given(st.integers(2, 10_000), st.integers(2, 10**9), st.text(max_size=6), st.text(max_size=6))
def test_a_document_that_was_too_large_gets_smaller(
    events: int, size: int, few: str, small: str
) -> None:
    """Whatever the receiver tells, the next one is smaller, so splitting comes to an end."""
    names = "gs1-epcis-capture-limit", "gs1-epcis-capture-file-size-limit"
    answer = Answer(413, dict(zip(names, (few, small), strict=True)))
    fewer, smaller = learnt(answer, events=events, size=size)
    assert fewer < events and smaller < size and (fewer or smaller)


def test_limits_are_read_where_the_description_puts_them(standards: Path) -> None:
    """Source: rest_capture.json, 413CapturePayloadTooLarge."""
    headers = [one.lower() for one in described(standards, "413CapturePayloadTooLarge")["headers"]]
    assert learnt(Answer(413, {headers[0]: "7"}), events=9, size=99) == (7, 0)
    assert learnt(Answer(413, {headers[1]: "70"}), events=9, size=99) == (0, 70)


def test_events_of_an_answer_are_known_by_id_and_declaration() -> None:
    """An error declaration bears the ID of what it takes back (EPCIS 2.0, section 7.4.1.2, number
    from memory); what is no answer to a query is told apart from an empty one."""
    events = [{"eventID": "ni:1"}, {"eventID": "ni:1", "errorDeclaration": {}}, {}]
    body = {"epcisBody": {"queryResults": {"resultsBody": {"eventList": events}}}}
    assert marks_in(json.dumps(body).encode()) == [("ni:1", False), ("ni:1", True), ("", False)]
    for wrong in (b"", b"{}", b"[" * 100_000, b'{"epcisBody":{"eventList":[]}}'):
        assert marks_in(wrong) is None


@given(st.sets(st.integers(1, 60)))
def test_places_are_read_as_they_were_written(places: set[int]) -> None:
    """Runs hold exactly the places that went in."""
    assert read_runs(write_runs(places)) == sorted(places)


class _Sized:
    """An event of some size."""

    def __init__(self, count: int) -> None:
        self.count = count


@given(
    st.lists(st.integers(1, 9), max_size=30),
    st.integers(1, 7),
    st.integers(1_000, 6_000),
    st.data(),
)
def test_documents_hold_each_event_once_and_in_order(
    sizes: list[int], most: int, size: int, data: st.DataObject
) -> None:
    """Whatever the limits are, and whatever parts of documents a receiver keeps: in the end every
    event arrived once, and none came before an earlier one but those that a receiver left out."""
    events: list[Any] = [_Sized(one) for one in sizes]
    through, owed, arrived, rounds = 0, "", [], 0
    while True:
        wanted = read_runs(owed)
        due = at_places(events, wanted) if wanted else islice(enumerate(events, 1), through, None)
        made = load(due, last=not wanted, most_events=most, most_bytes=size)
        if not made.places:
            assert not wanted
            break
        assert made.places == sorted(made.places) and len(made.places) <= most
        assert set(made.places) <= set(wanted) if wanted else made.places[0] == through + 1
        gone = data.draw(st.sets(st.sampled_from(range(len(made.places)))))
        missing = gone if rounds < 9 and len(gone) < len(made.places) else set()
        document = _document(made, through, owed)
        after = document.after(sorted(missing))
        through, owed, rounds = after["through"], after["owed"], rounds + 1
        arrived += [one for at, one in enumerate(made.places) if at not in missing]
    assert sorted(arrived) == list(range(1, len(events) + 1))


def _document(made: Load, through: int, owed: str) -> Document:
    facts: dict[str, Any] = dict.fromkeys(Document.__slots__, "")
    facts |= {"through": through, "owed": owed, "events": write_runs(made.places)}
    return Document(**facts)


@given(st.text(max_size=700))
def test_what_a_receiver_says_is_fit_to_be_kept(said: str) -> None:
    """Printable, on one line, and short: `rules.texts` lets it into an entry."""
    from serialkeeper.rules.texts import unseen

    kept = cleaned(said)
    assert not unseen(kept) and len(kept) <= 500
    if said.isascii() and said.isprintable() and len(said) < 500:
        assert kept == " ".join(said.split())


@given(st.text("ABCdef/.,-_%&<>\"'()*+;=:!?0189", min_size=1, max_size=20), st.integers(1, 99_999))
def test_a_documents_name_is_one_name_in_one_folder(lot: str, number: int) -> None:
    """For every sign of GS1's set 82 (General Specifications, figure 7.11-1, from memory): no path,
    and the next one sorts after it."""
    name = file_name("09521234543213", lot, number, "xml")
    assert Path(name).name == name and "/" not in name and not name.startswith(".")
    assert name < file_name("09521234543213", lot, number + 1, "xml") or number == 99_999
    assert list_name(name) == name.removesuffix("xml") + "csv"


@pytest.mark.parametrize(
    "url",
    [
        *("https://h/capture#x", "https://h:0/capture", "https://h:99999/capture", "https://h/a b"),
        *("http://h/capture", "http://localhost.example/capture", "file:///capture", "capture", ""),
        *("https://me@h/capture", "https://h/capture?a=1", "https://hö/capture", "https://h\\@e/c"),
        *("https://[::1/capture", "https://h/\x00", "https://" + "h" * 1000),
    ],
)
def test_no_other_url_is_a_destination(url: str) -> None:
    """Only https, and http to this computer itself; nothing secret in it (RFC 3986)."""
    with pytest.raises(Refused):
        check_url(url, "json")


def test_a_capture_interface_takes_json_only() -> None:
    """The description lists application/json for requests only."""
    assert check_url("http://[::1]:8080/capture", "json")
    with pytest.raises(Refused):
        check_url("https://h/capture", "xml")
