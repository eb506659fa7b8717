"""`serve`: the record over HTTP."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from serialkeeper.cli.answer import SIGNING_KEY, call
from serialkeeper.outside import clock
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.store.record import Record


def serve(
    host: Annotated[str, typer.Option(help="The address to listen at.")] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="The port; 0 for any that is free.")
    ] = 8470,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="TLS: the certificate and its chain, PEM.")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="TLS: the certificate's key, PEM.")
    ] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="Something in front of it does TLS.")
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="HOST", help="A name by which it is called; may be repeated."),
    ] = None,
) -> None:
    """Serve the record to browsers and programs until Ctrl-C.

    Live: people sign in, programs bring tokens. Practice: --as acts, for this machine only.
    """
    from serialkeeper.web.serving import Address
    from serialkeeper.web.serving import serve as start

    path = os.environ.get(SIGNING_KEY)
    start(
        call.url,
        Address(host, port, certificate, key, behind_proxy, tuple(name or ())),
        person=call.person,
        station=clock.station(),
        key=Path(path) if path else None,
        say=lambda line: typer.echo(line, err=True),
        told=_told,
    )


def _told(record: Record, address: str) -> None:
    kind = "practice" if record.practice else "live"
    typer.echo(f"Serving the {kind} record {record.url} at {address}")
    typer.echo(CAUTION, err=True)
