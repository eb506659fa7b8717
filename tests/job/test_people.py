"""People of a live record: signing in, passwords, wrong ones, roles, retiring, no secret told."""

from __future__ import annotations

import os
import stat
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import ready
from conftest import EXPIRY, GTIN
from databases import Database, Databases
from sqlalchemy import text

import serialkeeper as sk
from serialkeeper.rules import passwords

ADA, BEA = "Ada Admin", "Bea Operator"
SECRETS = {
    ADA: "an old kettle sings at dawn",
    BEA: "seven crooked fences & a gate",
}
FIRST = "given by word of mouth today"


class Clock:
    """A clock that goes on when it is told to."""

    def __init__(self) -> None:
        self.time = datetime(2026, 6, 1, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.time += timedelta(milliseconds=7)
        return self.time


class Live:
    """A live record with an administrator and an operator."""

    def __init__(self, database: Database) -> None:
        self.database, self.clock = database, Clock()
        with sk.init(database.url, ADA, password=SECRETS[ADA], now=self.clock) as made:
            assert not made.practice
            sk.person.add(made, BEA, role="operator", password=FIRST)
        with self.of(BEA, FIRST) as own:
            sk.person.password(own, SECRETS[BEA])

    def of(self, person: str, password: str | None = None) -> sk.Record:
        given = SECRETS[person] if password is None else password
        return sk.open_record(self.database.url, person=person, password=given, now=self.clock)

    def wrong(self, person: str, times: int = 1) -> None:
        for _ in range(times):
            refused("sign_in_refused", self.of, person, "not the right one at all")


@pytest.fixture
def live(database: Database) -> Iterator[Live]:
    """A live record."""
    yield Live(database)


def refused(word: str, call: Any, *args: Any, **more: Any) -> sk.Refused:
    with pytest.raises(sk.Refused) as caught:
        call(*args, **more)
    assert caught.value.word == word
    assert not any(secret in str(caught.value) for secret in (*SECRETS.values(), FIRST))
    return caught.value


def test_nobody_works_without_name_and_password(live: Live) -> None:
    """Name and password together, a role's rights only, and a first password only to change it."""
    refused("password_needed", sk.open_record, live.database.url)
    refused("password_needed", sk.open_record, live.database.url, person=ADA)
    refused("sign_in_refused", live.of, "Nobody Here", SECRETS[ADA])
    refused("sign_in_refused", live.of, BEA, FIRST)
    with live.of(BEA) as operator:
        refused(
            "role_not_allowed", sk.person.add, operator, "Carl", role="operator", password=FIRST
        )
        refused("practice_only", operator.seen_by, ADA)
        # Asked before anything is read: not even whether the file or the lot is there is told.
        refused("role_not_allowed", sk.serials.import_, operator, "A1", Path("nowhere.csv"))
    with live.of(ADA) as administrator:
        refused("password_needed", sk.person.add, administrator, "Carl", role="operator")
        refused(
            "password_weak",
            sk.person.add,
            administrator,
            "Carl",
            role="operator",
            password=FIRST[:14],
        )
        refused("reason_needed", sk.person.password, administrator, FIRST, name=BEA)
        sk.person.password(administrator, FIRST, name=BEA, reason="forgotten")
    refused("sign_in_refused", live.of, BEA)
    with live.of(BEA, FIRST) as own:
        refused("password_weak", sk.person.password, own, FIRST)
        sk.person.password(own, SECRETS[BEA])
    with live.of(BEA) as own:
        assert sk.record.verify(own)["sound"]


def test_an_unfinished_password_stops_every_entry(live: Live) -> None:
    """With a password that somebody else knows nothing is written but a new one."""
    with live.of(ADA) as administrator:
        sk.person.add(administrator, "Lena Lead", role="line lead", password=FIRST)
        first = {one["name"]: one["sign_in"]["temporary"] for one in sk.person.list(administrator)}
        assert first == {ADA: False, BEA: False, "Lena Lead": True}
    with live.of("Lena Lead", FIRST) as own:
        refused("password_temporary", sk.product.add, own, GTIN, name="Tablets", prefix_length=7)
        sk.person.password(own, "my very own small sentence")
        assert all(one["sign_in"] is None for one in sk.person.list(own)), "told to one role only"
    with live.of("Lena Lead", "my very own small sentence") as own:
        sk.product.add(own, GTIN, name="Tablets", prefix_length=7)


def test_wrong_passwords_make_one_wait_and_alarm(live: Live) -> None:
    """After the third a growing wait, also for the right password; after the tenth one alarm and
    one entry; an administrator clears both (21 CFR 11.300(d); NIST SP 800-63B rev 4, 3.2.2)."""
    live.wrong(BEA, 2)
    live.of(BEA).close()
    live.wrong(BEA, 3)
    refused("sign_in_refused", live.of, BEA)  # the right one, too early
    live.clock.time += timedelta(seconds=2)
    live.of(BEA).close()  # and the row of wrong ones has ended
    live.wrong(BEA, 3)
    live.clock.time -= timedelta(hours=1)
    live.of(BEA).close()  # a clock that was ahead keeps nobody out
    for failures in range(1, 12):
        live.wrong(BEA)
        live.clock.time += passwords.wait_after(failures)
    live.wrong("Nobody Here", 10)
    with live.of(ADA) as administrator:
        rows = sk.person.alarms(administrator)
        assert [(row["name"], row["failures"]) for row in rows] == [(BEA, 10), (None, 10)]
        live.wrong(BEA)
        refused("reason_needed", sk.person.unlock, administrator, BEA, reason=" ")
        assert sk.person.unlock(administrator, BEA, reason="a new keyboard")["cleared"] == [1]
        sk.person.unlock(administrator, "", reason="somebody guessed names")
        assert all(row["cleared_by"] == ADA for row in sk.person.alarms(administrator))
    with live.of(BEA) as operator:
        refused("role_not_allowed", sk.person.unlock, operator, BEA, reason="mine")
        assert sk.record.verify(operator)["sound"]


@pytest.mark.usefixtures("dear_passwords")
def test_an_unknown_name_is_refused_like_a_wrong_password(database: Database) -> None:
    """The same words, and the same work: the time of one hash, within what a machine varies."""
    live = Live(database)
    sk.open_record(live.database.url, person=ADA, password=SECRETS[ADA], now=live.clock).close()
    told, took = {}, {}
    for name in ("Nobody Here", BEA):
        start = time.perf_counter()
        error = refused("sign_in_refused", live.of, name, "not the right one at all")
        took[name] = time.perf_counter() - start
        told[name] = {**error.as_dict(), "came": ""}
    assert told["Nobody Here"] == told[BEA]
    assert 1 / 4 < took["Nobody Here"] / took[BEA] < 4


def test_roles_and_retiring(live: Live) -> None:
    """A name stays for ever, a retired person is out, and one administrator always stays."""
    with live.of(ADA) as administrator:
        refused("last_administrator", sk.person.retire, administrator, ADA, reason="leaves")
        refused("last_administrator", sk.person.role, administrator, ADA, "operator", reason="x")
        sk.person.role(administrator, BEA, "administrator", reason="stands in")
    with live.of(BEA) as second:
        sk.person.retire(second, ADA, reason="left the firm")
        refused("person_exists", sk.person.add, second, ADA, role="operator", password=FIRST)
        refused("person_retired", sk.person.role, second, ADA, "operator", reason="x")
        rows = {row["name"]: row for row in sk.person.list(second)}
        assert rows[ADA]["retired"] and rows[BEA]["role"] == "administrator"
        assert sk.record.verify(second)["sound"]
    refused("sign_in_refused", live.of, ADA)


def test_rules_for_passwords_are_the_firms(live: Live) -> None:
    """An administrator sets them with a reason, within what the standard bears."""
    with live.of(ADA) as administrator:
        assert sk.person.rules(administrator) == {
            "shortest": 15,
            "failures": 10,
            "idle": 10,
            "longest": 256,
        }
        refused("bad_value", sk.person.rules, administrator, shortest=7, reason="short")
        refused("reason_needed", sk.person.rules, administrator, shortest=20)
        assert sk.person.rules(administrator, shortest=28, reason="new rule")["shortest"] == 28
        refused(
            "password_weak", sk.person.password, administrator, FIRST[:27], name=BEA, reason="x"
        )
        sk.person.password(administrator, FIRST, name=BEA, reason="forgotten")


def test_a_second_person_gives_a_password_too(live: Live, tmp_path: Path) -> None:
    """Two people in a live record are two passwords, each of a role that may do it."""
    carla = "cold tea and eleven lemons"
    with live.of(ADA) as administrator:
        for name, role in (("Lena Lead", "line lead"), ("Carla Check", "compliance")):
            sk.person.add(administrator, name, role=role, password=FIRST)
    for name in ("Lena Lead", "Carla Check"):
        with live.of(name, FIRST) as own:
            alone = name == "Carla Check"  # nobody is their own second person
            word = "second_person_needed" if alone else "password_temporary"
            refused(word, own.seconded_by, "Carla Check", FIRST)
            sk.person.password(own, carla)
    with live.of("Lena Lead", carla) as lead:
        sk.product.add(lead, GTIN, name="Tablets", prefix_length=7)
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=20)

        def approve(record: sk.Record, second: str) -> Any:
            return sk.lot.approve(record, "LOT24A", second=second)

        refused("second_person_needed", approve, lead, "")
        refused("second_person_needed", approve, lead, "Lena Lead")
        refused("password_needed", approve, lead, "Carla Check")
        refused("sign_in_refused", lead.seconded_by, "Carla Check", FIRST)
        refused("role_not_allowed", approve, lead.seconded_by(BEA, SECRETS[BEA]), BEA)
        assert sk.lot.show(lead, "LOT24A")["state"] == "draft"
        both = lead.seconded_by("Carla Check", carla)
        assert approve(both, "Carla Check")["state"] == "approved"
        entry = list(sk.record.entries(both, "LOT24A"))[-1]
        assert [(one["person"], one["role"], one["meaning"]) for one in entry["signatures"]] == [
            ("Lena Lead", "line lead", "done"),
            ("Carla Check", "compliance", "approved"),
        ]
        assert not any(one["practice"] for one in entry["signatures"])

        def destroyed(record: sk.Record, witness: str) -> Any:
            return sk.lot.count(record, "LOT24A", "destroyed", 2, witness=witness)

        sk.serials.allocate(lead, "LOT24A", 4)
        sk.print.write(lead, "LOT24A", lanes=4, out=tmp_path / "job.csv")
        refused("count_invalid", destroyed, both, "")
        refused("count_invalid", destroyed, both, "Lena Lead")  # nobody is their own witness
        refused("password_needed", destroyed, lead, "Carla Check")
        refused("role_not_allowed", destroyed, lead.seconded_by(ADA, SECRETS[ADA]), ADA)
        assert destroyed(both, "Carla Check")["total"] == 2
        entry = list(sk.record.entries(both, "LOT24A"))[-1]
        assert [one["meaning"] for one in entry["signatures"]] == ["done", "witnessed"]
        assert sk.record.verify(both)["sound"]


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE credential SET data = (SELECT data FROM credential WHERE person = 1) "
        "WHERE person = 2",
        "DELETE FROM credential WHERE person = 2",
        "INSERT INTO credential VALUES (3, 'x')",
        "UPDATE person SET retired = '2026-06-01T08:00:00.000Z' WHERE id = 2",
        "UPDATE person SET role = 'administrator' WHERE id = 2",
        "UPDATE person SET temporary = 1 WHERE id = 2",
    ],
)
@pytest.mark.only_on("sqlite", reason="the comparison is the same code on every database")
def test_an_edited_account_is_found(live: Live, edit: str) -> None:
    """A plain edit of what lets people in shows."""
    with live.of(ADA) as administrator:
        assert live.database.edit(edit) == 1
        with pytest.raises(sk.Damaged) as caught:
            sk.record.verify(administrator)
        wanted = "credential_differs" if "credential" in edit else "table_differs"
        assert caught.value.word == wanted


def test_a_copy_takes_the_passwords_along(
    live: Live, databases: Databases, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """People sign in to the copy as they did, with nobody's wrong passwords counted."""
    live.wrong(BEA, 2)
    with databases.new(tmp_path_factory.mktemp("copy")) as empty:
        _copied(live, empty.url)


def _copied(live: Live, place: str) -> None:
    with live.of(ADA) as administrator:
        sk.record.copy(administrator, place)
    with sk.open_record(place, person=BEA, password=SECRETS[BEA], now=live.clock) as own:
        assert sk.record.verify(own)["sound"]
        with own.read() as view:
            assert view.attempt(2) is None
    refused("sign_in_refused", sk.open_record, place, person=BEA, password=FIRST)


def typed(
    database: Database, words: list[str], *, given: str = "", env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """A command of its own process, with secrets where the guide says."""
    plain = {name: value for name, value in os.environ.items() if "SERIALKEEPER_" not in name}
    return ready.typed(
        words, given=given, env={**plain, "SERIALKEEPER_RECORD": database.url, **(env or {})}
    )


def test_on_the_command_line_no_secret_is_told(database: Database, tmp_path: Path) -> None:
    """Secrets come by standard input, variable or 0600 file; none is found again in any output, in
    any row of the record but hashed, or among the arguments of a process."""
    told = []

    def run(code: int, *words: str, given: str = "", **env: str) -> str:
        done = typed(database, list(words), given=given, env=env)
        told.append(done.stdout + done.stderr)
        assert done.returncode == code, done.stderr
        return done.stdout + done.stderr

    kept = tmp_path / "secret"
    kept.write_text(SECRETS[ADA] + "\n")
    kept.chmod(0o600)
    as_ada = {"SERIALKEEPER_PERSON": ADA, "SERIALKEEPER_PASSWORD_FILE": str(kept)}
    first = ("--role", "administrator", "--password-stdin")
    run(1, "init", "--person", ADA, "--role", "operator", "--password-stdin", given=FIRST)
    run(1, "init", "--person", ADA, "--password-stdin", given="password12345678\n")
    run(0, "init", "--person", ADA, *first, given=SECRETS[ADA] + "\n")
    assert "password_needed" in run(1, "person", "list", SERIALKEEPER_PERSON=ADA)
    run(0, "person", "add", BEA, "--role", "operator", "--password-stdin", given=FIRST, **as_ada)
    as_bea = {"SERIALKEEPER_PERSON": BEA}
    both = f"{FIRST}\n{SECRETS[BEA]}\n"
    run(0, "person", "password", "--password-stdin", given=both, **as_bea)
    run(1, "--json", "person", "list", SERIALKEEPER_PASSWORD=FIRST, **as_bea)
    run(0, "--json", "person", "list", SERIALKEEPER_PASSWORD=SECRETS[BEA], **as_bea)
    run(2, "person", "add", "Carl", **as_ada)
    kept.chmod(0o644)
    assert stat.S_IMODE(kept.stat().st_mode) == 0o644
    assert "secret_exposed" in run(1, "person", "list", **as_ada)
    planted = (*SECRETS.values(), FIRST)
    with database.client() as client:
        for table in ("entry", "person", "credential", "setting", "attempt", "sign_in_alarm"):
            told += [repr(row) for row in client.execute(text(f"SELECT * FROM {table}"))]
    everything = "".join(told)
    as_recommended = everything.count("$argon2id$v=19$m=65536,t=3,p=4$")
    assert as_recommended == everything.count("argon2id") > 0
    assert not any(secret in line for secret in planted for line in told)
