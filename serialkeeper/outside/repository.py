"""A receiver's capture interface over HTTPS: one exchange at a time, bounded in time and size.

The server's certificate is always checked. Redirects are not followed, and nothing goes to another
host than the destination's, for it would get the token.
"""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Sequence
from queue import Empty, SimpleQueue
from threading import Event, Thread
from time import monotonic

import httpx

from serialkeeper.errors import Refused
from serialkeeper.outside import secrets
from serialkeeper.rules.captures import LOST, UNSENT, Answer, Mark, marks_in

LARGEST, LARGEST_EVENTS = 1 << 20, 1 << 25
"""Bytes of an answer that are read; of one with events."""

LONGEST = 120.0
"""Seconds that an answer may take in all."""

ENDING = 5.0
"""Seconds for which a sender that was told to stop still waits for answers."""

_TIMEOUTS = httpx.Timeout(30.0, connect=10.0)
_AT_ONCE, _MOST_PAGES = 10, 100
"""Events that are asked for together, and pages of an answer."""

_LOOK = 0.2
"""Seconds between two looks whether the sender was told to stop."""

_TOLD_TO_STOP = "the sender was told to stop before an answer came"

_VERSIONS = {"GS1-EPCIS-Version": "2.0.0", "GS1-CBV-Version": "2.0.0"}


class Repository:
    """A capture interface, and the questions beside it."""

    def __init__(
        self,
        url: str,
        *,
        name: str,
        token: str,
        certificate: str,
        key: str,
        authority: str,
        stopping: Event,
    ) -> None:
        """Read the secrets that are named.

        Args:
            url: of the capture interface.
            name: the destination's, for refusals.
            token: the name of the token's secret; empty for none.
            certificate, key: files of our own certificate and its key; empty for none.
            authority: a file of the certificates to trust; empty for the system's.
            stopping: once it is set, nothing is waited for longer than `ENDING` in all.

        Refuses `secret_missing`, `secret_exposed`, `file_missing`, `usage`.
        """
        self.url = httpx.URL(url)
        path = self.url.path.removesuffix("/")
        self.events = self.url.copy_with(path=path.rpartition("/")[0] + "/events")
        self.token = secrets.named(token, name, self.url.host) if token else ""
        self.stopping, self.ends = stopping, 0.0
        headers = {"Accept-Encoding": "identity", "User-Agent": "serialkeeper"}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        self.client = httpx.Client(
            verify=_trust(name, certificate, key, authority),
            trust_env=False,
            follow_redirects=False,
            timeout=_TIMEOUTS,
            headers=headers,
        )

    def __enter__(self) -> Repository:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def options(self) -> Answer:
        """What the interface offers."""
        return self._exchange("OPTIONS", self.url)

    def post(self, data: bytes, behaviour: str) -> Answer:
        """Send a document."""
        headers = {
            **_VERSIONS,
            "Content-Type": "application/json",
            "GS1-Capture-Error-Behaviour": behaviour,
        }
        return self._exchange("POST", self.url, headers=headers, content=data)

    def look(self, job: str) -> Answer:
        """How a capture job stands."""
        return self._exchange("GET", httpx.URL(job), headers={"Accept": "application/json"})

    def job_of(self, answer: Answer) -> str:
        """Where the capture job of an answer is; empty if it says nothing, or another host."""
        return self._ours(answer.headers.get("location", ""))

    def which(self, marks: Sequence[Mark]) -> set[Mark] | Answer:
        """Which of these events are stored there; an answer that does not say so."""
        ids = list(dict.fromkeys(mark[0] for mark in marks))
        found: set[Mark] = set()
        for first in range(0, len(ids), _AT_ONCE):
            some = ids[first : first + _AT_ONCE]
            asked = {"EQ_eventID": "|".join(some), "perPage": str(2 * _AT_ONCE)}
            url = self.events.copy_merge_params(asked)
            for _ in range(_MOST_PAGES):
                answer = self._exchange("GET", url, headers=_ASKING, largest=LARGEST_EVENTS)
                told = marks_in(answer.body) if answer.status == 200 else None
                if told is None:
                    if answer.status == 200:
                        return Answer(501, why="what it answers is no list of events")
                    return answer
                if not {mark[0] for mark in told} <= set(some):
                    return Answer(501, why="it tells events that were not asked for")
                found.update(told)
                found.update((id_, False) for id_, declared in told if declared)
                following = self._ours(_following(answer))
                if not following:
                    break
                url = httpx.URL(following)
        return found.intersection(marks)

    def _ours(self, location: str) -> str:
        """A place of the same host, in full; empty for another one."""
        if not location or (self.token and self.token in location):
            return ""
        try:
            url = self.url.join(location)
        except (httpx.InvalidURL, ValueError):
            return ""
        same = ("scheme", "host", "port", "userinfo")
        mine = all(getattr(url, part) == getattr(self.url, part) for part in same)
        return str(url) if mine and len(str(url)) <= 2_000 else ""

    def _exchange(
        self,
        method: str,
        url: httpx.URL,
        *,
        headers: dict[str, str] | None = None,
        content: bytes | None = None,
        largest: int = LARGEST,
    ) -> Answer:
        """Ask and read the answer. What goes wrong is an answer, too.

        It is asked in a thread of its own: one that waits for a receiver hears no signal.
        """
        told: SimpleQueue[Answer] = SimpleQueue()

        def ask() -> None:
            told.put(self._asked(method, url, headers, content, largest))

        if self._is_over():
            return Answer(UNSENT, why=_TOLD_TO_STOP)
        Thread(target=ask, daemon=True).start()
        while True:
            try:
                return told.get(timeout=_LOOK)
            except Empty:
                if self._is_over():
                    return Answer(LOST, why=_TOLD_TO_STOP)

    def _is_over(self) -> bool:
        """Whether nothing is waited for any more."""
        if not self.stopping.is_set():
            return False
        self.ends = self.ends or monotonic() + ENDING
        return monotonic() > self.ends

    def _asked(
        self,
        method: str,
        url: httpx.URL,
        headers: dict[str, str] | None,
        content: bytes | None,
        largest: int,
    ) -> Answer:
        until = monotonic() + LONGEST
        try:
            with self.client.stream(method, url, headers=headers, content=content) as response:
                body = bytearray()
                for piece in response.iter_raw():
                    body += piece
                    if len(body) > largest or monotonic() > until:
                        return Answer(LOST, why="the answer is too long, or takes too long")
                told = {name.lower(): value for name, value in response.headers.items()}
                return Answer(response.status_code, told, self._clean(bytes(body)))
        except (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout) as error:
            return Answer(UNSENT, why=_reason(error))
        except httpx.HTTPError as error:
            return Answer(LOST, why=_reason(error))
        except (httpx.InvalidURL, ValueError) as error:
            return Answer(LOST, why=_reason(error))
        except Exception as error:  # the sender has gone on, and its client is closed
            return Answer(LOST, why=_reason(error))

    def _clean(self, body: bytes) -> bytes:
        """The body without our token, if the receiver sends it back."""
        return body.replace(self.token.encode(), b"...") if self.token else body


_ASKING = {"Accept": "application/json", "GS1-EPC-Format": "Always_EPC_URN"}


def _following(answer: Answer) -> str:
    """The next page of an answer; empty for none (RFC 8288)."""
    links = httpx.Response(200, headers={"link": answer.headers.get("link", "")}).links
    return str(links.get("next", {}).get("url", ""))


def _reason(error: BaseException) -> str:
    """Why there is no answer, without anything that was sent."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"its certificate is not trusted: {cause.verify_message}"
        if isinstance(cause, ssl.SSLError) and not isinstance(cause, ssl.SSLEOFError):
            return f"no secure connection: {cause.reason}"
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__ or cause.__context__
    return next(
        (words for kind, words in _IN_WORDS.items() if isinstance(error, kind)),
        f"no answer can be had ({type(error).__name__})",
    )


_IN_WORDS: dict[type[Exception], str] = {
    httpx.ConnectTimeout: "no connection in time",
    httpx.TimeoutException: "no answer in time",
    httpx.RemoteProtocolError: "it broke off, or answers what is not HTTP",
    httpx.NetworkError: "the connection broke",
    httpx.InvalidURL: "it names a place that is none",
}
"""What went wrong, where the system has no words for it."""


def _trust(name: str, certificate: str, key: str, authority: str) -> ssl.SSLContext:
    """Whom we trust, and who we are."""
    file = authority
    try:
        context = ssl.create_default_context(cafile=authority or None)
        if certificate:
            file = key or certificate
            mode = os.stat(file).st_mode  # noqa: PTH116 - the mode is all that is wanted
            if mode & 0o077:
                raise Refused(
                    "secret_exposed",
                    "Others can read the key of the client certificate.",
                    where=f"destination {name}: {file}",
                    expected="a file of mode 0600",
                    came=stat.filemode(mode),
                    remedy="Give it the mode 0600 (chmod 600), and ask for a new certificate if "
                    "others may have read it.",
                )
            context.load_cert_chain(certificate, key or None, password=_no_password)
    except OSError as error:  # ssl.SSLError is one
        raise Refused(
            "file_missing",
            "A certificate of the destination cannot be read.",
            where=f"destination {name}: {file}",
            expected="certificates and a key without password, PEM",
            came=error.strerror or type(error).__name__,
            remedy="Check the files that the destination names (events destination).",
        ) from None
    return context


def _no_password() -> str:
    """Keys with a password are refused, not asked for at a terminal."""
    raise OSError(0, "the key has a password")
