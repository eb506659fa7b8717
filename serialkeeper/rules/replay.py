"""What each journal entry does to the tables.

Steps never touch a table: they write an entry, and the changes that follow from it are
worked out here, for the live record and for its replay alike. So the tables are what the
journal says by construction, and `record verify` can prove that they still are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from serialkeeper.errors import Damaged
from serialkeeper.rules import (
    corrections,
    destinations,
    documents,
    holds,
    lot_entries,
    pack_entries,
    people_entries,
    review,
    runs,
    signatures,
)
from serialkeeper.rules.chain import HOUSE, Entry, LotKey
from serialkeeper.rules.changes import (
    AddExtras,
    AddFindings,
    AddLabels,
    AddProofs,
    Change,
    Insert,
    MoveLabels,
    Row,
    SetStates,
    SettleFindings,
    Update,
)
from serialkeeper.rules.jobs import write_ranges
from serialkeeper.rules.lot_entries import as_text, lot_row
from serialkeeper.rules.moves import State
from serialkeeper.rules.recovery import RECOVERY

KEEPING = ("take started", "challenge run")
"""Verbs that name a kept file: `sha256` of it, `pieces`, and `packed`, the pieces' own SHA-256."""


def changes(entry: Entry, key: LotKey) -> list[Change]:
    """What the entry does, in order.

    Args:
        entry: any entry.
        key: which chain it stands in.
    """
    made = _HANDLERS.get(entry.verb)
    if made is None or (key == HOUSE) != (entry.verb in HOUSE_VERBS):
        raise Damaged(
            "chain_broken",
            f"The journal holds an entry that means nothing here: {entry.verb!r}.",
            where=f"chain {entry.chain}, entry {entry.seq}",
            remedy="Use the version that wrote the record, or one after it.",
        )
    return made(signatures.bare(entry), key.row())


def _record_made(entry: Entry, _key: Row) -> list[Change]:
    return [
        Insert("setting", {"name": name, "value": value})
        for name, value in sorted(entry.data.items())
    ]


def _record_moved(entry: Entry, _key: Row) -> list[Change]:
    told = {"moved_to": entry.data["to"], "generation": str(entry.data["generation"] - 1)}
    if entry.data["generation"] == 2:  # no move before this one
        return [Insert("setting", {"name": name, "value": told[name]}) for name in told]
    return [Update("setting", {"name": name}, {"value": told[name]}) for name in told]


def _opened_again(entry: Entry, _key: Row) -> list[Change]:
    told = {"moved_to": "", "generation": str(entry.data["generation"])}
    return [Update("setting", {"name": name}, {"value": told[name]}) for name in told]


def _checkpoint_made(entry: Entry, _key: Row) -> list[Change]:
    if not entry.data.get("noted"):  # no custodian was ever named
        return []
    return [Update("setting", {"name": "checkpoint_at"}, {"value": entry.data["at"]})]


def _custodian_named(entry: Entry, _key: Row) -> list[Change]:
    told = {
        "custodian": entry.data["folder"],
        "checkpoint_every": str(entry.data["minutes"]),
        "checkpoint_at": "",
    }
    if entry.data["first"]:
        return [Insert("setting", {"name": name, "value": told[name]}) for name in told]
    return [Update("setting", {"name": name}, {"value": told[name]}) for name in told]


def _record_recovered(entry: Entry, _key: Row) -> list[Change]:
    begin = str(entry.data["sscc_from"])
    made: list[Change] = [Update("setting", {"name": "moved_to"}, {"value": ""})]
    if entry.data["again"]:
        return [*made, Update("setting", {"name": "sscc_from"}, {"value": begin})]
    return [*made, Insert("setting", {"name": "sscc_from", "value": begin})]


def _restored(entry: Entry, _key: Row) -> list[Change]:
    told = {"moved_to": RECOVERY, "generation": str(entry.data["generation"])}
    return [Update("setting", {"name": name}, {"value": told[name]}) for name in told]


def _station_added(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("station", {**entry.data, "added": entry.at})]


def _product_added(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("product", {"layout": "", **entry.data, "prefixes_used": 0, "packs": ""})]


def _layout_set(entry: Entry, _key: Row) -> list[Change]:
    data = entry.data
    return [Update("product", {"id": data["product_id"]}, {"layout": as_text(data["layout"])})]


def _packs_set(entry: Entry, _key: Row) -> list[Change]:
    data = entry.data
    return [Update("product", {"id": data["product_id"]}, {"packs": as_text(data["packs"])})]


def _location_added(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("location", dict(entry.data))]


def _profile_kept(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("profile", {**entry.data, "at": entry.at})]


def _prefixes_reserved(entry: Entry, _key: Row) -> list[Change]:
    used = entry.data["first"] + entry.data["count"]
    return [Update("product", {"id": entry.data["product_id"]}, {"prefixes_used": used})]


def _nothing(_entry: Entry, _key: Row) -> list[Change]:
    return []


def _allocation_started(entry: Entry, key: Row) -> list[Change]:
    data = {name: value for name, value in entry.data.items() if name != "lot_state"}
    planned = {"labels": data["first"] + data["count"] - 1, "state": entry.data["lot_state"]}
    return [Insert("allocation", {**key, **data, "done": 0}), lot_row(key, planned)]


def _numbers_imported(entry: Entry, key: Row) -> list[Change]:
    data = {name: value for name, value in entry.data.items() if name != "lot_state"}
    allocation = {name: data[name] for name in ("id", "first", "count")}
    allocation |= {"source": "imported", "done": 0, "prefix_first": 0, "prefix_count": 0}
    planned = {"labels": data["first"] + data["count"] - 1, "state": entry.data["lot_state"]}
    return [
        Insert("allocation", {**key, **allocation}),
        Insert("number_import", {**key, **data, "at": entry.at}),
        lot_row(key, planned),
    ]


def _allocation_moved(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    values = {"prefix_first": data["prefix_first"]}
    return [Update("allocation", {**key, "id": data["allocation"]}, values)]


def _import_given_up(entry: Entry, key: Row) -> list[Change]:
    id_, first, done = (entry.data[name] for name in ("id", "first", "done"))
    return [
        Update("allocation", {**key, "id": id_}, {"count": done}),
        Update("number_import", {**key, "id": id_}, {"count": done}),
        lot_row(key, {"labels": first + done - 1}),
    ]


def _allocated(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    return [
        *(AddExtras(part) if part.kind == "extras" else AddLabels(part) for part in entry.parts),
        Update("allocation", {**key, "id": data["allocation"]}, {"done": data["done"]}),
    ]


def _issued(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    job = {name: value for name, value in data.items() if name not in ("ranges", "name")}
    issue = State.ALLOCATED.value, State.ISSUED.value
    return [
        Insert("job", {**key, **job, "ranges": write_ranges(data["ranges"]), "name": data["name"]}),
        *(MoveLabels(first, last, *issue) for first, last in data["ranges"]),
        lot_row(key, {"state": "running"}),
    ]


def _take_started(entry: Entry, key: Row) -> list[Change]:
    data = {name: value for name, value in entry.data.items() if name not in ("pieces", "packed")}
    # Entries from before there were camera profiles, or rolls, name none.
    data = {"profile": "", "roll": 0, **data}
    return [Insert("take", {**key, **data, "state": "unfinished", "through": 0, "at": entry.at})]


def _taken(entry: Entry, key: Row) -> list[Change]:
    take = entry.data["take"]
    # A label that was missing and is now read is missing no more.
    made: list[Change] = [SettleFindings(first, last) for first, last in entry.data["found"]]
    for part in entry.parts:
        match part.kind:
            case "states":
                made.append(SetStates(part))
            case "findings":
                made.append(AddFindings(take, entry.seq, part))
            case _:
                made.append(AddProofs(take, entry.seq, part))
    made.append(Update("take", {**key, "id": take}, {"through": entry.data["through"]}))
    made.append(lot_row(key, {"state": "running"}))
    return made


def _take_finished(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    made: list[Change] = [Update("take", {**key, "id": data["take"]}, {"state": "finished"})]
    if data.get("follow"):
        values = {"state": "finished", "take": data["take"]}
        made.append(Update("follow", {**key, "id": data["follow"]}, values))
    # Entries from before alarms were acknowledged only tell them.
    return [*made, *_alarmed(entry, key, take=data["take"], follow=data.get("follow", 0))]


def _alarmed(entry: Entry, key: Row, *, take: int, follow: int) -> list[Change]:
    """Alarms that an entry raises, and those that it finds to have grown."""
    made: list[Change] = []
    for alarm in entry.data.get("raised", ()):
        row = {name: value for name, value in alarm.items() if name != "kind"}
        row |= {"word": alarm["kind"], "take": take, "follow": follow}
        row |= {"name": entry.data["name"], "station": entry.station, "at": entry.at}
        row |= {"state": "open", "person": "", "cause": "", "restart_check": ""}
        row |= {"held_first": 0, "held_last": 0, "acknowledged": ""}
        made.append(Insert("alarm", {**key, **row}))
    for alarm in entry.data.get("grown", ()):
        values = {name: value for name, value in alarm.items() if name != "id"}
        made.append(Update("alarm", {**key, "id": alarm["id"]}, values))
    return made


def _follow_started(entry: Entry, key: Row) -> list[Change]:
    row = {"size": 0, "sha256": "", "readings": 0, "state": "following", "take": 0}
    return [
        Insert("follow", {**key, **entry.data, **row, "station": entry.station, "at": entry.at})
    ]


def _followed(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    values = {name: data[name] for name in ("size", "sha256", "readings")}
    values["station"] = entry.station  # another one's, if that took it over
    made: list[Change] = [Update("follow", {**key, "id": data["follow"]}, values)]
    return [*made, *_alarmed(entry, key, take=0, follow=data["follow"])]


def _finish_asked(entry: Entry, key: Row) -> list[Change]:
    return [Update("follow", {**key, "id": entry.data["follow"]}, {"state": "finishing"})]


def _alarms_acknowledged(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    said = {"state": "acknowledged", "person": entry.person, "acknowledged": entry.at}
    said |= {"cause": data["cause"], "restart_check": data["restart_check"]}
    return [
        Update("alarm", {**key, "id": id_}, {**said, "held_first": first, "held_last": last})
        for id_, first, last in data["alarms"]
    ]


def _alarm_rules_set(entry: Entry, _key: Row) -> list[Change]:
    return [Insert("alarm_rules", {**entry.data, "at": entry.at})]


def _moved(entry: Entry, key: Row) -> list[Change]:
    moves = entry.data["moves"]
    made: list[Change] = [MoveLabels(*move) for move in moves]
    for first, last, _, target in moves:
        if target in (State.VOIDED.value, State.DECOMMISSIONED.value):
            row = {"first": first, "last": last, "state": target, "reason": entry.reason}
            made.append(Insert("departure", {**key, "seq": entry.seq, **row}))
    made.extend(SettleFindings(first, last) for first, last, *_ in entry.data["moves"])
    made.append(lot_row(key, {"state": entry.data["lot_state"]}))
    return made


def _settled(entry: Entry, _key: Row) -> list[Change]:
    return [SettleFindings(first, last) for first, last in entry.data["ranges"]]


def _roll_added(entry: Entry, key: Row) -> list[Change]:
    return [Insert("roll", {**key, **entry.data, "state": "open"})]


def _roll_slit(entry: Entry, key: Row) -> list[Change]:
    parent = Update("roll", {**key, "id": entry.data["roll"]}, {"state": "slit"})
    return [
        parent,
        *(Insert("roll", {**key, **one, "state": "open"}) for one in entry.data["rolls"]),
    ]


def _roll_turned(entry: Entry, key: Row) -> list[Change]:
    wound = {"wound": entry.data["wound"]}
    return [Update("roll", {**key, "id": entry.data["roll"]}, wound)]


def _roll_marked(entry: Entry, key: Row) -> list[Change]:
    row = {**key, "row": 0, "expected": 0, **entry.data}
    return [Insert("mark", {**row, "reason": entry.reason, "by": entry.person, "at": entry.at})]


def _labels_removed(entry: Entry, key: Row) -> list[Change]:
    data = entry.data
    row = {**key, "seq": entry.seq, "roll": data["roll"], "neighbour": data["neighbour"]}
    row |= {"by": entry.person, "at": entry.at}
    return [Insert("removal", {**row, "position": position}) for position in data["positions"]]


def _label_replaced(entry: Entry, key: Row) -> list[Change]:
    row = {**key, **entry.data, "seq": entry.seq, "reason": entry.reason}
    return [Insert("replacement", {**row, "by": entry.person, "at": entry.at})]


def _roll_released(entry: Entry, key: Row) -> list[Change]:
    return [Update("roll", {**key, "id": entry.data["roll"]}, {"state": "released"})]


def _counted(entry: Entry, key: Row) -> list[Change]:
    row = {**key, **entry.data, "reason": entry.reason, "at": entry.at}
    return [Insert("tally", row), lot_row(key, {"state": "running"})]


def _challenge_made(entry: Entry, key: Row) -> list[Change]:
    return [Insert("challenge", {**key, **entry.data, "at": entry.at})]


def _challenge_run(entry: Entry, key: Row) -> list[Change]:
    others = ("pieces", "packed", "run")
    data = {name: value for name, value in entry.data.items() if name not in others}
    made = Insert("challenge_run", {**key, **data, "station": entry.station, "at": entry.at})
    return [made, *runs.challenged_by_file(entry, key)]


def _planted(entry: Entry, key: Row) -> list[Change]:
    made = {**key, "person": entry.person, "at": entry.at}
    return [Insert("plant", {**made, **plant}) for plant in entry.data["plants"]]


_HOUSE: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "record made": _record_made,
    "record migrated": _nothing,
    "record moved": _record_moved,
    "move called off": _opened_again,
    "move confirmed": _nothing,
    "record taken over": _opened_again,
    "backup made": _nothing,
    "backup sealed": _record_moved,
    "record restored": _restored,
    "record recovered": _record_recovered,
    "station added": _station_added,
    "product added": _product_added,
    "location added": _location_added,
    "file imported": _nothing,
    "layout set": _layout_set,
    "packs set": _packs_set,
    "profile kept": _profile_kept,
    "alarm rules set": _alarm_rules_set,
    "prefixes reserved": _prefixes_reserved,
    "lot registered": _nothing,
    "lot closing noted": _nothing,
    "checkpoint key named": _nothing,
    "checkpoint made": _checkpoint_made,
    "custodian named": _custodian_named,
    **pack_entries.HOUSE_HANDLERS,
    **people_entries.HOUSE_HANDLERS,
    **destinations.HOUSE_HANDLERS,
}

_LOT: Mapping[str, Callable[[Entry, Row], list[Change]]] = {
    "allocation started": _allocation_started,
    "numbers imported": _numbers_imported,
    "allocated": _allocated,
    "allocation moved": _allocation_moved,
    "import given up": _import_given_up,
    "issued": _issued,
    "take started": _take_started,
    "taken": _taken,
    "take finished": _take_finished,
    "follow started": _follow_started,
    "followed": _followed,
    "finish asked": _finish_asked,
    "alarms acknowledged": _alarms_acknowledged,
    "accepted": _moved,
    "voided": _moved,
    "numbers returned": _moved,
    "decommissioned": _moved,
    "corrected": corrections.corrected,
    "settled": _settled,
    "roll added": _roll_added,
    "roll slit": _roll_slit,
    "roll turned": _roll_turned,
    "roll marked": _roll_marked,
    "labels removed": _labels_removed,
    "label replaced": _label_replaced,
    "roll released": _roll_released,
    "counted": _counted,
    "destruction counted": _counted,
    "challenge made": _challenge_made,
    "challenge run": _challenge_run,
    "planted": _planted,
    "symbols written": _nothing,
    "events written": _nothing,
    "events checked": _nothing,
    "lot reported": _nothing,
    "lot decided": _nothing,
    **lot_entries.HANDLERS,
    **pack_entries.HANDLERS,
    **holds.HANDLERS,
    **runs.HANDLERS,
    **review.HANDLERS,
    **documents.HANDLERS,
}

_HANDLERS = {**_HOUSE, **_LOT}

HOUSE_VERBS = frozenset(_HOUSE)
"""Verbs of the house chain; all others belong to a lot's chain."""

VERBS = tuple(_HANDLERS)
"""Every verb of the journal."""
