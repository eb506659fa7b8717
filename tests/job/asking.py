"""Asking the routes of a record that is served within this process."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from starlette.testclient import TestClient

from schemas import valid
from serialkeeper.errors import WORDS
from serialkeeper.outside import clock
from serialkeeper.store.opening import stand_by
from serialkeeper.store.record import Record
from serialkeeper.web import gate
from serialkeeper.web.app import make_app


class Client(TestClient):
    """Asks the routes within this process; `lines` is what they told of it."""

    lines: list[str]
    record: Record

    def refused(self, method: str, path: str, status: int, word: str, **more: Any) -> Any:
        """The problem document of a request that is refused."""
        answer = self.request(method, path, **more)
        assert answer.headers["content-type"] == "application/problem+json", answer.text
        told = valid("problem", answer.json())
        assert (answer.status_code, told["status"], told["word"]) == (status, status, word), told
        assert told["type"] == f"/refusals#{word}" and told["title"] == WORDS[word]
        return told


def served(
    url: str, *, token: str = "", now: Callable[[], datetime] = clock.now, **more: Any
) -> Client:
    """A client of a record that is served in this process."""
    record = stand_by(url, station="server", now=now, chance=clock.chance())
    lines: list[str] = []
    app = make_app(record, say=lines.append, hosts=gate.LOOPBACK, **more)
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    client = Client(app, "http://localhost:8470", headers=headers)
    client.lines, client.record = lines, record
    return client


@contextmanager
def asking(url: str, **more: Any) -> Iterator[Client]:
    """The same, from its start to its end."""
    with served(url, **more) as client:
        yield client
    client.record.close()
