"""The table of the public surface: from noun and verb, as on the command line, to a step.

A test holds it against the command tree.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from serialkeeper.errors import WrongUsage
from serialkeeper.outside import clock
from serialkeeper.rules.logistic import BARS
from serialkeeper.steps import (
    abandoning,
    agreeing,
    alarms,
    challenges,
    checkpoints,
    contents,
    correcting,
    destinations,
    discarding,
    drawings,
    exporting,
    handoff,
    history,
    holding,
    holds,
    images,
    importing,
    inspection,
    keeping,
    listing,
    locations,
    lot_reports,
    lots,
    moving,
    numbering,
    pack_checks,
    pack_files,
    pack_labels,
    packing,
    people,
    plants,
    practice,
    printing,
    products,
    profiling,
    proofs,
    reconciliation,
    repacking,
    reports,
    rereading,
    returning,
    reviewing,
    rolls,
    runs,
    scans,
    second_pass,
    sending,
    settling,
    shipping,
    signing_in,
    stations,
    symbols,
    tickets,
)
from serialkeeper.steps import pulls as lists
from serialkeeper.store.opening import migrate_record as _migrate
from serialkeeper.store.opening import open_record as _open
from serialkeeper.store.record import Record

Told = dict[str, Any]
"""What a step answers."""

scan = scans.scan


class person:
    """People who work on a record."""

    add = staticmethod(people.add)
    alarms = staticmethod(people.alarms)
    list = staticmethod(people.everybody)
    password = staticmethod(people.change_password)
    retire = staticmethod(people.retire)
    role = staticmethod(people.change_role)
    rules = staticmethod(people.rules)
    unlock = staticmethod(people.unlock)
    badge = staticmethod(signing_in.give_badge)
    pin = staticmethod(signing_in.change_pin)
    enter = staticmethod(signing_in.enter)
    leave = staticmethod(signing_in.leave)
    token = staticmethod(signing_in.give_token)
    tokens = staticmethod(signing_in.all_tokens)
    revoke = staticmethod(signing_in.revoke)


class location:
    """Sites and parts of them."""

    add = staticmethod(locations.add)
    import_ = staticmethod(locations.import_locations)
    list = staticmethod(locations.all_locations)
    show = staticmethod(locations.show)


class product:
    """Trade items."""

    add = staticmethod(products.add)
    import_ = staticmethod(products.import_products)
    layout = staticmethod(products.set_layout)
    packs = staticmethod(products.set_packs)
    list = staticmethod(products.all_products)
    show = staticmethod(products.show)


class lot:
    """Lots, from opening to closing."""

    open = staticmethod(lots.open_lot)
    approve = staticmethod(lots.approve)
    discard = staticmethod(discarding.discard)
    decide = staticmethod(lots.decide)
    list = staticmethod(lots.all_lots)
    show = staticmethod(lots.show)
    history = staticmethod(history.show)
    count = staticmethod(reconciliation.count)

    @staticmethod
    def reconcile(record: Record, name: str, *, hold: bool = False, pitch: float = 0) -> Told:
        """Compare both ledgers, or say what the smallest hold is.

        Args:
            hold: for the smallest hold.
            pitch: with `hold`, millimetres from label to label, so that places are told in metres.

        Refuses `lot_unknown`, `bad_value`, `role_not_allowed`. See `steps.holding` for the hold.
        """
        if hold:
            return holding.hold(record, name, pitch=pitch)
        return reconciliation.reconcile(record, name)

    close = staticmethod(reconciliation.close)
    report = staticmethod(lot_reports.write)
    reopen = staticmethod(lots.reopen)
    table = staticmethod(listing.write)


class serials:
    """Numbers."""

    allocate = staticmethod(numbering.allocate)
    import_ = staticmethod(importing.import_numbers)
    return_ = staticmethod(returning.return_numbers)
    abandon = staticmethod(abandoning.give_up)
    odds = staticmethod(numbering.odds)


class print:
    """Print hand-off."""

    write = staticmethod(printing.write)
    again = staticmethod(printing.again)
    proof = staticmethod(proofs.write)
    fit = staticmethod(symbols.check)
    sscc = staticmethod(symbols.sscc)
    symbols = staticmethod(symbols.write)


class inspect:
    """What the camera saw."""

    @staticmethod
    def take(
        record: Record, name: str, path: Path, *, profile: str = "", again_roll: int = 0
    ) -> Told:
        """Take in a results file: a first pass, or that of a roll that was read again.

        Args:
            path: the camera's file.
            profile: the camera profile that it is read by; our own form without.
            again_roll: the roll that was read again.

        Refuses what is wrong with the file (`results_...`), `take_unfinished`, `lot_state`,
        `profile_unknown`. See `steps.inspection.take` and `steps.second_pass.take`.
        """
        if again_roll:
            return second_pass.take(record, name, path, roll=again_roll, profile=profile)
        return inspection.take(record, name, path, profile=profile)

    images = staticmethod(images.read_images)
    follow = staticmethod(inspection.follow)
    profile = staticmethod(profiling.profile)
    rehearse = staticmethod(practice.rehearse)


class alarm:
    """Reasons to stop and look."""

    list = staticmethod(alarms.list_alarms)
    acknowledge = staticmethod(alarms.acknowledge)
    rules = staticmethod(alarms.rules)


class run:
    """A stretch of work at a station on one lot."""

    challenge = staticmethod(runs.challenge)
    clearance = staticmethod(runs.clearance)
    clock = staticmethod(runs.clock)
    end = staticmethod(runs.end)
    grade = staticmethod(runs.grade)
    list = staticmethod(runs.all_runs)
    show = staticmethod(runs.show)
    start = staticmethod(runs.start)
    stop = staticmethod(runs.stop)


class challenge:
    """Labels that are bad on purpose, to prove the reader."""

    make = staticmethod(challenges.make)
    run = staticmethod(challenges.run)
    plant = staticmethod(plants.plant)
    list = staticmethod(challenges.list_challenges)
    show = staticmethod(challenges.show)


class label:
    """Single labels and decisions on them."""

    show = staticmethod(reports.show_label)
    list = staticmethod(reports.list_labels)
    accept = staticmethod(settling.accept)
    void = staticmethod(settling.void)
    decommission = staticmethod(settling.decommission)
    correct = staticmethod(correcting.correct)
    replace = staticmethod(rolls.replace)
    settle = staticmethod(settling.settle)


class review:
    """What a second pair of eyes has to see before a lot closes."""

    list = staticmethod(reviewing.list_groups)
    show = staticmethod(reviewing.show)
    sign = staticmethod(reviewing.sign)


class roll:
    """Parent and finished rolls, what has to come off them, and their release."""

    add = staticmethod(rolls.add)
    slit = staticmethod(rolls.slit)
    turn = staticmethod(rolls.turn)
    mark = staticmethod(rolls.mark)
    count = staticmethod(rolls.count)
    removed = staticmethod(rolls.removed)
    list = staticmethod(rolls.all_rolls)
    show = staticmethod(tickets.show)
    release = staticmethod(tickets.release)
    draw = staticmethod(drawings.draw)
    pulls = staticmethod(lists.pulls)
    neighbour = staticmethod(lists.neighbour)


class pack:
    """Bundles, cases and pallets: filling, changing and showing them."""

    @staticmethod
    def build(
        record: Record,
        name: str,
        level: str,
        children: Sequence[str] = (),
        *,
        positions: str = "",
        into: str = "",
        file: Path | None = None,
        in_order: bool = False,
        count: int | None = None,
        reason: str = "",
    ) -> Told:
        """Fill one pack, the packs of a file, or packs in plan order.

        Args:
            level, children, positions, into, reason: of one pack, as in `steps.packing.build`.
            file: a list of packs and what is in them (`steps.pack_files.build_from_file`).
            in_order: fill `count` packs, or as many as there are units for, in the order of the
                plan (`steps.packing.build_in_order`).

        Refuses `level_unknown`, `not_packable`, `given_twice`, `packed_already`, `pack_full`,
        `pack_part`, `reason_needed`, `held`, `lot_state`, `ssccs_exhausted`, `role_not_allowed`.
        """
        if file:
            return pack_files.build_from_file(record, name, file, reason=reason)
        if in_order:
            return packing.build_in_order(record, name, level, count=count, reason=reason)
        return packing.build(
            record, name, level, children, positions=positions, into=into, reason=reason
        )

    @staticmethod
    def label(
        record: Record,
        name: str,
        *,
        out: Path | None = None,
        scan: str = "",
        carrier: str = BARS,
        x: float = 0,
        reason: str = "",
    ) -> Told:
        """Make a pack's label, or check it by a scan.

        Args:
            out, carrier, x, reason: of a label that is made, as in `steps.pack_labels.make`.
            scan: what was read off a label, without `out` (`steps.pack_labels.check`).

        Refuses `pack_unknown`, `reason_needed`, `bad_value`, `file_exists`, `role_not_allowed`.
        """
        if out:
            return pack_labels.make(record, name, out=out, carrier=carrier, x=x, reason=reason)
        return pack_labels.check(record, name, scan)

    number = staticmethod(packing.number)
    add = staticmethod(repacking.add)
    remove = staticmethod(repacking.remove)
    replace = staticmethod(repacking.replace)
    empty = staticmethod(repacking.empty)
    move = staticmethod(repacking.move)
    decommission = staticmethod(repacking.decommission)
    check = staticmethod(pack_checks.check)
    ship = staticmethod(shipping.ship)
    unship = staticmethod(shipping.unship)
    show = staticmethod(contents.show)
    list = staticmethod(contents.all_packs)


class hold:
    """What is neither packed nor sent until somebody lifts it."""

    place = staticmethod(holds.place)
    lift = staticmethod(holds.lift)
    list = staticmethod(holds.all_of)


class events:
    """Standard event files, and their way to those who want them."""

    check = staticmethod(agreeing.check)
    write = staticmethod(handoff.write_events)
    read = staticmethod(rereading.read_events)
    destination = staticmethod(destinations.set_up)
    send = staticmethod(sending.send)
    settle = staticmethod(destinations.settle)
    status = staticmethod(destinations.status)


class station:
    """Where people work on the record."""

    add = staticmethod(stations.add)
    list = staticmethod(stations.all_stations)


class record:
    """The record itself."""

    @staticmethod
    def migrate(
        url: str,
        *,
        person: str = "",
        password: str = "",
        station: str = "",
        now: Callable[[], datetime] = clock.now,
    ) -> Told:
        """Bring the record of an earlier version to this one.

        Args:
            url: where.
            person, password, station: who does it, where; as for `open_record`.

        Refuses what `open_record` does, but `record_outdated`.
        """
        return _migrate(
            url,
            person=person,
            password=lambda: password,
            station=station or clock.station(),
            now=now,
            chance=clock.chance(),
        )

    @staticmethod
    def copy(
        record: Record,
        to: str,
        *,
        call_off: bool = False,
        reason: str = "",
    ) -> Told:
        """Move the record to another database, or call that off.

        Args:
            to: an empty place, or one where an unfinished copy lies.
            call_off: stay here instead; with a `reason`.

        Refuses `record_exists`, `nothing_moved`, `record_moved`, `role_not_allowed`.
        """
        if call_off:
            return moving.call_off(record, to, reason=reason)
        return moving.copy(record, to)

    @staticmethod
    def restore(
        file: Path,
        to: str,
        *,
        person: str = "",
        password: str = "",
        station: str = "",
        now: Callable[[], datetime] = clock.now,
    ) -> Told:
        """Restore a backup to an empty place.

        Args:
            file: the backup.
            to: the URL of the place.
            person, password, station: who does it, where; as for `open_record`.

        Refuses `no_backup`, `record_exists`, and what `open_record` does. See
        `steps.keeping.restore`.
        """

        def opened(url: str) -> Record:
            return _open(
                url,
                person=person,
                password=lambda: password,
                station=station or clock.station(),
                now=now,
                chance=clock.chance(),
            )

        return keeping.restore(opened, file, to)

    @staticmethod
    def export(
        record: Record | None, out: Path | None = None, *, check: Path | None = None
    ) -> Told:
        """Write a complete copy of the record that can be read without this program, or check one.

        Args:
            record: whose copy; None to check one.
            out: the folder to make.
            check: a copy's folder.

        Refuses `file_exists`, `export_differs`. See `steps.exporting`.
        """
        if check:
            return exporting.check(check)
        if record is None or out is None:
            raise WrongUsage("usage", "Give a record and a folder, or a folder to check.")
        return exporting.write(record, out)

    backup = staticmethod(keeping.backup)
    recover = staticmethod(keeping.recover)
    checkpoint = staticmethod(checkpoints.write)
    custodian = staticmethod(checkpoints.custodian)
    key = staticmethod(checkpoints.make_key)
    prove = staticmethod(checkpoints.prove)
    verify = staticmethod(reports.verify_record)
    entries = staticmethod(reports.list_entries)
