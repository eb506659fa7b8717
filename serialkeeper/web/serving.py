"""Serving a record: the socket, TLS, and how it ends."""

from __future__ import annotations

import asyncio
import ipaddress
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from serialkeeper.errors import Refused, Unavailable, WrongUsage
from serialkeeper.outside import clock
from serialkeeper.store.opening import signed_in, stand_by
from serialkeeper.store.record import Record
from serialkeeper.web import pages
from serialkeeper.web.app import make_app
from serialkeeper.web.gate import LOOPBACK, Gate

MOST_CONNECTIONS = 200
"""Connections at a time; more are turned away at once."""

SLOWEST_HEAD = 15.0
"""Seconds until the head of a request has to be there."""

LAST_SECONDS = 20
"""How long requests may go on when the server is to end."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where and how to listen.

    Attributes:
        host, port: where.
        certificate, key: TLS files, both or none.
        behind_proxy: whether something in front of it does TLS.
        names: by which it may be called, beside the loopback's own.
    """

    host: str
    port: int
    certificate: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False
    names: tuple[str, ...] = ()

    @property
    def secure(self) -> bool:
        """Whether it is reached by TLS only."""
        return self.certificate is not None or self.behind_proxy

    @property
    def hosts(self) -> frozenset[str]:
        """Names by which it may be called; empty for any."""
        named = frozenset(name.lower() for name in self.names)
        if not named and (self.secure or not is_loopback(self.host)):
            return frozenset()
        return named | LOOPBACK


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches that address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def check_address(address: Address, *, practice: bool) -> None:
    """Refuses `usage` for half of TLS, and for an address that others reach without it;
    `live_only` for a practice record that others could reach."""
    if (address.certificate is None) != (address.key is None):
        raise WrongUsage(
            "usage",
            "TLS needs two files.",
            where="--certificate, --key",
            expected="both",
            came="one",
            remedy="Give a certificate and its key.",
        )
    alone = is_loopback(address.host)
    if not alone and not address.secure:
        raise WrongUsage(
            "usage",
            "Others reach that address, and tokens would travel in the clear.",
            where="--host",
            expected="127.0.0.1; or --certificate and --key; or --behind-proxy",
            came=address.host,
            remedy="Give TLS files, or say --behind-proxy where something in front does TLS.",
        )
    if practice and (not alone or address.behind_proxy):
        raise Refused(
            "live_only",
            "A practice record asks nobody who they are, so only this machine may reach it.",
            where="--host, --behind-proxy",
            expected="127.0.0.1",
            came=address.host + ", behind a proxy" * address.behind_proxy,
            remedy="Leave these out, or serve a live record.",
        )


def made(app: ASGIApp, address: Address) -> uvicorn.Server:
    """A server for the application. Refuses `usage` for files that are no certificate and key."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        http=_Patient,
        ws="none",
        timeout_keep_alive=15,
        timeout_graceful_shutdown=LAST_SECONDS,
        limit_concurrency=MOST_CONNECTIONS,
        ssl_certfile=address.certificate,
        ssl_keyfile=address.key,
    )
    try:
        config.load()
    except (OSError, ValueError) as error:
        raise WrongUsage(
            "usage",
            "TLS does not take these files.",
            where=f"{address.certificate}, {address.key}",
            expected="a certificate and its key without a password, PEM",
            came=str(getattr(error, "reason", "") or getattr(error, "strerror", "") or error),
            remedy="Check both files, and the right to read them.",
        ) from None
    return _Server(config)


def listen(address: Address) -> socket.socket:
    """A socket at the address. Refuses `address_taken`."""
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    # The protocol is said, so that asyncio sees TCP and does not let small answers wait (Nagle).
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address.host, address.port))
        listening.listen(100)
        return listening
    except OSError as error:
        listening.close()
        raise Unavailable(
            "address_taken",
            f"The server cannot listen there: {error.strerror or error}.",
            where=f"{address.host}, port {address.port}",
            remedy="Give another port (--port), or end what listens there.",
        ) from None


def serve(
    url: str,
    address: Address,
    *,
    person: str,
    station: str,
    key: Path | None,
    say: Callable[[str], None],
    told: Callable[[Record, str], None],
) -> None:
    """Serve a record until somebody ends it.

    Args:
        url: the record.
        person: in whose hands a practice record is; empty for the only one there is.
        station: where.
        key: the file with the key for checkpoints, if there is one.
        say: takes a line for each request.
        told: takes the address once it can be reached.
    """
    record = stand_by(url, station=station, now=clock.now, chance=clock.chance())
    try:
        check_address(address, practice=record.practice)
        if record.practice:
            person = signed_in(record, person=person).person
        app = make_app(
            record,
            acting=person,
            hosts=address.hosts,
            secure=address.secure,
            behind_proxy=address.behind_proxy,
            key=key,
            say=say,
        )
        server = made(app, address)
        pages.prepare()
        with listen(address) as listening:
            host, port = listening.getsockname()[:2]
            scheme = "https" if address.certificate else "http"
            told(record, f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/")
            server.run(sockets=[listening])
    finally:
        record.close()


class _Patient(H11Protocol):
    """A connection that is closed when the head of a request does not come in time; uvicorn's own
    clock runs only from the end of an answer to the next byte."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody is there."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Some bytes of a request."""
        if self._timer is None and (self.cycle is None or self.cycle.response_complete):
            self._wait()
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nobody is there any more."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._timer = self.loop.call_later(SLOWEST_HEAD, self.transport.close)

    def _stop_waiting(self) -> None:
        if self._timer:
            self._timer.cancel()
            self._timer = None


class _Server(uvicorn.Server):
    """Ends quietly when it was told to end; uvicorn itself would raise the signal again. Pages that
    follow the record would keep it waiting; they are let go first."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let go of what never ends by itself, then end as ever."""
        if isinstance(self.config.app, Gate):
            self.config.app.end()
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Let SIGINT and SIGTERM end it, where signals are heard."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {
            number: signal.signal(number, self.handle_exit)
            for number in (signal.SIGINT, signal.SIGTERM)
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
