"""`person`: who works on the record."""

from __future__ import annotations

from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.errors import WrongUsage
from serialkeeper.outside import clock, secrets
from serialkeeper.rules.moves import LINE_LEAD, ROLES
from serialkeeper.steps import people

app = typer.Typer(help="People who work on the record.")

Name = Annotated[str, typer.Argument(help="The person's name.")]
Why = Annotated[str, typer.Option(help="Why, in words.")]
FromInput = Annotated[
    bool, typer.Option("--password-stdin", help="Passwords are lines of the standard input.")
]


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="Name as on the shift list.")],
    role: Annotated[str, typer.Option(help=f"One of: {', '.join(ROLES)}.")] = LINE_LEAD,
    password_stdin: FromInput = False,
) -> None:
    """Add a person. Example: person add "Second Person" --role compliance.

    In a live record with a first password, which its owner changes: person password.
    """
    record = call.record()
    given = secrets.line() if password_stdin else "" if record.practice else _new(name)
    result = people.add(record, name, role=role, account=clock.account(), password=given)
    lines = [f"{name} is in the record as {role}."]
    if not record.practice:
        lines.append("  The first password has to be changed by its owner: person password.")
    answer(result, lines)


@app.command()
def password(
    name: Annotated[
        str, typer.Argument(help="Somebody who forgot it; your own password if left out.")
    ] = "",
    password_stdin: Annotated[
        bool,
        typer.Option(
            "--password-stdin",
            help="Lines of the standard input: your old and your new one; with NAME the new one.",
        ),
    ] = False,
    reason: Why = "",
) -> None:
    """Change your own password; with NAME give somebody a new one (administrator)."""
    if name:
        record = call.record()
        given = secrets.line() if password_stdin else _new(name)
        result = people.change_password(record, given, name=name, reason=reason)
        answer(result, [f"{name} has a new password, and has to change it: person password."])
        return
    record = call.record(password=secrets.line if password_stdin else None)
    result = people.change_password(record, secrets.line() if password_stdin else _new("you"))
    answer(result, ["Your password was changed."])


@app.command()
def role(
    name: Name,
    role: Annotated[str, typer.Argument(help="The new role.")],
    reason: Why = "",
) -> None:
    """Give a person another role. Example: person role "A Person" operator --reason "..."."""
    result = people.change_role(call.record(), name, role, reason=reason)
    answer(result, [f"{name} is {result['role']} now, and was {result['before']}."])


@app.command()
def retire(name: Name, reason: Why = "") -> None:
    """End a person's work on the record. The name stays for ever and is never used again."""
    result = people.retire(call.record(), name, reason=reason)
    answer(result, [f"{name} ({result['role']}) is retired."])


@app.command()
def rules(
    shortest: Annotated[int | None, typer.Option(help="Characters of a password.")] = None,
    failures: Annotated[int | None, typer.Option(help="Wrong ones in a row that alarm.")] = None,
    reason: Why = "",
) -> None:
    """Show the rules for passwords, or set them."""
    told = people.rules(call.record(), shortest=shortest, failures=failures, reason=reason)
    answer(
        told,
        [
            f"A password has {told['shortest']} to {told['longest']} characters of any kind.",
            f"{told['failures']} wrong ones in a row alarm.",
        ],
    )


@app.command()
def alarms() -> None:
    """Show alarms about wrong passwords."""
    rows = people.alarms(call.record())
    answer(
        rows,
        [
            f"{row['alarm']:3} {row['name'] or 'names that are not there':30} {row['at']} "
            f"{row['failures']} wrong at {row['station']}: "
            + (f"cleared by {row['cleared_by']}, {row['cause']}" if row["cleared_at"] else "OPEN")
            for row in rows
        ]
        or ["No alarms."],
    )


@app.command()
def unlock(
    name: Annotated[str, typer.Argument(help="Whose alarms; left out: names not there.")] = "",
    reason: Why = "",
) -> None:
    """Clear a person's alarms about wrong passwords, so that they can sign in at once."""
    result = people.unlock(call.record(), name, reason=reason)
    answer(result, [f"{len(result['cleared'])} alarms were cleared."])


@app.command("list")
def list_() -> None:
    """Show everybody."""
    rows = people.everybody(call.record())
    answer(
        rows,
        [
            f"{row['name']:30} {row['role']:14} since {row['added']}"
            + (f", retired {row['retired']}" if row["retired"] else "")
            for row in rows
        ],
    )


def _new(name: str) -> str:
    """A new password, typed twice. Refuses `usage`."""
    first = secrets.asked(f"New password for {name}") if secrets.at_terminal() else ""
    if first and secrets.asked("Again") == first:
        return first
    raise WrongUsage(
        "usage",
        "The two are not the same." if first else "There is no new password.",
        where="person",
        remedy="Type it twice at a terminal, or give it with --password-stdin.",
    )
