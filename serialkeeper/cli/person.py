"""`person`: who works on the record."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from serialkeeper.cli.answer import answer, call
from serialkeeper.errors import WrongUsage
from serialkeeper.outside import clock, secrets, sessions
from serialkeeper.rules.counts import many
from serialkeeper.rules.moves import LINE_LEAD, ROLES
from serialkeeper.rules.tokens import DAYS, SCOPES
from serialkeeper.steps import people, signing_in

app = typer.Typer(help="People who work on the record: roles, passwords, badges, tokens.")

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
    """Add a person.

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
    """Give a person another role."""
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
    failures: Annotated[
        int | None, typer.Option(help="Wrong passwords in a row that raise an alarm.")
    ] = None,
    idle: Annotated[
        int | None, typer.Option(metavar="MINUTES", help="An unused session is over after these.")
    ] = None,
    reason: Why = "",
) -> None:
    """Show the rules for passwords, or set them."""
    told = people.rules(
        call.record(), shortest=shortest, failures=failures, idle=idle, reason=reason
    )
    answer(
        told,
        [
            f"A password has {told['shortest']} to {told['longest']} characters of any kind.",
            f"{many(told['failures'], 'wrong password')} in a row raise an alarm.",
            f"A session that nobody uses is over after {many(told['idle'], 'minute')}.",
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
    answer(result, [f"Alarms cleared: {len(result['cleared'])}."])


BadgeInput = Annotated[
    bool, typer.Option("--badge-stdin", help="Secrets are lines of the standard input.")
]


@app.command()
def badge(name: Name, reason: Why = "", badge_stdin: BadgeInput = False) -> None:
    """Give a person a badge (administrator): its text is scanned, or a line of the input."""
    text = secrets.line() if badge_stdin else _scanned(f"Badge of {name}")
    signing_in.give_badge(call.record(), name, text, reason=reason)
    answer({"name": name}, [f"{name} has a badge, and chooses a PIN for it: person pin."])


@app.command()
def pin(badge_stdin: BadgeInput = False) -> None:
    """Choose a PIN for your badge: both are asked for, or are lines of the input."""
    record = call.record()
    text = secrets.line() if badge_stdin else _scanned("Your badge")
    digits = secrets.line() if badge_stdin else _new("you", "PIN")
    result = signing_in.change_pin(record, text, digits)
    answer(result, ["Badge and PIN sign you in now."])


@app.command()
def enter() -> None:
    """Sign in at this station for as long as you are at it; further commands ask for nothing.

    What is signed asks for the PIN, or the password, again.
    """
    kept = sessions.kept(call.url, clock.station())
    before = (kept.id, kept.key) if kept else None
    sessions.drop(call.url, clock.station())
    given: list[str] = []

    def remembered() -> str:
        given.append(call.password())
        return given[-1]

    record = call.record(password=remembered)
    result = signing_in.enter(record, typed=given[-1] if given else "", instead_of=before)
    key, badge = result.pop("key"), result.pop("badge")
    told = sessions.Kept(result["session"], result["name"], key, badge)
    sessions.keep(call.url, record.station, told)
    answer(
        result,
        [
            f"{result['name']} is at {result['station']}. After "
            f"{many(result['idle'], 'minute')} without a command the session is over; "
            "end it before you go: person leave."
        ],
    )


@app.command()
def leave() -> None:
    """End the session at this station."""
    kept = sessions.kept(call.url, clock.station())
    if kept is None:
        answer({"name": None, "station": clock.station()}, ["Nobody is signed in here."])
        return
    try:
        result = signing_in.leave(call.record(), kept.id, kept.key)
    finally:
        sessions.drop(call.url, clock.station())
    answer(result, [f"{result['name']} has left {result['station']}."])


@app.command()
def token(
    purpose: Annotated[str, typer.Option("--for", metavar="TEXT", help="What it is for.")],
    may: Annotated[str, typer.Option(metavar="SCOPES", help=f"Some of: {', '.join(SCOPES)}.")],
    out: Annotated[Path, typer.Option(help="The file to make; only you can read it.")],
    until: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help=f"Its last day; {DAYS} days if left out."),
    ] = None,
) -> None:
    """Make a token for a script; it works in your name, and signs nothing."""
    result = signing_in.give_token(
        call.record(),
        purpose=purpose,
        may=[one.strip() for one in may.split(",") if one.strip()],
        out=out,
        until=until.date() if until else None,
    )
    answer(
        result,
        [
            f"Token {result['token']} for {', '.join(result['may'])}, until {result['until']}: "
            f"{result['file']}",
            f"  The script sets SERIALKEEPER_TOKEN_FILE={result['file']}",
            f"  End it: serialkeeper person revoke {result['token']} --reason TEXT",
        ],
    )


@app.command()
def tokens() -> None:
    """Show all tokens: whose, for what, until when."""
    rows = signing_in.all_tokens(call.record())
    answer(
        rows,
        [
            f"{row['token']:3} {row['name']:30} {', '.join(row['may'])}: {row['purpose']}; "
            + (f"revoked {row['revoked']}" if row["revoked"] else f"until {row['until']}")
            for row in rows
        ]
        or ["No tokens."],
    )


@app.command()
def revoke(
    number: Annotated[int, typer.Argument(metavar="N", min=1, help="The token: person tokens.")],
    reason: Why = "",
) -> None:
    """End a token: yours, or as administrator anybody's."""
    result = signing_in.revoke(call.record(), number, reason=reason)
    answer(result, [f"Token {result['token']} ({result['purpose']}) is revoked."])


@app.command("list")
def list_() -> None:
    """Show everybody."""
    rows = people.everybody(call.record())
    answer(
        rows,
        [
            f"{row['name']:30} {row['role']:14} since {row['added']}"
            + (f", retired {row['retired']}" if row["retired"] else _signs_in(row["sign_in"]))
            for row in rows
        ],
    )


def _signs_in(how: dict[str, bool] | None) -> str:
    """How somebody signs in, as far as that is told."""
    if how is None:
        return ""
    ways = ["a first password, not changed yet" if how["temporary"] else "a password"]
    ways += ["a badge with its PIN" if how["pin"] else "a badge without a PIN"] * how["badge"]
    return f", with {' and '.join(ways)}"


def _scanned(prompt: str) -> str:
    """A badge's text from a scanner that types. Refuses `usage`."""
    if secrets.at_terminal():
        return secrets.asked(prompt)
    raise WrongUsage(
        "usage",
        "There is no badge.",
        where="person",
        remedy="Scan it at a terminal, or give it with --badge-stdin.",
    )


def _new(name: str, what: str = "password") -> str:
    """A new password, typed twice. Refuses `usage`."""
    first = secrets.asked(f"New {what} for {name}") if secrets.at_terminal() else ""
    if first and secrets.asked("Again") == first:
        return first
    raise WrongUsage(
        "usage",
        "The two are not the same." if first else f"There is no new {what}.",
        where="person",
        remedy="Type it twice at a terminal, or give it with --password-stdin.",
    )
