"""The command tree, its common options and its exit codes."""

from __future__ import annotations

import os
import sys
import traceback
from typing import Annotated

import typer
from typer.exceptions import TyperException

from serialkeeper.cli import (
    alarm,
    challenge,
    demo,
    events,
    explain,
    guide,
    hold,
    init,
    inspect_,
    label,
    location,
    lot_papers,
    manual,
    pack,
    person,
    print_,
    product,
    record,
    review,
    roll,
    run_,
    scan,
    serials,
    serve,
    station,
)
from serialkeeper.cli.answer import DEFAULT_RECORD, call, check_url, refuse
from serialkeeper.errors import Interrupted, SerialKeeperError, Unavailable, WrongUsage

app = typer.Typer(
    pretty_exceptions_enable=False,
    add_completion=True,
    help="Keeps the record of every serial number of a pharmaceutical lot: issued, printed, "
    "seen, settled, reconciled, reported.",
    epilog=f"Exit codes: {'; '.join(f'{code} {told}' for code, told in manual.EXITS.items())}. "
    "--record, --as and --json may also stand after the verb. What a refusal means: explain WORD. "
    "The reference, chapter by chapter: guide.",
)
app.command("demo")(demo.demo)
app.command("init")(init.init)
app.command("scan")(scan.scan)
app.command("serve")(serve.serve)
app.command("explain")(explain.explain)
app.command("guide")(guide.guide)
for name, group in {
    "person": person.app,
    "station": station.app,
    "location": location.app,
    "product": product.app,
    "lot": lot_papers.app,
    "serials": serials.app,
    "print": print_.app,
    "inspect": inspect_.app,
    "alarm": alarm.app,
    "challenge": challenge.app,
    "run": run_.app,
    "label": label.app,
    "roll": roll.app,
    "review": review.app,
    "pack": pack.app,
    "hold": hold.app,
    "events": events.app,
    "record": record.app,
}.items():
    app.add_typer(group, name=name)

_GLOBAL = {"--record": True, "--as": True, "--json": False}


@app.callback()
def common(
    record: Annotated[
        str, typer.Option(envvar="SERIALKEEPER_RECORD", help="The record's URL.")
    ] = DEFAULT_RECORD,
    as_: Annotated[
        str,
        typer.Option("--as", envvar="SERIALKEEPER_PERSON", help="Who you are.", metavar="PERSON"),
    ] = "",
    json: Annotated[bool, typer.Option("--json", help="Answer with one JSON document.")] = False,
) -> None:
    """Options of every command."""
    check_url(record, "--record")
    call.url, call.person, call.as_json = record, as_, json
    call.watch()


def hoist(arguments: list[str]) -> list[str]:
    """The same arguments with the common options first, wherever they were typed."""
    first: list[str] = []
    rest: list[str] = []
    waiting = list(arguments)
    while waiting:
        word = waiting.pop(0)
        if word == "--":
            rest += [word, *waiting]
            break
        name = word.partition("=")[0]
        if name not in _GLOBAL:
            rest.append(word)
            continue
        first.append(word)
        if _GLOBAL[name] and "=" not in word and waiting:
            first.append(waiting.pop(0))
    return first + rest


def run(arguments: list[str]) -> int:
    """Run one command; gives the exit code."""
    call.as_json = "--json" in arguments
    try:
        _check_text(arguments)
        arguments = arguments or ["--help"]
        if "--help" in arguments:
            manual.fit(app)
        code = app(hoist(arguments), prog_name="serialkeeper", standalone_mode=False)
        if code == Interrupted.exit_code:  # typer's word for Ctrl-C
            return refuse(_interrupted())
        return int(code or 0)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except SerialKeeperError as error:
        return refuse(error)
    except (typer.Abort, KeyboardInterrupt):
        return refuse(_interrupted())
    except TyperException as error:
        return refuse(_wrong_usage(error))
    except OSError as error:
        return refuse(
            Unavailable(
                "file_unwritable",
                f"The file system does not do it: {error.strerror or error}.",
                where=str(error.filename or ""),
                remedy="Check the names of files and folders, the rights on them, and the room.",
            )
        )
    except Exception as error:
        if os.environ.get("SERIALKEEPER_TRACE"):
            traceback.print_exc()
        return refuse(_fault(error))
    finally:
        call.protect()
        call.done()


def _check_text(arguments: list[str]) -> None:
    """Refuses `usage` for arguments that are no text; the record holds text only."""
    for word in arguments:
        try:
            word.encode()
        except UnicodeEncodeError:
            raise WrongUsage(
                "usage",
                "An argument is not UTF-8 text.",
                expected="UTF-8",
                came=ascii(word),
                remedy="Type it again; file names of other encodings have to be renamed.",
            ) from None


def _interrupted() -> SerialKeeperError:
    where = f"at {call.progress.last}" if call.progress.last else ""
    return Interrupted(
        "interrupted",
        "Stopped. What was committed stays; nothing is half done.",
        where=where,
        remedy="Type the same command again: it goes on from there, or begins anew where nothing "
        "was committed.",
    )


def _wrong_usage(error: TyperException) -> WrongUsage:
    context = getattr(error, "ctx", None)
    where = context.command_path if context else "serialkeeper"
    message = error.format_message() or "The command is not complete."
    return WrongUsage("usage", message, where=where, remedy=f"See: {where} --help")


def _fault(error: Exception) -> SerialKeeperError:
    return SerialKeeperError(
        "fault",
        f"A fault of ours: {type(error).__name__}: {error}.",
        remedy="Nothing half-done was committed. Run the command again with "
        "SERIALKEEPER_TRACE=1 and keep what it prints for the people who maintain this.",
    )
