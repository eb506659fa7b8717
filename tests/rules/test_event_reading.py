"""Every document of ours is read back as it was told, whatever its form."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from made_events import HEADER, document, made_events

from serialkeeper.outside.event_files import open_document
from serialkeeper.rules import event_reading
from serialkeeper.rules.events import Event

WAYS = [("json", False), ("json", True), ("xml", False), ("xml", True), ("xml-1.2", False)]


def told_in(path: Path) -> list[event_reading.Told]:
    """The events of a document, by our reader."""
    _, nodes, _ = open_document(path)
    return [event_reading.read(node, number) for number, node in enumerate(nodes, 1)]


@pytest.mark.parametrize(("form", "links"), WAYS)
@given(made=made_events)
@settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_every_form_is_read_back_as_it_was_told(
    form: str, links: bool, made: list[Event], tmp_path: Path
) -> None:
    """Whatever units, places, lots and times: content and ID agree, and nothing is left out."""
    path = tmp_path / "document"
    path.write_text(document(form, made, links=links, header=HEADER), "utf-8")
    read = told_in(path)
    assert [one.id for one in read] == [event.id for event in made]
    for one, event in zip(read, made, strict=True):
        assert one.faults == ()
        assert one.event.id == event.id and one.event.declared == event.declared
        units = [f"{event.facts.gtin}/{serial}" for serial in event.serials]
        assert list(one.event.packs) == [*units, *event.packs]
