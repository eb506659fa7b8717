"""Backups, restoring, recovery: nothing is lost unseen, and nothing is ever given out twice."""

from __future__ import annotations

import stat
import threading
from contextlib import ExitStack
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from conftest import GTIN, Bench, as_seen
from databases import Databases
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import html
from test_packs import LEVELS
from test_people import ADA, FIRST, SECRETS, Live

import serialkeeper as sk
from serialkeeper.rules import recovery
from serialkeeper.rules.serials import PREFIXES
from serialkeeper.steps import numbering
from serialkeeper.steps.importing import giving

LEAD, SECOND = "Line Lead", "Second Person"
OWN = "cold tea and eleven lemons"
PEOPLE = {
    "Carla Check": "compliance",
    "Quinn Quality": "compliance",
    "Lena Lead": "line lead",
}


def refused(word: str, step: Any, *args: Any, **more: Any) -> sk.Refused:
    with pytest.raises(sk.Refused) as error:
        step(*args, **more)
    assert error.value.word == word, str(error.value)
    return error.value


def backed_up(bench: Bench, name: str = "backup.db") -> Path:
    out = bench.folder / name
    sk.record.backup(bench.record, out)
    return out


def restored(bench: Bench, file: Path, to: str, *, recovered: bool = True) -> sk.Record:
    """The backup at another place, in the line lead's hands, recovered if asked for."""
    sk.record.restore(file, to, person=LEAD, station="line 1", now=bench.record.now)
    record = sk.open_record(to, person=LEAD, station="line 1", now=bench.record.now)
    if recovered:
        sk.record.recover(record, reason="the disk is gone", second=SECOND)
    return record


def numbers(record: sk.Record, lot: str = "LOT24A") -> list[str]:
    return [row["serial"] for row in sk.label.list(record, lot)]


def open_lot(record: sk.Record, lot: str, labels: int = 10) -> None:
    sk.lot.open(record, GTIN, lot, expiry=date(2028, 6, 30), target=labels)
    sk.lot.approve(record, lot, second=SECOND)


def test_a_backup_is_whole_and_closed(bench: Bench, databases: Databases, tmp_path: Path) -> None:
    """It verifies, shows everything, and takes no work; restored it is the same record, on each
    kind of database, and takes none either before somebody has signed that it goes on."""
    rows = as_seen(bench.printed(40))
    rows[3]["seen"] = ""
    sk.inspect.take(bench.record, bench.lot, bench.results(rows))
    out = bench.folder / "backup.db"
    told = sk.record.backup(bench.record, out)
    assert (told["size"], told["record"]) == (out.stat().st_size, "practice")
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert [path.name for path in bench.folder.iterdir() if "backup" in path.name] == [out.name]
    refused("file_exists", sk.record.backup, bench.record, out)
    with sk.open_record(f"sqlite:///{out}", person=LEAD) as backup:
        assert sk.record.verify(backup)["entries"] == told["entries"] + 1  # its sealing
        assert list(sk.label.list(backup, bench.lot)) == bench.labels()
        refused("backup_sealed", sk.serials.allocate, backup, bench.lot, 1)
        refused("backup_sealed", sk.record.backup, backup, bench.folder / "b.db")
        refused("backup_sealed", sk.record.copy, backup, f"sqlite:///{tmp_path}/c.db")
        refused("nothing_moved", sk.record.recover, backup, reason="no")
    refused("no_backup", sk.record.restore, bench_file(bench), "sqlite:///x.db", person=LEAD)
    refused("file_missing", sk.record.restore, tmp_path / "no.db", "sqlite:///x.db")
    folder = tmp_path / "there"
    folder.mkdir()
    with databases.new(folder) as place:
        with restored(bench, out, place.url, recovered=False) as record:
            assert list(sk.label.list(record, bench.lot)) == bench.labels()
            before = sk.record.verify(record)["heads"]
            for step in (
                lambda: sk.serials.allocate(record, bench.lot, 1),
                lambda: sk.label.void(record, bench.lot, "4", reason="waste"),
                lambda: sk.print.again(record, bench.lot, 1, out=folder / "again.csv"),
                lambda: sk.person.add(record, "Third Person", role="operator"),
            ):
                refused("in_recovery", step)
            refused("reason_needed", sk.record.recover, record, reason=" ")
            live = replace(record, practice=False, role="compliance")
            refused("second_person_needed", sk.record.recover, live, reason="the disk is gone")
            lead = replace(record, practice=False)
            refused("role_not_allowed", sk.record.recover, lead, reason="the disk is gone")
            assert sk.record.verify(record)["heads"] == before
            assert sk.record.recover(record, reason="the disk is gone")["generation"] == 2
            refused("nothing_moved", sk.record.recover, record, reason="again")
            sk.serials.allocate(record, bench.lot, 5)
            assert sk.record.verify(record)["sound"]
            # A restored record can be backed up and restored in its turn.
            again = folder / "again.db"
            sk.record.backup(record, again)
            with restored(bench, again, f"sqlite:///{folder}/third.db") as third:
                with third.read() as view:
                    assert view.setting("generation") == "3"
                sk.serials.allocate(third, bench.lot, 5)
                assert sk.record.verify(third)["sound"]
        refused("record_exists", sk.record.restore, out, place.url, person=LEAD)


def bench_file(bench: Bench) -> Path:
    """A file that is a record and no backup."""
    url = bench.url
    if url.startswith("sqlite"):
        return Path(url.removeprefix("sqlite:///"))
    other = bench.folder / "other.db"
    sk.init(f"sqlite:///{other}", LEAD).close()
    return other


def test_a_backup_is_made_while_lines_write(bench: Bench) -> None:
    """Every backup is one moment of the record, whatever is written meanwhile."""
    bench.printed(20)
    stop, failed = threading.Event(), []

    def work() -> None:
        try:
            with sk.open_record(bench.url, person=LEAD, station="line 1") as other:
                while not stop.is_set():
                    sk.serials.allocate(other, bench.lot, 50)
                    sk.label.void(other, bench.lot, str(1 + len(numbers(other)) - 50), **reason)
        except Exception as error:
            failed.append(error)

    reason = {"reason": "surplus", "count": 1}
    line = threading.Thread(target=work)
    line.start()
    try:
        sizes = []
        for turn in range(4):
            out = backed_up(bench, f"backup{turn}.db")
            with sk.open_record(f"sqlite:///{out}", person=LEAD) as backup:
                assert sk.record.verify(backup)["sound"]
                sizes.append(len(numbers(backup)))
    finally:
        stop.set()
        line.join()
    assert not failed and sizes == sorted(sizes) and sizes[-1] > sizes[0]
    assert bench.heads()


def test_two_that_both_go_on_never_give_out_the_same(
    bench: Bench, databases: Databases, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The original works on although it should not: numbers, prefixes and SSCCs of the two are
    never the same, those of an allocation that was under way and of packs in hand neither; what
    the original may have printed since is voided in the other."""
    record = bench.record
    path = bench.folder / "packs.toml"
    path.write_text(LEVELS)
    sk.product.packs(record, GTIN, path)
    open_lot(record, "PACKS")
    bench.lot = "PACKS"
    rows = as_seen(bench.printed(24))
    sk.inspect.take(record, "PACKS", bench.results(rows))
    sk.pack.build(record, "PACKS", "case", in_order=True, count=1)
    sk.serials.allocate(record, "LOT24A", 30)
    sk.print.write(record, "LOT24A", lanes=2, out=bench.folder / "half.csv", first=1, last=10)

    def die(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(numbering, "_chunk", die)
        open_lot(record, "BEGUN")
        with pytest.raises(KeyboardInterrupt):
            sk.serials.allocate(record, "BEGUN", 40)
    waiting, _ = sk.pack.number(record, "PACKS", "case", count=2)["keys"]
    out = backed_up(bench)
    (tmp_path / "there").mkdir()
    with ExitStack() as stack:
        place = stack.enter_context(databases.new(tmp_path / "there"))
        other = stack.enter_context(restored(bench, out, place.url))
        allocated = {row["position"]: row["state"] for row in sk.label.list(other, "LOT24A")}
        assert [allocated[one] for one in (1, 10, 11, 30)] == ["issued"] * 2 + ["voided"] * 2
        assert sk.pack.show(other, waiting)["state"] == "decommissioned"
        sk.events.write(other, "PACKS", form="json", out=bench.folder / "other.jsonld")
        told = (bench.folder / "other.jsonld").read_text()  # its end is not told: it never began
        assert "decommissioning" not in told and told.count('"AggregationEvent"') == 1
        the_recovery_is_told(other, bench.folder)
        given: list[set[str]] = []
        packs: list[set[str]] = []
        for one in (record, other):
            before = set(numbers(one, "LOT24A")) | set(numbers(one, "PACKS"))
            keys = {pack["key"] for pack in sk.pack.list(one, "PACKS")["packs"]}
            sk.serials.allocate(one, "BEGUN", 40)
            sk.serials.allocate(one, "LOT24A", 25_000)
            open_lot(one, "LATER")
            sk.serials.allocate(one, "LATER", 30)
            sk.pack.build(one, "PACKS", "case", in_order=True, count=3)
            sk.pack.number(one, "PACKS", "pallet", count=2)
            new = {*numbers(one, "BEGUN"), *numbers(one, "LOT24A"), *numbers(one, "LATER")}
            given.append(new - before)
            packs.append({pack["key"] for pack in sk.pack.list(one, "PACKS")["packs"]} - keys)
            assert sk.record.verify(one)["sound"]
        assert len(given[0]) == len(given[1]) == 25_070 and len(packs[0]) == len(packs[1])
        assert not given[0] & given[1] and not packs[0] & packs[1]
        prefixes = [{number[:4] for number in some} for some in given]
        assert not prefixes[0] & prefixes[1]
        # Unprinted labels that the restored record has voided are printed by nobody there.
        refused(
            "nothing_to_print",
            lambda: sk.print.write(
                other, "LOT24A", lanes=2, out=bench.folder / "p.csv", first=11, last=12
            ),
        )


def the_recovery_is_told(other: sk.Record, folder: Path) -> None:
    """By the review list as what it is, pack by pack; the report has day, people, figures."""
    groups = sk.review.list(other, "PACKS")["groups"]
    told = {(one["kind"], one["reason"]): (one["count"], one["second"]) for one in groups}
    assert told["packs decommissioned", "restored"] == (2, SECOND)
    assert told["ssccs given up", "restored"] == (1, SECOND)
    assert ("voided", "restored") not in told
    groups = sk.review.list(other, "LOT24A")["groups"]
    assert [(one["kind"], one["reason"], one["count"]) for one in groups] == [
        ("voided", "restored", 20)
    ]
    [moved] = sk.review.list(other, "BEGUN")["groups"]
    assert moved["kind"] == "allocation moved" and "allocation 1" in moved["told"]
    sk.lot.report(other, "PACKS", out=folder / "restored.html")
    page = " ".join(html.fromstring((folder / "restored.html").read_bytes()).text_content().split())
    for words in (
        "Copy (generation)2",
        "Backupof 2026-06-01 08:00:",
        "file backup.db",
        f"{LEAD} (line lead): done (practice); {SECOND} (compliance): approved (practice); signed",
        "the disk is gone",
        "under fresh prefixes: 1 unfinished allocation",
        "voided: 20 numbers that were not printed",
        "ended: 2 packs that were never filled",
    ):
        assert words in page, words


def test_an_import_that_was_under_way_is_finished_by_one_of_the_two_only(
    bench: Bench, databases: Databases, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The restored record gives it up: what was there is voided, the rest comes from nobody's file
    again; the lot goes on with other numbers, and adds up."""
    record = bench.record
    whole = giving._chunk

    def die(*_: Any) -> int:
        raise KeyboardInterrupt

    def die_later(*arguments: Any) -> int:
        whole(*arguments)
        raise KeyboardInterrupt

    for turn, chunk in enumerate((die, die_later)):
        name = f"TURN{turn}"
        open_lot(record, name)
        path = bench.folder / f"{name}.csv"
        lines = "".join(f"X{turn}{number:05}\n" for number in range(10_003))
        path.write_text(f"serial\n{lines}")
        with monkeypatch.context() as patch:
            patch.setattr(giving, "BLOCKS_AT_ONCE", 1)
            patch.setattr(giving, "_chunk", chunk)
            with pytest.raises(KeyboardInterrupt):
                sk.serials.import_(record, name, path)
        there = len(numbers(record, name))
        assert there == 10_000 * turn
        out = backed_up(bench, f"backup{turn}.db")
        (tmp_path / name).mkdir()
        with (
            databases.new(tmp_path / name) as place,
            restored(bench, out, place.url) as other,
        ):
            assert all(row["state"] == "voided" for row in sk.label.list(other, name))
            refused("import_claimed", sk.serials.import_, other, name, path)
            assert sk.lot.show(other, name)["allocated"] == there
            told = sk.review.list(other, name)["groups"][0]["told"]
            assert told == f"given up: import 1, {there:,} of 10,003 numbers of it are there"
            sk.serials.allocate(other, name, 7)
            assert len(numbers(other, name)) == there + 7
            assert sk.record.verify(other)["sound"]
        assert sk.serials.import_(record, name, path)["resumed"]


def test_a_fork_shows_against_a_checkpoint(bench: Bench, tmp_path: Path) -> None:
    """Of either against the other's, from the moment they part; a file that was copied by hand and
    opened beside its original too, which nothing inside tells."""
    bench.printed(10)
    key = bench.folder / "key.pem"
    sk.record.key(bench.record, key)
    out = backed_up(bench)
    with restored(bench, out, f"sqlite:///{tmp_path}/other.db") as other:
        sk.serials.allocate(bench.record, bench.lot, 3)
        sk.serials.allocate(other, bench.lot, 3)
        for one, two in ((bench.record, other), (other, bench.record)):
            folder = tmp_path / ("a" if one is other else "b")
            folder.mkdir()
            made = Path(sk.record.checkpoint(one, folder, key=key)["file"])
            assert sk.record.verify(one, against=made)["sound"]
            with pytest.raises(sk.Damaged):
                sk.record.verify(two, against=made)


def test_a_damaged_backup_is_not_restored(
    bench: Bench, databases: Databases, tmp_path: Path
) -> None:
    """An entry, or a label, that was altered in it is found; what was begun at the other place can
    be opened by nobody, and a sound backup is restored there afterwards."""
    bench.printed(10)
    out = backed_up(bench)
    spoiled = bench.folder / "spoiled.db"
    spoiled.write_bytes(out.read_bytes().replace(b'"verb":"issued"', b'"verb":"Issued"'))
    (tmp_path / "there").mkdir()
    with databases.new(tmp_path / "there") as place:
        with pytest.raises(sk.Damaged):
            sk.record.restore(spoiled, place.url, person=LEAD)
        with pytest.raises(sk.Refused):
            sk.open_record(place.url, person=LEAD)
        with restored(bench, out, place.url) as record:
            assert sk.record.verify(record)["sound"]


def test_people_of_a_live_record_sign_in_after_it_was_restored(
    live: Live, databases: Databases, tmp_path: Path
) -> None:
    """With the passwords that they had; the backup asks for one too."""
    out = tmp_path / "live.db"
    with live.of(ADA) as administrator:
        for name, role in PEOPLE.items():
            sk.person.add(administrator, name, role=role, password=FIRST)
    for name in PEOPLE:
        with live.of(name, FIRST) as mine:
            sk.person.password(mine, OWN)
    with live.of("Lena Lead", OWN) as lead:
        sk.product.add(lead, GTIN, name="Tablets", prefix_length=7)
        sk.lot.open(lead, GTIN, "LOT24A", expiry=date(2028, 6, 30), target=8)
        both = lead.seconded_by("Carla Check", OWN)
        sk.lot.approve(both, "LOT24A", second="Carla Check")
        sk.serials.allocate(lead, "LOT24A", 8)
    with live.of(ADA) as administrator:
        sk.record.backup(administrator, out)
    (tmp_path / "there").mkdir()
    with databases.new(tmp_path / "there") as place:
        refused("password_needed", sk.record.restore, out, place.url, now=live.clock)
        wrong = {"person": ADA, "password": "not the right one at all", "now": live.clock}
        refused("sign_in_refused", sk.record.restore, out, place.url, **wrong)
        own = {"person": ADA, "password": SECRETS[ADA], "now": live.clock}
        sk.record.restore(out, place.url, **own)
        with sk.open_record(place.url, **own) as record:
            assert sk.record.verify(record)["sound"]
            refused("role_not_allowed", sk.record.recover, record, reason="mine to say")
            refused("in_recovery", sk.person.add, record, "Dora", role="operator", password=FIRST)
        with ExitStack() as stack:
            by = {"password": OWN, "now": live.clock}
            carla = stack.enter_context(sk.open_record(place.url, person="Carla Check", **by))
            quinn = stack.enter_context(sk.open_record(place.url, person="Quinn Quality", **by))
            refused("second_person_needed", sk.record.recover, carla, reason="the disk is gone")
            both = carla.seconded_by("Quinn Quality", OWN)
            told = sk.record.recover(both, reason="the disk is gone", second="Quinn Quality")
            assert told["voided"] == 8 and told["prefixes"] > 10_000
            assert sk.record.verify(quinn)["sound"]


@pytest.fixture
def live(database: Any) -> Live:
    """A live record."""
    return Live(database)


@given(st.integers(0, PREFIXES), st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
@settings(max_examples=200)
def test_a_jump_leaves_room_and_goes_past_the_margin(used: int, one: int, two: int) -> None:
    """By at least the margin where there is room for it, never by more than a tenth of what is
    left; another chance, another place."""
    left = PREFIXES - used
    jumps = [recovery.prefix_jump(used, lambda n, c=c: c.to_bytes(n, "big")) for c in (one, two)]
    for jumped in jumps:
        assert jumped <= left // recovery.SHARE
        assert jumped >= min(recovery.PREFIX_MARGIN, left // recovery.SHARE)
    same = (one - two) % recovery.PREFIX_MARGIN == 0
    assert (jumps[0] == jumps[1]) == (same or jumps[0] == left // recovery.SHARE == jumps[1])
    assert recovery.first_free([(5, 7), (0, 5)], 99, 10_000) == 12
    assert recovery.first_free([], one % 10**6, 10_000) <= 1_000


def test_two_restorations_of_one_backup_begin_at_two_places(bench: Bench, tmp_path: Path) -> None:
    """By chance: so they do not give out the same, as long as neither gives out very many."""
    out = backed_up(bench)
    firsts = set()
    for name in ("one", "two"):
        url = f"sqlite:///{tmp_path}/{name}.db"
        with restored(bench, out, url) as record, record.read() as view:
            firsts.add(view.product_of(view.lot(bench.lot)).prefixes_used)
    assert len(firsts) == 2
