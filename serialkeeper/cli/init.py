"""`init`: make a record."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.outside import clock, secrets
from serialkeeper.rules.cautions import CAUTION
from serialkeeper.rules.moves import ROLES
from serialkeeper.steps import people


def init(
    person: Annotated[str, typer.Option(help="The first person's name.")],
    role: Annotated[str, typer.Option(help=f"One of: {', '.join(ROLES)}.")] = "",
    password_stdin: Annotated[
        bool,
        typer.Option(
            "--password-stdin",
            help="Make a live record; the password is the first line of the standard input.",
        ),
    ] = False,
) -> None:
    """Make a record, for practice or live, and its first person.

    With --password-stdin it is a live one, and the person is its administrator.
    """
    record = people.init(
        call.url,
        person,
        role=role,
        password=secrets.line() if password_stdin else "",
        station=clock.station(),
        now=clock.now,
        chance=clock.chance(),
        account=clock.account(),
    )
    record.close()
    kind = "practice" if record.practice else "live"
    means = (
        "It is marked 'practice' for ever: for trying and training, never for a real lot."
        if record.practice
        else "Everybody signs in to it with a password of their own. Add a second administrator."
    )
    answer(
        {"record": call.url, "kind": kind, "person": person},
        [f"{kind.capitalize()} record made at {call.url} for {person}.", means, CAUTION],
    )
