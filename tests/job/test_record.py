"""The record shows its alteration, replays exactly, and never repeats a number."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest
from altering import story
from conftest import EXPIRY, GTIN, Bench, Original, approved_lot, as_seen
from databases import Database, Databases
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.rules import chain
from serialkeeper.rules.chain import LotKey
from serialkeeper.store.migrations import upgrade
from serialkeeper.store.opening import SCHEMA, open_engine
from serialkeeper.store.tables import METADATA, MODELS


@pytest.fixture(scope="module")
def _told(
    original: Original, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Original]:
    """The story, found sound, to be copied."""
    with original.copied(databases, tmp_path_factory.mktemp("told")) as bench:
        story(bench)
        sk.record.verify(bench.record)
        yield bench.kept()


@pytest.fixture
def told(_told: Original, databases: Databases, tmp_path: Path) -> Iterator[Bench]:
    """A record with the story in it."""
    with _told.copied(databases, tmp_path) as bench:
        yield bench


def test_a_second_schema_is_not_opened(told: Bench) -> None:
    """A record that names two schemas is nobody's to work on."""
    assert told.database.edit("INSERT INTO alembic_version VALUES ('9999')") == 1
    with pytest.raises(sk.Refused):
        sk.open_record(told.url, person="Line Lead")


def test_a_closed_lot_that_is_opened_by_hand_is_found(bench: Bench) -> None:
    """Taking the closing entry off a lot's chain, head row and all: the house remembers it."""
    rows = as_seen(bench.printed(4))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(bench.record, bench.lot, term, 4)
    sk.lot.close(bench.record, bench.lot)
    edits = (
        "DELETE FROM entry WHERE lot_id = 1 AND seq = (SELECT count FROM chain WHERE lot_id = 1);"
        "UPDATE chain SET count = count - 1, head = (SELECT hash FROM entry WHERE lot_id = 1 "
        "ORDER BY seq DESC LIMIT 1) WHERE lot_id = 1;"
        "UPDATE lot SET state = 'running'"
    )
    assert bench.database.edit(edits) == 1
    with pytest.raises(sk.Damaged) as damaged:
        sk.record.verify(bench.record)
    assert "closing" in str(damaged.value)


def test_a_rewritten_tail_is_not_found_from_inside_but_its_head_changed(bench: Bench) -> None:
    """Invariant 4, third class: a recomputed tail passes, which is why heads are kept elsewhere."""
    story(bench)
    before = bench.heads()
    with bench.database.client() as client:

        def sql(statement: str, **values: Any) -> Any:
            return client.execute(text(statement), values)

        last = "SELECT seq, body FROM entry WHERE lot_id = 1 ORDER BY seq DESC LIMIT 1"
        seq, body = sql(last).one()
        before_last = "SELECT hash FROM entry WHERE lot_id = 1 AND seq = :seq"
        previous = sql(before_last, seq=seq - 1).scalar_one()
        body = body.replace(b'"person":"Line Lead"', b'"person":"Somebody"')
        head = chain.link(previous, body)
        edit = "UPDATE entry SET body = :body, hash = :head WHERE lot_id = 1 AND seq = :seq"
        sql(edit, body=body, head=head, seq=seq)
        sql("UPDATE chain SET head = :head WHERE lot_id = 1", head=head)
    assert bench.heads() != before


def rewrite_chain(bench: Bench, change: Callable[[dict[int, dict[str, Any]]], None]) -> None:
    """Rewrite the lot's entries and every hash after them, head row included."""
    with bench.database.client() as client:
        rows = client.execute(text("SELECT seq, body FROM entry WHERE lot_id = 1 ORDER BY seq"))
        bodies = {seq: orjson.loads(bytes(body)) for seq, body in rows.all()}
        change(bodies)
        head = chain.START
        for seq, told in bodies.items():
            body = chain.canonical(told)
            head = chain.link(head, body)
            edit = "UPDATE entry SET body = :body, hash = :head WHERE lot_id = 1 AND seq = :seq"
            client.execute(text(edit), {"body": body, "head": head, "seq": seq})
        client.execute(text("UPDATE chain SET head = :head WHERE lot_id = 1"), {"head": head})


def test_a_signature_moved_to_another_entry_is_found(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Signed entries that are alike: their signatures swapped, or taken out, and the whole chain
    hashed anew; exit 3 (21 CFR 11.70)."""
    story(bench)
    sk.label.decommission(bench.record, bench.lot, "2", reason="sampled", count=1)
    record = ["--record", bench.url, "--as", "Line Lead"]
    assert run([*record, "record", "entries", bench.lot, "--label", "2"]) == 0
    assert "signed: Line Lead, line lead: done (practice)" in capsys.readouterr().out
    shown = sk.lot.show(bench.record, bench.lot)["signatures"]
    assert [(one["verb"], one["person"], one["meaning"]) for one in shown] == [
        ("lot approved", "Line Lead", "done"),
        ("lot approved", "Second Person", "approved"),
        ("accepted", "Line Lead", "done"),
        ("accepted", "Second Person", "approved"),
        ("decommissioned", "Line Lead", "done"),
        ("decommissioned", "Line Lead", "done"),
    ]
    assert run([*record, "label", "show", bench.lot, "2"]) == 0
    assert "signed: Line Lead, line lead: done (practice)" in capsys.readouterr().out
    listed = list(sk.record.entries(bench.record, bench.lot))
    assert [row["entry"] for row in listed] == list(range(1, len(listed) + 1))
    signed = {row["entry"]: row["verb"] for row in listed if row["signatures"]}
    first, second = (seq for seq, verb in signed.items() if verb == "decommissioned")
    assert [signed[seq] for seq in signed if seq not in (first, second)] == [
        "lot approved",
        "accepted",
    ]
    accepted = next(row for row in listed if row["verb"] == "accepted")
    assert [(one["person"], one["meaning"]) for one in accepted["signatures"]] == [
        ("Line Lead", "done"),
        ("Second Person", "approved"),
    ]
    house = list(sk.record.entries(bench.record))
    assert house[0]["verb"] == "record made"
    assert not any(row["signatures"] for row in house)
    with pytest.raises(sk.Refused):
        sk.record.entries(bench.record, label=2)

    def swap(bodies: dict[int, dict[str, Any]]) -> None:
        one, other = bodies[first]["data"], bodies[second]["data"]
        one["signatures"], other["signatures"] = other["signatures"], one["signatures"]

    rewrite_chain(bench, swap)
    assert run([*record, "record", "verify"]) == 3
    assert "signature_broken" in capsys.readouterr().err
    rewrite_chain(bench, swap)
    assert sk.record.verify(bench.record)["sound"]
    rewrite_chain(bench, lambda bodies: bodies[second]["data"].pop("signatures"))
    with pytest.raises(sk.Damaged) as caught:
        sk.record.verify(bench.record)
    assert caught.value.word == "signature_broken"


@pytest.mark.only_on("postgresql", reason="the file is made beside it")
def test_both_databases_keep_the_same_journal(
    bench: Bench, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The same steps, clock and chance: every chain has the same head in a file and on a server,
    and labels and event files are the same to the last byte."""
    files = Databases("sqlite")
    first, second = (tmp_path_factory.mktemp(name) for name in ("first", "second"))
    with approved_lot(files, first) as original, original.copied(files, second) as twin:
        for one in (bench, twin):
            story(one)
            for form in ("json", "xml", "xml-1.2"):
                sk.events.write(one.record, one.lot, form=form, out=one.folder / f"e.{form}")
        assert bench.heads() == twin.heads()
        assert bench.labels() == twin.labels()
        for name in ("job1.csv", "e.json", "e.xml", "e.xml-1.2"):
            assert (bench.folder / name).read_bytes() == (second / name).read_bytes()


MISTAKES = {
    "sqlite": {
        "changed": "UPDATE {table} SET {last} = {last}",
        "deleted": "DELETE FROM {table}",
        "replaced": "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    },
    "postgresql": {
        "changed": "UPDATE {table} SET {last} = {last}",
        "deleted": "DELETE FROM {table}",
        "emptied": "TRUNCATE {table}",
        "replaced": "INSERT INTO {table} SELECT * FROM {table} "
        "ON CONFLICT ({key}) DO UPDATE SET {last} = excluded.{last}",
    },
}


@pytest.mark.parametrize("name", ["entry", "part", "original", "label"])
def test_triggers_stop_mistakes(told: Bench, name: str) -> None:
    """Journal, parts and originals cannot be changed by mistake with a SQL client, and no label
    can be deleted, by none of the ways in which each database would do it."""
    table = METADATA.tables[name]
    words = {
        "table": name,
        "last": list(table.columns)[-1].name,
        "key": ", ".join(column.name for column in table.primary_key),
    }
    ways = MISTAKES[told.database.kind]
    for way in ("deleted", "emptied") if name == "label" else ways:
        if way in ways:
            with told.database.client(guarded=True) as client, pytest.raises(IntegrityError):
                client.execute(text(ways[way].format(**words)))
    sk.record.verify(told.record)


def test_numbers_are_unique_over_all_lots(bench: Bench) -> None:
    """Invariant 2: the database itself refuses a number of the product a second time."""
    bench.printed(10)
    sk.lot.open(bench.record, GTIN, "LOT24B", expiry=EXPIRY, target=10)
    sk.lot.approve(bench.record, "LOT24B")
    sk.serials.allocate(bench.record, "LOT24B", 10)
    with pytest.raises(IntegrityError):
        bench.database.edit(
            "UPDATE label SET serial = (SELECT serial FROM label WHERE lot_id = 1 LIMIT 1) "
            "WHERE lot_id = 2 AND position = 1"
        )


def test_allocated_ever_is_the_sum_over_states(bench: Bench) -> None:
    """Invariant 1: no label appears or disappears, whatever happens to it."""
    story(bench)
    assert sum(sk.lot.show(bench.record, bench.lot)["states"].values()) == 40
    sk.serials.allocate(bench.record, bench.lot, 7)
    sk.label.void(bench.record, bench.lot, "41-47", reason="surplus", count=7)
    assert sum(sk.lot.show(bench.record, bench.lot)["states"].values()) == 47


def test_the_print_file_says_what_is_recorded_and_comes_again_byte_for_byte(bench: Bench) -> None:
    """Invariant 6: sent = recorded = printed, with a gap in the range and 3 lanes."""
    import csv

    sk.serials.allocate(bench.record, bench.lot, 30)
    sk.label.void(bench.record, bench.lot, "11-12", reason="surplus", count=2)
    out, again = bench.folder / "job.csv", bench.folder / "again.csv"
    made = sk.print.write(bench.record, bench.lot, lanes=3, out=out, first=5, last=25)
    assert (made["count"], made["skipped"], made["rows"]) == (19, [[11, 12]], 7)
    sk.print.again(bench.record, bench.lot, made["job"], out=again)
    assert out.read_bytes() == again.read_bytes()
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    labels = {row["position"]: row for row in bench.labels()}
    for index, row in enumerate(rows):
        assert (int(row["row"]), int(row["lane"])) == (index // 3 + 1, index % 3 + 1)
        serial = labels[int(row["position"])]["serial"]
        assert row["serial"] == serial
        assert row["scanned"] == f"]d201{GTIN}21{serial}{{GS}}1728063010LOT24A"
        assert row["bracketed"] == f"(01){GTIN}(21){serial}(17)280630(10)LOT24A"
        assert (row["hri2"], row["hri4"]) == (f"SN {serial}", "EXP 2028-06-30")
    assert [row["state"] for row in bench.labels()].count("issued") == 19


def test_lane_by_lane_order(bench: Bench) -> None:
    """Asked for, positions run down lane 1 first, then lane 2."""
    import csv

    with bench.printed(10, lanes=3, by="lanes").open(newline="") as file:
        places = [(row["lane"], row["row"]) for row in csv.DictReader(file)]
    assert places[:5] == [("1", "1"), ("1", "2"), ("1", "3"), ("1", "4"), ("2", "1")]


CATALOGUES = {
    "sqlite": [
        "SELECT type, name, coalesce(sql, '') FROM sqlite_master "
        "WHERE name NOT LIKE 'alembic%' AND name NOT LIKE 'sqlite_autoindex_alembic%'"
    ],
    "postgresql": [
        "SELECT attrelid::regclass, attnum, attname, atttypid::regtype, attnotnull, attcollation, "
        "attstorage, atthasdef FROM pg_attribute JOIN pg_class ON attrelid = pg_class.oid "
        "WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND attnum > 0",
        "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
        "SELECT conrelid::regclass, conname, pg_get_constraintdef(oid) FROM pg_constraint "
        "WHERE connamespace = 'public'::regnamespace",
        "SELECT tgname, tgenabled, pg_get_triggerdef(oid) FROM pg_trigger",
        "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace",
    ],
}


def catalogue(database: Database) -> list[str]:
    """Every table, column, index and trigger with its text, white space folded."""
    with database.client(guarded=True) as client:
        rows = [row for one in CATALOGUES[database.kind] for row in client.execute(text(one))]
    told = [re.sub(r"\s+", " ", " ".join(map(str, row))).strip() for row in rows]
    return sorted(line for line in told if "alembic" not in line)


def test_a_migrated_record_equals_a_fresh_one(
    database: Database, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Migrations and table models describe the same database, triggers included."""
    migrated = open_engine(database.url, create=True)
    with migrated.begin() as connection:
        upgrade(connection)
    migrated.dispose()
    with databases.new(tmp_path_factory.mktemp("fresh")) as other:
        fresh = open_engine(other.url, create=True)
        METADATA.create_all(fresh)
        fresh.dispose()
        wanted = catalogue(other)
    assert catalogue(database) == wanted
    assert len(wanted) > 20


def test_the_newest_migration_is_the_one_that_records_are_checked_for() -> None:
    """The schema that `open` asks for is Alembic's newest."""
    from importlib.resources import files

    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(files("serialkeeper.store.migrations")))
    assert ScriptDirectory.from_config(config).get_current_head() == SCHEMA


def test_every_table_says_what_it_is(bench: Bench) -> None:
    """Each table of a real record is named as replayed, journal, sealed or working state."""
    kinds = {str(model.__tablename__): model.__dict__["kind"] for model in MODELS}
    with bench.database.client() as client:
        there = set(inspect(client).get_table_names())
    assert there - {"alembic_version"} == set(kinds)
    assert set(kinds.values()) == {"replayed", "journal", "sealed", "working"}


def test_every_unique_key_of_a_lots_tables_contains_the_product(bench: Bench) -> None:
    """A product's rows could be kept together in a distributed database."""
    house = {"setting", "station", "person", "product", "location", "profile", "alarm_rules"}
    house |= {"sscc_range", "credential", "attempt", "sign_in_alarm", "password_rules"}
    house |= {"pin", "session", "token", "destination", "sending"}
    with bench.database.client() as client:
        asked = inspect(client)
        for name in {str(model.__tablename__) for model in MODELS} - house:
            keys = [asked.get_pk_constraint(name)["constrained_columns"]]
            keys += [key["column_names"] for key in asked.get_unique_constraints(name)]
            keys += [key["column_names"] for key in asked.get_indexes(name) if key["unique"]]
            assert all("product_id" in key for key in keys), (name, keys)


def test_a_work_that_fails_changes_nothing(bench: Bench) -> None:
    """An error within a transaction takes rows and entries back together."""
    before = bench.heads()

    def fail(call: Callable[[], object]) -> None:
        with pytest.raises(RuntimeError):
            call()

    def work() -> None:
        with bench.record.work(LotKey(1, 1)) as work:
            data = {"id": 1, "term": "samples", "value": 1, "witness": ""}
            work.write(LotKey(1, 1), "counted", data)
            raise RuntimeError

    fail(work)
    assert bench.heads() == before


def test_an_entry_that_means_nothing_is_refused_before_it_is_kept(bench: Bench) -> None:
    """Only verbs that the replay understands can be written."""
    before = bench.heads()
    with pytest.raises(sk.Damaged), bench.record.work(LotKey(1, 1)) as work:
        work.write(LotKey(1, 1), "invented", {})
    assert bench.heads() == before


def test_the_list_of_lots_counts_labels_of_lots_at_work_only(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """A closed lot is listed without its states, so that years of lots cost nothing."""
    from serialkeeper.cli.door import run

    rows = as_seen(bench.printed(4))
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    assert sk.lot.list(bench.record)[0]["states"] == {"commissioned": 4}
    for term in ("printer_counter", "rewind_counter"):
        sk.lot.count(bench.record, bench.lot, term, 4)
    sk.lot.close(bench.record, bench.lot)
    assert sk.lot.list(bench.record)[0]["states"] is None
    assert sk.lot.show(bench.record, bench.lot)["states"] == {"commissioned": 4}
    assert run(["--record", bench.url, "--as", "Line Lead", "lot", "list"]) == 0
    assert "closed" in (listed := capsys.readouterr().out) and "4 labels" in listed


def test_a_lot_opened_by_mistake_is_discarded_and_kept(bench: Bench) -> None:
    """With a reason, and only without numbers; nothing is done with it any more. The same number
    is opened again with other facts in the same chain, which tells both; what then happens is as of
    any other lot, and replay gives the same tables."""
    record = bench.record
    sk.lot.open(record, GTIN, "WRONG", expiry=EXPIRY, target=4, market="Nowhere")
    sk.lot.approve(record, "WRONG", second="Second Person")
    for reason, word in (("", "reason_needed"), (" ", "reason_needed")):
        with pytest.raises(sk.Refused) as caught:
            sk.lot.discard(record, "WRONG", reason=reason)
        assert caught.value.word == word
    told = sk.lot.discard(record, "WRONG", reason="a wrong expiry")
    assert told == {
        **{"lot": "WRONG", "gtin": GTIN, "state": "discarded", "reason": "a wrong expiry"},
    }
    for step in (
        lambda: sk.lot.discard(record, "WRONG", reason="twice"),
        lambda: sk.lot.approve(record, "WRONG", second="Second Person"),
        lambda: sk.serials.allocate(record, "WRONG", 4),
        lambda: sk.lot.count(record, "WRONG", "printer_counter", 4),
    ):
        with pytest.raises(sk.Refused) as caught:
            step()
        assert caught.value.word == "lot_state"
    shown = sk.lot.show(record, "WRONG")
    assert (shown["state"], shown["allocated"], shown["chain"]["entries"]) == ("discarded", 0, 3)
    by, reason = record.person, "a wrong expiry"
    assert {**shown["discarded"], "at": ""} == {"at": "", "by": by, "reason": reason}
    states = {one["lot"]: one["state"] for one in sk.lot.list(record)}
    assert states["WRONG"] == "discarded" and sk.record.verify(record)["sound"]
    other = EXPIRY.replace(year=EXPIRY.year + 1)
    again = sk.lot.open(record, GTIN, "WRONG", expiry=other, target=8)
    assert (again["state"], again["expiry"], again["market"]) == ("draft", str(other), "")
    with pytest.raises(sk.Refused) as caught:
        sk.lot.open(record, GTIN, "WRONG", expiry=EXPIRY, target=4)
    assert caught.value.word == "lot_exists"
    sk.lot.approve(record, "WRONG", second="Second Person")
    sk.serials.allocate(record, "WRONG", 4)
    with pytest.raises(sk.Refused) as caught:
        sk.lot.discard(record, "WRONG", reason="too late")
    assert caught.value.word == "lot_state" and "allocat" in caught.value.came
    verbs = [one["verb"] for one in sk.record.entries(record, "WRONG")]
    assert verbs[:5] == [
        *("lot opened", "lot approved", "lot discarded", "lot opened", "lot approved"),
    ]
    assert sk.record.verify(record)["sound"]


def test_what_was_worked_on_is_not_discarded(bench: Bench) -> None:
    """A hold that is open, a run, keys of packs: each keeps a lot from being discarded, and says
    so; a hold that was lifted does not. Nothing is held or approved that is discarded."""
    record = bench.record

    def refused(step: Any, *args: Any, came: str, **more: Any) -> None:
        with pytest.raises(sk.Refused) as caught:
            step(record, *args, **more)
        assert caught.value.word == "lot_state" and came in caught.value.came

    for name in ("HELD", "RUN"):
        sk.lot.open(record, GTIN, name, expiry=EXPIRY, target=4)
        sk.lot.approve(record, name, second="Second Person")
    hold = sk.hold.place(record, "HELD", reason="the order is in question")["hold"]
    refused(sk.lot.discard, "HELD", reason="no order", came="an open hold")
    sk.hold.lift(record.seen_by("Second Person"), "HELD", hold, reason="there is none")
    sk.lot.discard(record, "HELD", reason="no order")
    refused(sk.hold.place, "HELD", reason="too late", came="discarded")
    refused(sk.lot.approve, "HELD", second="Second Person", came="discarded")
    sk.run.start(record, "RUN")
    refused(sk.lot.discard, "RUN", reason="no order", came="run started")
    assert sk.record.verify(record)["sound"]


def test_only_facts_that_were_shown_are_approved(bench: Bench) -> None:
    """A draft that was discarded and opened again meanwhile, with other facts under its number,
    is approved by nobody who saw the first ones."""
    record = bench.record
    shown = sk.lot.open(record, GTIN, "SEEN", expiry=EXPIRY, target=4)["chain"]["entries"]
    sk.lot.discard(record, "SEEN", reason="a wrong target")
    sk.lot.open(record, GTIN, "SEEN", expiry=EXPIRY, target=900_000)
    with pytest.raises(sk.Refused) as caught:
        sk.lot.approve(record, "SEEN", second="Second Person", entries=shown)
    assert caught.value.word == "lot_state" and "shown" in caught.value.message
    now = sk.lot.show(record, "SEEN")["chain"]["entries"]
    sk.lot.approve(record, "SEEN", second="Second Person", entries=now)


def test_a_terminal_shows_the_newest_signatures_and_how_many_came_before(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lot with thousands of signed reviews would fill it; --json keeps them all."""
    sk.lot.open(bench.record, GTIN, "A1", expiry=EXPIRY, target=4)
    sk.lot.approve(bench.record, "A1", second="Second Person")
    monkeypatch.setattr("serialkeeper.cli.lot._MOST_SIGNED", 1)
    assert run(["--record", bench.url, "--as", "Line Lead", "lot", "show", "A1"]) == 0
    told = capsys.readouterr().out
    assert told.count("lot approved 20") == 1 and "and 1 signature before these" in told
    assert len(sk.lot.show(bench.record, "A1")["signatures"]) == 2
