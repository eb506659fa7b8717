"""At a station by badge and PIN, for as long as somebody is there; and scripts by tokens."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import ready
from conftest import EXPIRY, GTIN
from databases import Database
from sqlalchemy import text
from test_people import ADA, BEA, FIRST, Live, refused

import serialkeeper as sk
from serialkeeper.cli.door import run
from serialkeeper.outside import clock, sessions
from serialkeeper.rules import rights, signatures, tokens
from serialkeeper.store.opening import open_record as open_with
from serialkeeper.store.sign_in import Component, InSession
from serialkeeper.store.view import key_of

BADGE, PIN = "CARD-7Q2M9X4K1B", "592806"
LENA, CARLA = "Lena Lead", "Carla Check"
OWN = "cold tea and eleven lemons"


class Station(Live):
    """A live record with four people, one of whom has a badge; and the files around it."""

    def __init__(self, database: Database, folder: Path) -> None:
        super().__init__(database)
        self.folder = folder
        with self.of(ADA) as administrator:
            for name, role in ((LENA, "line lead"), (CARLA, "compliance")):
                sk.person.add(administrator, name, role=role, password=FIRST)
            sk.person.badge(administrator, LENA, BADGE, reason="first day")
        for name in (LENA, CARLA):
            with self.of(name, FIRST) as own:
                sk.person.password(own, OWN)
        with self.of(LENA, OWN) as own:
            refused("badge_unknown", sk.person.pin, own, "CARD-0000000000", PIN)
            for weak in ("12345", "123456", "111111", "121212", "13579a"):
                refused("password_weak", sk.person.pin, own, BADGE, weak)
            sk.person.pin(own, BADGE, PIN)

    def at(self, person: str = "", password: str = BADGE, pin: str = PIN, **more: Any) -> sk.Record:
        """Signed in as at a station."""
        return open_with(
            self.database.url,
            person=person,
            password=lambda: password,
            pin=lambda: pin,
            station="line 1",
            now=self.clock,
            chance=clock.chance(),
            **more,
        )

    def session(self, entered: dict[str, Any], ask: Any = str) -> sk.Record:
        """A further command in a session."""
        component = Component(ask, entered["badge"])
        return self.at(session=InSession(entered["session"], entered["key"], component))


@pytest.fixture
def station(database: Database, tmp_path: Path) -> Iterator[Station]:
    """People, a badge and its PIN."""
    yield Station(database, tmp_path)


def prepared(station: Station) -> None:
    """A product and a draft lot."""
    with station.of(LENA, OWN) as lead:
        sk.product.add(lead, GTIN, name="Tablets", prefix_length=7)
        sk.lot.open(lead, GTIN, "LOT24A", expiry=EXPIRY, target=10)


def test_badge_and_pin_sign_in_together_and_neither_alone(station: Station) -> None:
    """Two components (21 CFR 11.200(a)(1)); wrong PINs count like wrong passwords; a new badge
    ends the old one and its PIN; nobody else gets it."""
    with station.at() as record:
        assert (record.person, record.role) == (LENA, "line lead")
    with station.at(LENA) as record:
        assert record.person == LENA
    for person, password, pin in (
        ("", BADGE, "592807"),
        ("", BADGE, ""),
        (BEA, BADGE, PIN),
        (LENA, PIN, PIN),
        ("", "CARD-0000000000", PIN),
    ):
        refused("sign_in_refused", station.at, person, password, pin)
    refused("sign_in_refused", station.at, "", BADGE, "592807")
    refused("sign_in_refused", station.at)  # the right one, too early
    station.clock.time += timedelta(minutes=1)
    station.at().close()
    with station.of(ADA) as administrator:
        refused("badge_taken", sk.person.badge, administrator, BEA, BADGE, reason="another")
        refused("bad_value", sk.person.badge, administrator, BEA, "short", reason="another")
        refused("reason_needed", sk.person.badge, administrator, BEA, "CARD-1111111111", reason="")
        sk.person.badge(administrator, LENA, "CARD-NEW-5R8T2W", reason="the old one was lost")
    refused("sign_in_refused", station.at, "", "CARD-NEW-5R8T2W")
    refused("sign_in_refused", station.at)
    with station.of(LENA, OWN) as own:
        sk.person.pin(own, "CARD-NEW-5R8T2W", PIN)
    station.at("", "CARD-NEW-5R8T2W").close()
    with station.of(ADA) as administrator:
        refused("role_not_allowed", sk.product.add, administrator, GTIN, name="x", prefix_length=7)
        sk.person.retire(administrator, LENA, reason="left the firm")
    refused("sign_in_refused", station.at, "", "CARD-NEW-5R8T2W")


def test_a_session_needs_nothing_for_work_and_the_pin_for_what_is_signed(station: Station) -> None:
    """One component for each signing in one continuous period (21 CFR 11.200(a)(1)(i)), asked for
    before anything is locked; what needs a person anew is refused."""
    prepared(station)
    with station.at() as record:
        entered = sk.person.enter(record, typed=BADGE)
    assert entered["badge"] == BADGE and BADGE not in entered["key"]
    with station.session(entered) as record:
        assert record.person == LENA
        sk.product.list(record)
        sk.location.add(record, "9521234000020", prefix_length=7, name="Plant North", zone="UTC")
        refused("password_needed", sk.person.enter, record)
        refused("password_needed", sk.person.password, record, "another sentence of mine")
        refused("password_needed", sk.person.pin, record, BADGE, "804113")
        token = {"purpose": "x", "may": ["look"], "out": station.folder / "t"}
        refused("password_needed", sk.person.token, record, **token)
        both = record.seconded_by(CARLA, OWN)
        refused("password_needed", sk.lot.approve, both, "LOT24A", second=CARLA)  # no PIN
    asked: list[str] = []

    def ask() -> str:
        with station.of(LENA, OWN) as other:  # nothing is locked while somebody types
            sk.location.add(other, "9521234000037", prefix_length=7, name="South", zone="UTC")
        asked.append("PIN")
        return PIN

    with station.session(entered, lambda: "592807") as record:
        both = record.seconded_by(CARLA, OWN)
        refused("sign_in_refused", sk.lot.approve, both, "LOT24A", second=CARLA)
    with station.session(entered, ask) as record:
        both = record.seconded_by(CARLA, OWN)
        sk.lot.approve(both, "LOT24A", second=CARLA)
        assert asked == ["PIN"]
    with station.of(CARLA, OWN) as check:
        both = check.seconded_by(LENA, BADGE, pin=lambda: PIN)  # a second person by badge
        assert both.confirming == {LENA: "line lead"}
        signed = next(
            one for one in sk.record.entries(check, "LOT24A") if one["verb"] == "lot approved"
        )
        assert [one["person"] for one in signed["signatures"]] == [LENA, CARLA]
        assert sk.record.verify(check)["sound"]


def test_a_session_ends_by_leaving_by_idling_and_with_its_owner(station: Station) -> None:
    """Nothing goes on afterwards, not at another station either; wrong PINs end it too."""
    with station.at() as record:
        first = sk.person.enter(record, typed=BADGE)
        refused("sign_in_refused", station.at, BEA, session=InSession(1, first["key"], None))
    with station.session(first) as record:
        sk.person.leave(record, first["session"], first["key"])
    refused("session_over", station.session, first)
    with station.at() as record:
        second = sk.person.enter(record, typed=BADGE)
    for _ in range(3):  # used again and again, it goes on
        station.clock.time += timedelta(minutes=8)
        station.session(second).close()
    refused("session_over", station.session, {**second, "key": first["key"]})
    station.clock.time += timedelta(minutes=11)
    refused("session_over", station.session, second)
    with station.of(ADA) as administrator:
        refused("bad_value", sk.person.rules, administrator, idle=61, reason="long")
        sk.person.rules(administrator, idle=30, reason="long cleaning")
    station.session(second).close()
    with station.at() as record:
        third = sk.person.enter(record, typed=BADGE)
    elsewhere = InSession(third["session"], third["key"], Component(str))
    with pytest.raises(sk.Refused, match="session_over"):
        open_with(
            station.database.url,
            session=elsewhere,
            station="line 2",
            now=station.clock,
            chance=clock.chance(),
        )
    with station.session(third, lambda: "592807") as record:
        for _ in range(3):
            refused("sign_in_refused", record.check_may, "lot approved")
    refused("session_over", station.session, third)
    station.clock.time += timedelta(minutes=1)
    station.session(third).close()
    with station.of(ADA) as administrator:
        sk.person.retire(administrator, LENA, reason="left the firm")
    refused("session_over", station.session, third)


def test_every_signed_step_of_a_session_asks_first(station: Station) -> None:
    """No verb whose entries are signed can be written in a session without the component."""
    with station.at() as record:
        entered = sk.person.enter(record, typed=BADGE)
    with station.session(entered) as record:
        for verb in signatures.NEEDED:
            if rights.may(verb, record.role, practice=False):
                refused("password_needed", record.check_may, verb)
    prepared(station)
    with station.at() as record:
        entered = sk.person.enter(record, typed=BADGE)
    with station.session(entered) as record, record.read() as view:
        key = key_of(view.lot("LOT24A"))
    for verb in signatures.NEEDED:
        if rights.may(verb, "line lead", practice=False):
            with station.session(entered) as record, record.work(key) as work:
                refused("password_needed", work.write, key, verb, {})


def test_a_token_may_what_it_is_for_and_signs_nothing(station: Station) -> None:
    """In its owner's name and within the role, until it is revoked or its day is over; every entry
    names it; whoever else can read its file gets no use of it."""
    prepared(station)
    out = station.folder / "hand-off.token"
    today: date = station.clock().date()
    with station.of(LENA, OWN) as lead:
        for wrong in ({"may": ["everything"]}, {"may": []}, {"until": today - timedelta(days=1)}):
            given = {"purpose": "products", "may": ["products"], "out": out, **wrong}
            refused("bad_value", sk.person.token, lead, **given)
        refused("reason_needed", sk.person.token, lead, purpose=" ", may=["look"], out=out)
        wanted = ["products", "reports"]
        made = sk.person.token(lead, purpose="master data", may=wanted, out=out)
        again = {"purpose": "again", "may": ["look"], "out": out}
        refused("file_exists", sk.person.token, lead, **again)
        assert [one["purpose"] for one in sk.person.tokens(lead)] == ["master data"]
    assert stat.S_IMODE(out.stat().st_mode) == 0o600 and made["token"] == 1
    assert made["until"] == str(today + timedelta(days=tokens.DAYS))
    text_of = out.read_text()
    with station.at(token=text_of) as script:
        assert (script.person, script.token and script.token.id) == (LENA, 1)
        sk.product.add(script, "09521234000136", name="Others", prefix_length=7)
        refused("token_narrow", sk.lot.approve, script, "LOT24A", second=CARLA)
        report = station.folder / "report.html"
        # A report is in its scope, the checkpoint beside it is not.
        refused("token_narrow", sk.lot.report, script, "LOT24A", out=report, key=out)
        sk.lot.report(script, "LOT24A", out=report)
        assert "PRACTICE" not in report.read_text() and "token 1" not in report.read_text()
        sk.lot.report(script, "LOT24A", out=station.folder / "again.html")
        assert "line lead, token 1" in (station.folder / "again.html").read_text()
        more = {"expiry": EXPIRY, "target": 5}
        refused("token_narrow", sk.lot.open, script, GTIN, "LOT24B", **more)
        refused("token_narrow", sk.person.token, script, **{**again, "out": out.with_name("b")})
        refused("token_narrow", sk.person.password, script, "another sentence of mine")
    with station.of(ADA) as administrator:
        rows = [one for one in sk.record.entries(administrator) if one["token"]]
        assert [(one["verb"], one["person"]) for one in rows] == [("product added", LENA)]
        assert sk.record.verify(administrator)["sound"]
    wrong = text_of.strip()[:-1] + ("0" if text_of.strip()[-1] != "0" else "1")
    for one in (wrong, "sk9." + "0" * 64, "nonsense"):
        refused("sign_in_refused", station.at, token=one)
    refused("sign_in_refused", station.at, BEA, token=text_of)
    station.clock.time += timedelta(days=tokens.DAYS + 1)
    assert "in force until" in refused("token_over", station.at, token=text_of).came
    station.clock.time -= timedelta(days=tokens.DAYS)
    with station.of(BEA) as operator:
        refused("role_not_allowed", sk.lot.report, operator, "LOT24A", out=out.with_suffix(".pdf"))
        refused("token_unknown", sk.person.revoke, operator, 1, reason="not mine")
    with station.of(ADA) as administrator:
        refused("reason_needed", sk.person.revoke, administrator, 1, reason="")
        sk.person.revoke(administrator, 1, reason="the machine was sold")
        refused("token_unknown", sk.person.revoke, administrator, 1, reason="twice")
        refused("token_unknown", sk.person.revoke, administrator, 7, reason="none")
        assert sk.person.tokens(administrator)[0]["revoked"]
    assert refused("token_over", station.at, token=text_of).came == "revoked"
    assert not {verb for verbs in tokens.SCOPES.values() for verb in verbs} & set(signatures.NEEDED)


def test_a_new_badge_pin_or_password_ends_the_sessions_begun_with_the_old_one(
    station: Station,
) -> None:
    """Whoever knows the old one is out at once; sessions of others go on."""

    def begun(person: str = "", password: str = BADGE, pin: str = PIN) -> dict[str, Any]:
        with station.at(person, password, pin) as record:
            return sk.person.enter(record, typed=password)

    other = begun(CARLA, OWN)
    first = begun()
    new = "warm tea and twelve lemons"
    with station.of(LENA, OWN) as record:
        sk.person.password(record, new)
    refused("session_over", station.session, first)
    second = begun()
    with station.of(LENA, new) as record:
        sk.person.pin(record, BADGE, "770421")
    refused("session_over", station.session, second)
    third = begun(pin="770421")
    with station.of(ADA) as administrator:
        sk.person.badge(administrator, LENA, "CARD-8R3N0Y5L2C", reason="the old one is lost")
    refused("session_over", station.session, third)
    station.session(other).close()


def test_whoever_enters_ends_the_session_that_the_station_kept(station: Station) -> None:
    """Its key says that it is this station's; without it nobody ends another's session."""
    with station.at() as record:
        first = sk.person.enter(record, typed=BADGE)
    kept = (first["session"], first["key"])
    with station.at(CARLA, OWN) as record:
        refused("session_over", sk.person.leave, record, first["session"], "0" * 64)
        station.session(first).close()
        second = sk.person.enter(record, instead_of=kept)
        refused("session_over", station.session, first)
        refused("session_over", sk.person.leave, record, *kept)
    with station.of(ADA) as record:  # the name told is the owner's
        assert sk.person.leave(record, second["session"], second["key"])["name"] == CARLA


@pytest.mark.only_on("sqlite", reason="only a file has a name that depends on the folder")
def test_a_session_is_kept_for_one_file_however_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same relative name in another folder is another record."""
    monkeypatch.setenv("SERIALKEEPER_SESSIONS", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    here = sessions.place("sqlite:///lots.db", "line 1")
    assert here == sessions.place(f"sqlite:///{tmp_path}/lots.db", "line 1")
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path / "other")
    assert here not in (sessions.place("sqlite:///lots.db", "line 1"), tmp_path)
    server = "postgresql://line@server/lots"
    assert sessions.place(server, "line 1") == sessions.place(server, "line 1")


def test_at_the_terminal_a_shift_is_one_session(
    station: Station, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`person enter`, work, `person leave`, by the files that a station keeps; no secret is in
    them but the session's own key and the badge, and nobody else can read them."""
    for name in ("SERIALKEEPER_PASSWORD", "SERIALKEEPER_PIN"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("SERIALKEEPER_SESSIONS", str(station.folder))
    monkeypatch.setenv("SERIALKEEPER_STATION", "line 1")
    monkeypatch.setattr(clock, "now", station.clock)
    url = station.database.url

    def typed(*words: str) -> tuple[int, str]:
        code = run([*words, "--record", url])
        return code, capsys.readouterr().out

    assert typed("person", "leave")[1] == "Nobody is signed in here.\n"
    assert typed("product", "list")[0] == 1
    monkeypatch.setenv("SERIALKEEPER_PASSWORD", BADGE)
    monkeypatch.setenv("SERIALKEEPER_PIN", PIN)
    code, out = typed("person", "enter")
    assert code == 0 and f"{LENA} is at line 1" in out and BADGE not in out
    for name in ("SERIALKEEPER_PASSWORD", "SERIALKEEPER_PIN"):
        monkeypatch.delenv(name)
    path = sessions.place(url, "line 1")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and PIN not in path.read_text()
    assert typed("product", "add", GTIN, "--prefix-length", "7", "--name", "Tablets")[0] == 0
    wanted = ("--expiry", "2028-06-30", "--target", "9")
    assert typed("lot", "open", GTIN, "LOT24A", *wanted)[0] == 0
    assert typed("label", "settle", "LOT24A", "1", "--reason", "cut out")[0] == 1  # no PIN there
    monkeypatch.setenv("SERIALKEEPER_PIN", PIN)
    code, out = typed("lot", "approve", "LOT24A")
    assert code == 1  # no second person
    path.chmod(0o644)
    assert typed("product", "list")[0] == 1
    path.chmod(0o600)
    assert typed("person", "leave")[1] == f"{LENA} has left line 1.\n"
    assert not path.exists() and typed("product", "list")[0] == 1


@pytest.mark.only_on("sqlite", reason="secrets are looked for in one file and its processes")
def test_no_secret_is_told(station: Station) -> None:
    """Neither badge nor PIN nor token stands in the database, in answers or in the process list."""
    out = station.folder / "t.token"
    with station.of(LENA, OWN) as lead:
        sk.person.token(lead, purpose="looking", may=["look"], out=out)
    secret = out.read_text().strip()
    named = ["--record", station.database.url]
    env = {**os.environ, "SERIALKEEPER_TOKEN_FILE": str(out), "SERIALKEEPER_TRACE": "1"}
    told = ""
    for words in (["person", "tokens", "--json"], ["record", "entries", "--json"], ["nonsense"]):
        done = ready.typed([*named, *words], env=env)
        told += done.stdout + done.stderr
    with station.of(ADA) as administrator, administrator.read() as view:
        view.connection.execute(text("PRAGMA wal_checkpoint"))
    stored = Path(station.database.url.removeprefix("sqlite:///")).read_bytes()
    for hidden in (secret, secret.partition(".")[2], BADGE, PIN + '"'):
        assert hidden not in told
        assert hidden.encode() not in stored
    out.chmod(0o644)
    done = ready.typed([*named, "person", "tokens"], env=env)
    assert done.returncode == 1 and "secret_exposed" in done.stderr
