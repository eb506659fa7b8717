"""What somebody does to a record with a plain SQL client, and who finds it.

Named faults are files in `fixtures/tampering`, one each; beside them every row kind of every
table is altered in every column, taken out, emptied, doubled and swapped. Each edit is made in a
transaction that is rolled back, so that one record serves for all of them.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from csv import DictReader
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
from conftest import EXPIRY, GTIN, Bench, Clock, as_seen
from databases import Database, Databases, driven
from forms import write_csv
from sqlalchemy import (
    Connection,
    NullPool,
    Table,
    and_,
    create_engine,
    delete,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.exc import IntegrityError

import serialkeeper as sk
from serialkeeper.outside import signing
from serialkeeper.rules import chain
from serialkeeper.rules.runs import CLEARANCE
from serialkeeper.store import checkpoints
from serialkeeper.store.tables import METADATA, MODELS
from serialkeeper.store.verify import verify
from serialkeeper.store.view import View

FOLDER = Path(__file__).parents[1] / "fixtures" / "tampering"
WORKING = {"attempt", "sending", "session"}
"""Tables of the moment; what stands in them is no evidence, and no check looks at them."""

Row = dict[str, Any]


@dataclass(frozen=True)
class Fault:
    """A named fault: its class, the steps of whoever made it, and how many entries are told to be
    unprotected where nothing can find it."""

    name: str
    kind: str
    steps: list[Row]
    unprotected: int


def faults() -> list[Fault]:
    """Every file of the folder."""
    made = []
    for path in sorted(FOLDER.glob("*.toml")):
        told = tomllib.loads(path.read_text())
        made.append(Fault(path.stem, told["class"], told["steps"], told.get("unprotected", 0)))
    return made


# -- one record with something in every table ----------------------------------------------


def story(bench: Bench) -> None:
    """A lot with something of everything in it; the named faults are about this one."""
    rows = as_seen(bench.printed(40))
    sk.label.void(bench.record, bench.lot, "40", reason="specimen", count=1)
    rows[3]["seen"] = ""
    rows[7]["grade"] = "1.0"
    rows[11]["seen"] = rows[10]["seen"]
    sk.inspect.take(bench.record, bench.lot, bench.results(rows[:39]))
    seen = as_seen(bench.folder / "job1.csv")[3]["seen"]
    sk.label.accept(bench.record, bench.lot, 4, reason="wiped", scan=seen, second="Second Person")
    sk.label.void(bench.record, bench.lot, "8,11,12", reason="waste")
    sk.label.decommission(bench.record, bench.lot, "1", reason="sampled", count=1)
    sk.lot.count(bench.record, bench.lot, "printer_counter", 40)


def opened(bench: Bench, lot: str) -> None:
    """A further lot, which the bench goes on with."""
    sk.lot.open(bench.record, GTIN, lot, expiry=EXPIRY, target=40)
    sk.lot.approve(bench.record, lot, second="Second Person")
    bench.lot = lot


def house(bench: Bench) -> None:
    """Places, rules and profiles."""
    record = bench.record
    sk.station.add(record, "line 1")
    for gln, name in (("9521234000020", "Plant"), ("9521234000037", "North")):
        sk.location.add(record, gln, prefix_length=7, name=name, zone="Europe/Paris")
    for in_a_row in (3, 4):
        sk.alarm.rules(record, station="line 1", in_a_row=in_a_row)


def rolled(bench: Bench) -> None:
    """A lot with numbers of somebody else, alarms, a roll read again, holds, plants and a run."""
    opened(bench, "LOT24B")
    record, lot = bench.record, bench.lot
    numbers = bench.folder / "numbers.txt"
    numbers.write_text("".join(f"01{GTIN}21IMP{n:04d}{{GS}}91EE0{n}\n" for n in range(8)))
    sk.serials.import_(record, lot, numbers, issuer="State Registry")
    print_file = bench.printed(32)
    sk.challenge.plant(record, lot, kind="no_read", positions=[30, 31])
    rows = as_seen(print_file)
    sk.run.start(record, lot)
    checked = list(CLEARANCE["before"])
    sk.run.clearance(record, lot, "before", checked=checked, second="Second Person")
    sk.run.challenge(record, lot, when="start", shown=6, caught=6)
    for index in (7, 20, 29, 30):
        rows[index]["seen"] = ""
    rows[9]["grade"] = "0.5"
    rows[11]["seen"] = rows[10]["seen"]
    write_csv(bench.folder / "device.csv", rows)
    sk.inspect.take(record, lot, bench.folder / "device.csv", profile="example-csv")
    sk.roll.add(record, lot)
    again = [row for row in rows if row["position"] not in ("8", "21")]
    sk.label.void(record, lot, "8,21", reason="waste", count=2)
    sk.inspect.take(record, lot, bench.results(again), again_roll=1)
    sk.roll.removed(record, lot, 1, position=[8], scan=rows[3]["seen"])
    sk.roll.mark(record, lot, 1, "splice", row=5, reason="web torn")
    sk.label.replace(record, lot, 8, 25, reason="a spare")
    sk.lot.count(record, lot, "rewind_counter", 39)
    out = bench.folder / "set.csv"
    sk.challenge.make(record, lot, each=1, out=out)
    with out.open(newline="") as file:
        shown = [
            {"seen": row["scanned"], "at": "2026-06-01T09:00:00.000Z"} for row in DictReader(file)
        ]
    sk.challenge.run(record, lot, 1, bench.results(shown), when="interval")
    sk.hold.place(record, lot, positions="2,5-6", reason="a dent", case="INV-7")
    sk.hold.place(record, lot, positions="3", reason="another dent")


def packed(bench: Bench) -> None:
    """A lot in packs, a pack with a label, and a file that was followed."""
    path = bench.folder / "packs.toml"
    path.write_text("[case]\nholds = 4\n\n[pallet]\nholds = 2\n")
    sk.product.packs(bench.record, GTIN, path)
    opened(bench, "LOT24C")
    record, lot = bench.record, bench.lot
    rows = bench.results(as_seen(bench.printed(16)))
    onlooker = sk.Onlooker()
    onlooker.asked = lambda: "finish"  # type: ignore[method-assign]
    sk.inspect.follow(record, lot, rows, onlooker=onlooker)
    cases = [one["key"] for one in sk.pack.build(record, lot, "case", in_order=True)["packs"]]
    sk.pack.build(record, lot, "pallet", cases[:2])
    for case in cases[:2]:
        sk.pack.label(record, case, out=bench.folder / f"{case}.svg")


def reviewed(bench: Bench) -> None:
    """Somebody who did none of it signs the review list of the first lot."""
    sk.person.add(bench.record, "Third Person", role="compliance")
    again = {"person": "Third Person", "station": "line 1", "now": bench.record.now}
    with sk.open_record(bench.url, **again) as third:
        groups = sk.review.list(third, "LOT24A")["groups"]
        for one in groups:
            sk.review.sign(third, "LOT24A", [one["group"]], opened=one["open"])


def sent(bench: Bench) -> None:
    """Destinations, and documents on their way there: delivered, and stuck."""
    east, west = bench.folder / "east", bench.folder / "west"
    for place in (east, west):
        place.mkdir()
        whom = {"as_it_happens": True, "most_events": 1}
        sk.events.destination(bench.record, place.name, folder=place, **whom)
    (west / f"{GTIN}.LOT24A.00001.jsonld").write_text("{}")
    sk.events.send(bench.record, lot="LOT24A")


def worked_on(bench: Bench) -> None:
    """Fill every table that work fills in a practice record."""
    for fill in (story, house, rolled, packed, reviewed, sent):
        fill(bench)


def signed_in(database: Database, folder: Path, now: Callable[[], datetime]) -> None:
    """A live record: two people with passwords and badges, PINs, a token, rules, an alarm."""
    url, admin, own = database.url, "Ada Admin", "a kettle sings at dawn, twice"
    with sk.init(url, admin, password=own, now=now) as record:
        sk.person.rules(record, failures=5, idle=20, reason="short hands")
        sk.person.rules(record, idle=30, reason="long cleaning")
        for name, badge in (("Lena Lead", "CARD-7Q2M9X4K1B"), ("Max Lead", "CARD-8R3N1Y5L2C")):
            sk.person.add(record, name, role="line lead", password=own[::-1])
            sk.person.badge(record, name, badge, reason="first day")
    for name, badge, pin in (
        ("Lena Lead", "CARD-7Q2M9X4K1B", "592806"),
        ("Max Lead", "CARD-8R3N1Y5L2C", "815293"),
    ):
        with sk.open_record(url, person=name, password=own[::-1], now=now) as record:
            sk.person.password(record, f"{name} keeps eleven lemons")
        password = f"{name} keeps eleven lemons"
        with sk.open_record(url, person=name, password=password, now=now) as record:
            sk.person.pin(record, badge, pin)
            out = folder / f"{name}.token"
            sk.person.token(record, purpose=name, may=["look"], out=out)
    for _ in range(5):
        with suppress(sk.Refused):
            sk.open_record(url, person="Nobody Here", password=own, now=now)


class Minutes(Clock):
    """A clock that goes on by minutes, so that nobody waits after a wrong password."""

    def __call__(self) -> datetime:
        self.time += timedelta(minutes=1)
        return self.time


@contextmanager
def people(databases: Databases, folder: Path) -> Iterator[Database]:
    """A live record of people alone."""
    with databases.new(folder) as database:
        signed_in(database, folder, Minutes())
        yield database


# -- altering ------------------------------------------------------------------------------


def _value(table: Table, column: str, value: Any) -> Any:
    """As a fault's file writes it: bytes stand there as text of one byte a character."""
    binary = table.c[column].type.python_type is bytes
    return value.encode("latin-1") if binary else value


def _bytes(connection: Connection, step: Row) -> int:
    """Change the bytes of a column, in every row where they are altered by it."""
    name, column = step["bytes"].split(".")
    table, changed = METADATA.tables[name], 0
    rows = connection.execute(select(table).where(text(step.get("where", "TRUE")))).mappings().all()
    for row in rows:
        old = bytes(row[column])
        at = len(old) // 2
        new = {
            "replace": old.replace(step.get("old", "").encode(), step.get("new", "").encode())
            if "old" in step
            else old,
            "flip": old[:at] + bytes([old[at] ^ 1]) + old[at + 1 :] if old else old,
            "clear": bytes(len(old)),
            "lengthen": old + bytes(2),
            "truncate": old[:at],
        }[step["how"]]
        if new != old:
            where = and_(*[key == row[key.name] for key in table.primary_key])
            changed += connection.execute(update(table).where(where).values({column: new})).rowcount
    return changed


def _entry(connection: Connection, step: Row) -> int:
    """Alter what entries of a verb say, as their JSON; the hashes are somebody else's step."""
    changed = 0
    find = text("SELECT seq, body FROM entry WHERE lot_id = :lot ORDER BY seq")
    rows = {"lot": step.get("lot", 1)}
    for seq, body in connection.execute(find, rows).all():
        told = orjson.loads(bytes(body))
        if told["verb"] != step["entry"] or step.get("holds", "").encode() not in bytes(body):
            continue
        inner = told
        *way, last = step["at"].split(".")
        for name in way:
            inner = inner[name]
        if inner[last] == step["to"]:
            continue
        inner[last] = step["to"]
        edit = text("UPDATE entry SET body = :body WHERE lot_id = :lot AND seq = :seq")
        values = {"body": chain.canonical(told), "lot": rows["lot"], "seq": seq}
        changed += connection.execute(edit, values).rowcount
    return changed


def _sha256(connection: Connection, lot: int, seq: int, part: Row) -> str:
    """What a part hashes to now; nothing if it is not there."""
    find = "SELECT data FROM part WHERE lot_id = :lot AND seq = :seq AND part_kind = :kind "
    where = {"lot": lot, "seq": seq, "kind": part["kind"], "first": part["first"]}
    kept = connection.execute(text(find + "AND first = :first"), where).scalar()
    return "" if kept is None else hashlib.sha256(bytes(kept)).hexdigest()


def rehash(connection: Connection) -> int:
    """Hash every chain anew, the house first, as whoever has no key but can hash would; what
    the lots say of the house's heads, and the heads of the chain table, are made to fit. Gives how
    many entries there are."""
    fitting: dict[bytes, bytes] = {}
    hashed = 0
    chains = "SELECT lot_id FROM chain ORDER BY lot_id"
    for lot in connection.execute(text(chains)).scalars().all():
        find = text("SELECT seq, body, hash FROM entry WHERE lot_id = :lot ORDER BY seq")
        head, there = chain.START, connection.execute(find, {"lot": lot}).all()
        moved = text("UPDATE entry SET seq = seq + 100000 WHERE lot_id = :lot")
        connection.execute(moved, {"lot": lot})
        for number, (seq, body, own) in enumerate(there, 1):
            told = orjson.loads(bytes(body))
            told["seq"] = number
            for part in told["parts"]:
                part["sha256"] = _sha256(connection, lot, seq, part) or part["sha256"]
            new = chain.canonical(told)
            for old_head, new_head in fitting.items():
                new = new.replace(old_head, new_head)
            head = chain.link(head, new)
            if head != bytes(own):
                fitting[bytes(own).hex().encode()] = head.hex().encode()
            edit = "UPDATE entry SET seq = :n, body = :body, hash = :head WHERE lot_id = :lot "
            values = {"n": number, "body": new, "head": head, "lot": lot, "seq": seq + 100000}
            connection.execute(text(edit + "AND seq = :seq"), values)
            parts = "UPDATE part SET seq = :n WHERE lot_id = :lot AND seq = :seq"
            if number != seq:
                connection.execute(text(parts), {"n": number, "lot": lot, "seq": seq})
        edit = "UPDATE chain SET count = :count, head = :head WHERE lot_id = :lot"
        connection.execute(text(edit), {"count": len(there), "head": head, "lot": lot})
        hashed += len(there)
    return hashed


def carry_out(connection: Connection, fault: Fault) -> int:
    """Do what a fault's file says; gives the rows that its least step changed."""
    changed = []
    for step in fault.steps:
        if "sql" in step:
            changed.append(connection.execute(text(step["sql"])).rowcount)
        elif "bytes" in step:
            changed.append(_bytes(connection, step))
        elif "entry" in step:
            changed.append(_entry(connection, step))
        elif "insert" in step:
            table = METADATA.tables[step["insert"]]
            row = {name: _value(table, name, value) for name, value in step["row"].items()}
            connection.execute(insert(table).values(row))  # it works or raises
            changed.append(1)
        else:
            assert step["rehash"], step
            changed.append(rehash(connection))
    return min(changed)


def _others(value: Any, python: type) -> list[Any]:
    """Values that a column could hold instead, the most alike first."""
    if value is None:
        return [1 if python in (int, bool) else b"x" if python is bytes else "x"]
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1, value + 1000]
    if isinstance(value, bytes):
        at = len(value) // 2
        return [value[:at] + bytes([value[at] ^ 1]) + value[at + 1 :] if value else b"x"]
    if isinstance(value, str):
        return [value[:-1] + ("b" if value.endswith("a") else "a"), f"{value}x"]
    return [None]


def sweep(connection: Connection, table: Table) -> Iterator[tuple[str, list[list[Any]]]]:
    """Each edit of a table: its name, and the ways to make it, the first that the database takes.

    Flip every column of a row, take the row out, take all out, put one in, swap two.
    """
    rows = [dict(row) for row in connection.execute(select(table)).mappings()]
    if not rows:
        return
    row = rows[len(rows) // 2]
    keys = [column.name for column in table.primary_key]

    def at(one: Row) -> Any:
        return and_(*[table.c[key] == one[key] for key in keys])

    for column in table.c:
        ways = _others(row[column.name], column.type.python_type)
        yield (
            f"flip {column.name}",
            [[update(table).where(at(row)).values({column.name: way})] for way in ways],
        )
    yield "delete", [[delete(table).where(at(row))]]
    yield "truncate", [[delete(table)]]
    number = isinstance(row[keys[-1]], int)
    free = max(one[keys[-1]] for one in rows) + 1 if number else f"{row[keys[-1]]}x"
    alike = {**row, keys[-1]: free}
    unlike = [
        {
            name: value if name in keys else _others(value, table.c[name].type.python_type)[which]
            for name, value in alike.items()
        }
        for which in (0, -1)
    ]
    yield "insert", [[insert(table).values(one)] for one in (alike, *unlike)]
    for other in rows:
        if other is not row and any(other[name] != row[name] for name in row if name not in keys):
            one, two = ({key: each[key] for key in keys} for each in (row, other))
            away = {**one, keys[-1]: free}
            steps = [(one, away), (two, one), (away, two)]
            yield "swap", [[update(table).where(at(a)).values(b) for a, b in steps]]
            return


# -- finding -------------------------------------------------------------------------------


@contextmanager
def undone(connection: Connection) -> Iterator[None]:
    """Whatever is done meanwhile is taken back."""
    try:
        yield
    finally:
        connection.rollback()


def found(connection: Connection) -> bool:
    """Whether `record verify` finds the record altered."""
    try:
        verify(View(connection))
    except sk.Damaged:
        return True
    return False


def swept(connection: Connection, *, each: int = 1) -> Iterator[tuple[str, str, str]]:
    """Every edit (or one of `each`) of every table that has a row: table, edit, and `found`,
    `missed`, or `refused` by the database itself."""
    number = 0
    for model in MODELS:
        table = METADATA.tables[str(model.__tablename__)]
        edits = list(sweep(connection, table)) if table.name not in WORKING else []
        connection.rollback()
        for name, ways in edits:
            number += 1
            if number % each:
                continue
            outcome = "refused"
            for way in ways:
                with undone(connection):
                    try:
                        done = min(connection.execute(step).rowcount for step in way)
                    except IntegrityError:
                        continue
                    assert done, (table.name, name)  # -1 for a row put in on a server
                    outcome = "found" if found(connection) else "missed"
                    break
            yield table.name, name, outcome


# -- all of it -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """A checkpoint and the public key, both with somebody else."""

    file: bytes
    public_key: str


def kept(bench: Bench) -> Kept:
    """Work on a record, take a checkpoint of it in the end, and count twice more."""
    key = bench.folder / "key.pem"
    public = sk.record.key(bench.record, key)["public_key"]
    worked_on(bench)
    with bench.record.read() as view:
        file = checkpoints.take(view, 1, "2026-06-01T12:00:00.000Z").signed(signing.read_key(key))
    for term in ("samples", "specimens"):
        sk.lot.count(bench.record, "LOT24A", term, 1)
    return Kept(file, public)


def tried(connection: Connection, kept: Kept) -> Iterator[tuple[Fault, bool, int | None]]:
    """Every named fault; whether `record verify` finds it alone; and, of those that are not plain,
    how many entries it calls unprotected against the checkpoint, None if it finds the fault."""
    for fault in faults():
        with undone(connection):
            assert carry_out(connection, fault) > 0, fault.name
            alone, told = found(connection), None
            if fault.kind != "plain":
                with suppress(sk.Damaged):
                    given = (View(connection), kept.file, kept.public_key, "checkpoint")
                    told = checkpoints.check_against(*given)["entries"]
            yield fault, alone, told


def as_it_should(fault: Fault, alone: bool, told: int | None) -> bool:
    """Whether a fault was found as its class says (DESIGN, invariant 4)."""
    if fault.kind == "tail":
        return told == fault.unprotected > 0
    return alone if fault.kind == "plain" else told is None


def filled(connection: Connection) -> set[str]:
    """The tables that have rows."""
    there = {
        name for name, table in METADATA.tables.items() if connection.execute(select(table)).first()
    }
    connection.rollback()
    return there


@contextmanager
def attacked(database: Database) -> Iterator[Connection]:
    """A connection of somebody who has taken the triggers off a record."""
    with database.client():
        pass
    engine = create_engine(driven(database.url), poolclass=NullPool)
    with engine.connect() as connection:
        yield connection
    engine.dispose()
