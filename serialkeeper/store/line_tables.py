"""The tables of what happens at the line: files taken and followed, alarms, findings, rolls."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from serialkeeper.store.columns import (
    OPTIONS,
    ROWID,
    added_text_column,
    added_whole_column,
    key_column,
    text_column,
    whole_column,
)


class KeptProfile(SQLModel, table=True):
    """A camera profile: its TOML text under a name. Never edited; a change is a new name."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "profile"
    __table_args__ = (UniqueConstraint("name"), ROWID)
    id: int = key_column()
    name: str = text_column()
    text: str = text_column()
    sha256: str = text_column()
    at: str = text_column()


class Take(SQLModel, table=True):
    """One results file, read against the first `jobs` print jobs; `through` is the last block
    whose labels are written, plus one; `profile` is the camera profile, empty for our own file;
    `roll` is the roll that was read again, 0 for a first pass."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "take"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "sha256"), OPTIONS)
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    name: str = text_column()
    station: str = text_column()
    sha256: str = text_column()
    size: int = whole_column()
    jobs: int = whole_column()
    readings: int = whole_column()
    state: str = text_column()
    through: int = whole_column()
    at: str = text_column()
    profile: str = text_column()
    roll: int = whole_column()


class FollowRow(SQLModel, table=True):
    """A results file that is read while it grows: how far, and what its bytes hash to up to there.

    `state` is `following`, `finishing` once somebody said that it is finished, or `finished` when
    it was taken in; `take` is that take."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "follow"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    name: str = text_column()
    station: str = text_column()
    profile: str = text_column()
    size: int = whole_column()
    sha256: str = text_column()
    readings: int = whole_column()
    state: str = text_column()
    take: int = whole_column()
    at: str = text_column()


class AlarmRow(SQLModel, table=True):
    """A reason to stop and look, raised by a take or while a file was followed (`take`, `follow`:
    0 for none), and what somebody said of it when it was acknowledged."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "alarm"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    name: str = text_column()
    station: str = text_column()
    take: int = whole_column()
    follow: int = whole_column()
    word: str = text_column()
    lane: int = whole_column()
    first: int = whole_column()
    last: int = whole_column()
    labels: int = whole_column()
    at: str = text_column()
    state: str = text_column()
    person: str = text_column()
    cause: str = text_column()
    restart_check: str = text_column()
    held_first: int = whole_column()
    held_last: int = whole_column()
    acknowledged: str = text_column()


class AlarmRules(SQLModel, table=True):
    """When labels alarm at a station, from then on; the station's last row holds."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "alarm_rules"
    __table_args__ = ROWID
    id: int = key_column()
    station: str = text_column()
    in_a_row: int = whole_column()
    share: int = whole_column()
    window: int = whole_column()
    at: str = text_column()


class FindingRow(SQLModel, table=True):
    """What a take found wrong with one label; `seq` is the lot's entry that says so."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "finding"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    take: int = key_column()
    word: str = text_column()
    seen: str = text_column()
    detail: str = text_column()
    state: str = text_column()
    together: str = added_text_column()
    seq: int = added_whole_column()


class Roll(SQLModel, table=True):
    """A range of web rows of one print job on one core: all lanes (`lane` 0) before slitting,
    one lane after. `wound` says which end comes off first, `parent` what it was slit from."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "roll"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    parent: int = whole_column()
    job: int = whole_column()
    lane: int = whole_column()
    first_row: int = whole_column()
    last_row: int = whole_column()
    wound: str = text_column()
    state: str = text_column()


class Mark(SQLModel, table=True):
    """What somebody noted on a roll: a splice, blank labels, or a count at the rewinder beside
    what the record expected of it."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "mark"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    roll: int = whole_column()
    word: str = text_column()
    row: int = whole_column()
    labels: int = whole_column()
    expected: int = whole_column()
    reason: str = text_column()
    by: str = text_column()
    at: str = text_column()


class Removal(SQLModel, table=True):
    """A label that was taken off its roll, and the neighbour that was scanned before the cut."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "removal"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    seq: int = key_column()
    roll: int = whole_column()
    neighbour: int = whole_column()
    by: str = text_column()
    at: str = text_column()


class Replacement(SQLModel, table=True):
    """A good label that was put where a bad one stood; each keeps its own position."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "replacement"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "spare"), OPTIONS)
    product_id: int = key_column()
    lot_id: int = key_column()
    bad: int = key_column()
    spare: int = whole_column()
    roll: int = whole_column()
    seq: int = whole_column()
    reason: str = text_column()
    by: str = text_column()
    at: str = text_column()


class Proof(SQLModel, table=True):
    """What reading a roll again said of a label that should not be on it, or was not seen."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "proof"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    take: int = key_column()
    seq: int = whole_column()
    word: str = text_column()
    evidence: str = text_column()
    detail: str = text_column()
