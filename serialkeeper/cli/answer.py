"""How every command finds its record and gives its answer."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import orjson
import typer

from serialkeeper.cli.progress import Shown
from serialkeeper.errors import SerialKeeperError, WrongUsage
from serialkeeper.outside import clock, secrets, sessions
from serialkeeper.rules import recovery
from serialkeeper.rules.counts import many
from serialkeeper.rules.moves import ADMINISTRATOR
from serialkeeper.steps import checkpoints
from serialkeeper.store.engines import has_secret
from serialkeeper.store.opening import open_record
from serialkeeper.store.record import Record
from serialkeeper.store.sign_in import Component, InSession

FINDINGS = 5
"""Exit code: done, but findings need a person."""

SIGNING_KEY = "SERIALKEEPER_SIGNING_KEY"
"""The variable that names the file with the key for checkpoints."""

DEFAULT_RECORD = "sqlite:///serialkeeper.db"


def _aloud(line: str) -> None:
    typer.echo(line, err=True)


@dataclass
class Call:
    """What stands for all commands of one call.

    Attributes:
        url: the record.
        person: who, or empty.
        as_json: whether the answer is one JSON document.
    """

    url: str = DEFAULT_RECORD
    person: str = ""
    as_json: bool = False
    opened: list[Record] = field(default_factory=list)
    progress: Shown = field(default_factory=lambda: Shown(None))

    def watch(self) -> None:
        """Begin to show progress, where somebody looks at a terminal."""
        self.progress = Shown(None if self.as_json else sys.stderr)

    def password(self) -> str:
        """The password of whoever calls, for a live record; it may be a badge's text."""
        return secrets.password(secrets.PASSWORD, f"Password of {self.person}, or a badge")

    def pin(self) -> str:
        """The PIN of whoever calls."""
        return secrets.password(secrets.PIN, "PIN")

    def session(self) -> InSession | None:
        """The session that was begun at this station, unless a password is given; its owner gives
        the PIN again to sign, or the password."""
        if secrets.given(secrets.PASSWORD):
            return None
        kept = sessions.kept(self.url, clock.station())
        if kept is None or self.person not in ("", kept.person):
            return None
        ask = self.pin if kept.badge else lambda: secrets.password(*self._own(kept.person))
        return InSession(kept.id, kept.key, Component(ask, kept.badge))

    @staticmethod
    def _own(person: str) -> tuple[str, str]:
        return secrets.PASSWORD, f"Password of {person}, to sign"

    def record(
        self,
        seed: int | None = None,
        *,
        password: Callable[[], str] | None = None,
        second: str = "",
    ) -> Record:
        """Open the record; closed at the end of the call.

        Args:
            password: gives the password of a live record, instead of `outside.secrets`.
            second: who confirms as the second person; gives a password too in a live record.
        """
        person = self.person
        if not person and not password and secrets.given(secrets.PASSWORD):
            # A password that is given in a session is its owner's.
            kept = sessions.kept(self.url, clock.station())
            person = kept.person if kept and not kept.badge else ""
        token = secrets.password(secrets.TOKEN, "") if secrets.given(secrets.TOKEN) else ""
        record = open_record(
            self.url,
            person=person,
            password=password or self.password,
            pin=self.pin,
            token=token,
            session=None if token or password else self.session(),
            station=clock.station(),
            now=clock.now,
            chance=clock.chance(seed),
        )
        record = replace(record, seen=self.progress.told)
        self.opened.append(record)
        if record.practice and not self.as_json:
            typer.echo("Practice record: for trying and training, never for a real lot.", err=True)
        if record.moved_to and not self.as_json:
            standing = recovery.standing(record.moved_to, record.url)
            moved = f"Moved to {record.moved_to}: what stands here may be old."
            typer.echo(standing.message if standing else moved, err=True)
        self._warn(record)
        if second and not record.practice:
            given = secrets.password(secrets.SECOND_PASSWORD, f"Password of {second}, or the badge")
            record = record.seconded_by(
                second, given, pin=lambda: secrets.password(secrets.SECOND_PIN, f"PIN of {second}")
            )
        return record

    def _warn(self, record: Record) -> None:
        """Tell an administrator of wrong passwords."""
        if record.practice or record.role != ADMINISTRATOR or self.as_json:
            return
        with record.read() as view:
            waiting = [one for one in view.sign_in_alarms() if not one.cleared_at]
        if waiting:
            typer.echo(
                f"{many(len(waiting), 'open alarm')} about wrong passwords: person alarms.",
                err=True,
            )

    def protect(self, say: Callable[[str], None] = _aloud) -> None:
        """Make a checkpoint if the step that was done makes one due, and tell it; a failure is told
        too, and changes nothing."""
        key = os.environ.get(SIGNING_KEY)
        for record in self.opened:
            try:
                made = checkpoints.make_due(record, Path(key) if key else None)
                if made:
                    say(f"Checkpoint {made['file']}, SHA-256 {made['sha256']}")
            except Exception as error:
                told = str(error) if isinstance(error, SerialKeeperError) else repr(error)
                line = " ".join(printable(told).split())
                say(f"No checkpoint was made; the step itself is done: {line}")

    def done(self) -> None:
        """Close what was opened."""
        while self.opened:
            self.opened.pop().close()


call = Call()
"""This process's call; set by the command line before any command runs."""


def check_url(url: str, where: str) -> None:
    """Refuses `usage` for a password on the command line, where others can see it."""
    if os.environ.get("SERIALKEEPER_RECORD") != url and has_secret(url):
        raise WrongUsage(
            "usage",
            "A password does not belong on the command line: other accounts can see it there.",
            where=where,
            expected="a URL without a password",
            came="a URL with one",
            remedy="Leave it out; put it in PGPASSWORD, or in a password file that only you can "
            "read (PGPASSFILE, mode 0600). If it was a real one, change it.",
        )


def answer(result: Any, lines: Iterable[str]) -> None:
    """Print the result as JSON, or the lines."""
    call.progress.clear()
    if call.as_json:
        sys.stdout.write(orjson.dumps(result, option=orjson.OPT_INDENT_2).decode() + "\n")
        return
    for line in lines:
        typer.echo(printable(line))


def answer_rows(rows: Iterable[Mapping[str, Any]], lines: Iterable[str]) -> None:
    """Print many rows, one at a time, as a JSON list or as lines."""
    call.progress.clear()
    if not call.as_json:
        for line in lines:
            typer.echo(printable(line))
        return
    before = "["
    for row in rows:
        sys.stdout.write(before + orjson.dumps(dict(row)).decode())
        before = ",\n"
    sys.stdout.write("[]\n" if before == "[" else "]\n")


def refuse(error: SerialKeeperError) -> int:
    """Print an error; gives its exit code."""
    call.progress.clear()
    if call.as_json:
        document = {"refused": error.as_dict(), "exit": error.exit_code}
        sys.stdout.write(json.dumps(document, indent=2) + "\n")
    text = str(error).encode("utf-8", "replace").decode()
    typer.echo(printable(text), err=True)
    return error.exit_code


def signature_lines(signatures: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """An entry's signatures for people, below the entry."""
    for one in signatures:
        practice = " (practice)" if one["practice"] else ""
        yield f"{'':8}signed: {one['person']}, {one['role']}: {one['meaning']}{practice}"


def alone(record: Record, second: str) -> str:
    """The mark of a decision in which one person played both parts."""
    return " (practice: one person played both parts)" if second in ("", record.person) else ""


def imported(result: Mapping[str, Any]) -> str:
    """What an import of rows did, up to the word for the rows."""
    there = result["already_there"]
    before = f" ({there:,} were there already, the same)" if there else ""
    return f"{result['file']} added {result['added']:,} of its {result['rows']:,}{before}"


def tally(counts: Mapping[str, int]) -> str:
    """Counts by word, in one line."""
    return ", ".join(f"{word} {count:,}" for word, count in counts.items()) or "none"


def printable(text: str) -> str:
    """The text for a terminal: signs that could steer it are written as escapes."""
    return "".join(
        sign if sign.isprintable() or sign == "\n" else f"\\x{ord(sign):02x}" for sign in text
    )
