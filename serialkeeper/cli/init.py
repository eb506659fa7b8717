"""`init`: make a record."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.errors import Refused
from serialkeeper.outside import clock
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.steps import people


def init(
    person: Annotated[str, typer.Option(help="The first person's name.")],
    password_stdin: Annotated[
        bool, typer.Option("--password-stdin", help="Make a live record (not in this version).")
    ] = False,
) -> None:
    """Make a practice record and its first person. Example: init --person "Line Lead"."""
    if password_stdin:
        raise Refused(
            "live_not_ready",
            "Live records need sign-in and signatures, which this version does not have.",
            came="--password-stdin",
            remedy="Make a practice record: leave --password-stdin out.",
        )
    record = people.init(
        call.url,
        person,
        station=clock.station(),
        now=clock.now,
        chance=clock.chance(),
        account=clock.account(),
    )
    record.close()
    answer(
        {"record": call.url, "kind": "practice", "person": person},
        [
            f"Practice record made at {call.url} for {person}.",
            "It is marked 'practice' for ever: for trying and training, never for a real lot.",
            CAUTION,
        ],
    )
