"""Where passwords come from: the environment, a file that nobody else can read, or a terminal.

Never from an option: other accounts can see it among the machine's processes.
"""

from __future__ import annotations

import getpass
import os
import stat
import sys
from pathlib import Path

from serialkeeper.errors import Refused, Unavailable, WrongUsage

PASSWORD, SECOND_PASSWORD = "SERIALKEEPER_PASSWORD", "SERIALKEEPER_SECOND_PASSWORD"
PIN, SECOND_PIN, TOKEN = "SERIALKEEPER_PIN", "SERIALKEEPER_SECOND_PIN", "SERIALKEEPER_TOKEN"
NAMES = (PASSWORD, SECOND_PASSWORD, PIN, SECOND_PIN, TOKEN)
"""Variables with a secret; with `_FILE` behind, with the name of its file."""

PREFIX = "SERIALKEEPER_SECRET_"
"""What variables begin with that hold secrets which the record knows by name."""

LONGEST = 4_096
"""Bytes of a password's file or line, at most."""


def password(variable: str, prompt: str) -> str:
    """A password from the variable, from the file that it names with `_FILE`, or from a terminal.

    Empty if there is none of these. Refuses `file_missing`, `secret_exposed`, `usage`.
    """
    if given := os.environ.get(variable):
        return _text(given.encode("utf-8", "surrogateescape"), variable)
    if named := os.environ.get(f"{variable}_FILE"):
        return _from_file(Path(named))
    return asked(prompt) if at_terminal() else ""


def named(name: str, destination: str, host: str) -> str:
    """A secret that the record knows by name: from SERIALKEEPER_SECRET_NAME, or from the file that
    SERIALKEEPER_SECRET_NAME_FILE names; for SERIALKEEPER_SECRET_NAME_HOST alone, if that is there.

    Refuses `secret_missing`, `file_missing`, `secret_exposed`, `usage`.
    """
    variable = f"{PREFIX}{name}"
    if host_of(name) and host_of(name) != host.lower():
        check_host(name, destination, host)
    text = password(variable, "") if given(variable) else ""
    if text and text.isascii() and text.isprintable() and " " not in text:
        return text
    raise Refused(
        "secret_missing",
        "The secret of the destination is not there, or is none that HTTP can carry.",
        where=f"destination {destination}",
        expected=f"{variable}, or {variable}_FILE with the name of a 0600 file",
        came="neither" if not text else "spaces or other signs in it",
        remedy="Give it to the account that sends; the record keeps its name only.",
    )


def host_of(name: str) -> str:
    """The only host that a secret may be sent to; empty where its owner named none."""
    return os.environ.get(f"{PREFIX}{name}_HOST", "").lower()


def check_host(name: str, destination: str, host: str) -> None:
    """Refuses `secret_missing` unless the secret's owner named that host for it."""
    if host_of(name) == host.lower():
        return
    raise Refused(
        "secret_missing",
        "The secret is not for that host.",
        where=f"destination {destination}",
        expected=f"{PREFIX}{name}_HOST={host} in the environment of the process that sends",
        came=host_of(name) or "no such variable",
        remedy="Whoever keeps the secret names the host that it may be sent to.",
    )


def given(variable: str) -> bool:
    """Whether a secret is in the variable, or in the file that it names with `_FILE`."""
    return bool(os.environ.get(variable) or os.environ.get(f"{variable}_FILE"))


def at_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def asked(prompt: str) -> str:
    """A password typed at a terminal, unseen."""
    return getpass.getpass(f"{prompt}: ", sys.stderr)


def line() -> str:
    """The next line of the standard input. Refuses `usage`."""
    given = sys.stdin.buffer.readline(LONGEST + 1)
    if given:
        return _text(given, "standard input")
    raise WrongUsage(
        "usage",
        "The standard input has no further line.",
        where="--password-stdin",
        expected="one password a line: your own first where the record is live, then the new one",
        came="the end of the input",
        remedy="Send one more line; --help of the command says which ones it reads.",
    )


def keep(path: Path, data: bytes, what: str) -> None:
    """A secret in a new file that only its owner may read.

    Args:
        what: what it is, for refusals.

    Refuses `file_exists`, `file_unwritable`.
    """
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    except FileExistsError:
        raise Refused(
            "file_exists",
            "There is a file of that name already.",
            where=str(path),
            expected="a new name",
            came="a file",
            remedy=f"Choose another name; {what} is never overwritten.",
        ) from None
    except OSError as error:
        raise _unwritable(path, error, what) from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        path.unlink(missing_ok=True)
        raise _unwritable(path, error, what) from None


def _unwritable(path: Path, error: OSError, what: str) -> Unavailable:
    return Unavailable(
        "file_unwritable",
        f"The file for {what} cannot be written.",
        where=str(path),
        came=error.strerror or str(error),
        remedy="Check the name, the rights on the folder, and the room.",
    )


def environment() -> dict[str, str]:
    """The environment without passwords, for programs that are called."""
    hidden = {*NAMES, *(f"{name}_FILE" for name in NAMES)}
    return {
        name: value
        for name, value in os.environ.items()
        if name not in hidden and not name.startswith(PREFIX)
    }


def _from_file(path: Path) -> str:
    try:
        # a pipe that nobody writes to has to be refused, not waited for
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK), "rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            if not stat.S_ISREG(mode) or mode & 0o077:
                raise Refused(
                    "secret_exposed",
                    "Others can read the file with the password, or it is no file.",
                    where=str(path),
                    expected="a file of mode 0600",
                    came=stat.filemode(mode),
                    remedy="Give it the mode 0600 (chmod 600), and change the password if others "
                    "may have read it.",
                )
            return _text(file.read(LONGEST + 1), str(path))
    except OSError as error:
        raise Refused(
            "file_missing",
            "The file with the password cannot be read.",
            where=str(path),
            came=str(error.strerror),
            remedy="Check the name in the variable that ends in _FILE.",
        ) from None


def _text(raw: bytes, where: str) -> str:
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        text = ""
    if not text or len(raw) > LONGEST:
        raise WrongUsage(
            "usage",
            "There is no password there.",
            where=where,
            expected="one line of UTF-8 text",
            came="nothing, too much, or no text",
            remedy="Write the password there, on one line.",
        )
    return text.removesuffix("\n").removesuffix("\r")
