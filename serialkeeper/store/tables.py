"""The tables of a record, each named as what it is.

    replayed   replaying the journal gives exactly these rows
    journal    entries and their parts: append-only
    sealed     original files; an entry holds their SHA-256
    working    heads of chains: recomputed and compared by `record verify`

Column types are TEXT, INTEGER and BLOB only (SQLite STRICT). Times are RFC 3339 UTC text.
Every unique key of a lot's tables contains `product_id`, so that a distributed database
could keep a product's rows together.
"""

from __future__ import annotations

from typing import Any, ClassVar

from sqlalchemy import CheckConstraint, Connection, MetaData, Table, UniqueConstraint, event
from sqlmodel import Field, SQLModel

from serialkeeper.store.challenge_tables import Challenge, ChallengeRun, Plant
from serialkeeper.store.columns import OPTIONS as _OPTIONS
from serialkeeper.store.columns import ROWID as _ROWID
from serialkeeper.store.columns import TEXT as _TEXT
from serialkeeper.store.columns import key as _key
from serialkeeper.store.columns import octets as _bytes
from serialkeeper.store.columns import text as _text
from serialkeeper.store.columns import whole as _whole


class Setting(SQLModel, table=True):
    """A fact of the whole record: practice or live, when it was made."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "setting"
    __table_args__ = _OPTIONS
    name: str = _key(_TEXT)
    value: str = _text()


class Person(SQLModel, table=True):
    """Somebody who works on the record. Names stay for ever."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "person"
    __table_args__ = (UniqueConstraint("name"), _ROWID)
    id: int = _key()
    name: str = _text()
    role: str = _text()
    account: str = _text()
    added: str = _text()


class Product(SQLModel, table=True):
    """A trade item with a GTIN, and how its labels are built."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "product"
    __table_args__ = (UniqueConstraint("gtin"), _ROWID)
    id: int = _key()
    gtin: str = _text()
    name: str = _text()
    prefix_length: int = _whole()
    ai_order: str = _text()
    serial_length: int = _whole()
    minimum_grade: int = _whole()
    prefix_start: int = _whole()
    prefix_step: int = _whole()
    prefixes_used: int = _whole()


class KeptProfile(SQLModel, table=True):
    """A camera profile: its TOML text under a name. Never edited; a change is a new name."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "profile"
    __table_args__ = (UniqueConstraint("name"), _ROWID)
    id: int = _key()
    name: str = _text()
    text: str = _text()
    sha256: str = _text()
    at: str = _text()


class Lot(SQLModel, table=True):
    """One manufacturing lot of a product. From `approved` on its facts are frozen."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "lot"
    __table_args__ = (UniqueConstraint("product_id", "number"), _OPTIONS)
    product_id: int = _key()
    id: int = _key()
    number: str = _text()
    expiry: str = _text()
    target: int = _whole()
    state: str = _text()
    labels: int = _whole()
    commission_at: str = _text()
    market: str = _text()
    artwork: str = _text()
    gtin: str = _text()
    prefix_length: int = _whole()
    ai_order: str = _text()
    minimum_grade: int = _whole()
    group_limit: int = _whole()

    @property
    def full_name(self) -> str:
        """The lot's name that no other lot has: GTIN/LOT."""
        return f"{self.gtin}/{self.number}"


class Allocation(SQLModel, table=True):
    """Numbers given to a lot in one go; `done` < `count` while it is unfinished."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "allocation"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    source: str = _text()
    first: int = _whole()
    count: int = _whole()
    done: int = _whole()
    prefix_first: int = _whole()
    prefix_count: int = _whole()


class Label(SQLModel, table=True):
    """One carrier of one number; `state` is a letter of `rules.moves.State`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "label"
    __table_args__ = (
        UniqueConstraint("serial", "product_id"),  # the text first: cheaper to fill
        CheckConstraint("state GLOB '[aivcrRxd]'", name="label_state"),
        _OPTIONS,
    )
    product_id: int = _key()
    lot_id: int = _key()
    position: int = _key()
    serial: str = _text()
    state: str = _text()


class Job(SQLModel, table=True):
    """One print hand-off; `ranges` are the positions in it, as `first-last ...`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "job"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    first: int = _whole()
    last: int = _whole()
    count: int = _whole()
    lanes: int = _whole()
    rows: int = _whole()
    by: str = _text()
    ranges: str = _text()
    name: str = _text()
    sha256: str = _text()
    size: int = _whole()


class Take(SQLModel, table=True):
    """One results file, read against the first `jobs` print jobs; `through` is the last block
    whose labels are written, plus one; `profile` is the camera profile, empty for our own file;
    `roll` is the roll that was read again, 0 for a first pass."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "take"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "sha256"), _OPTIONS)
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    name: str = _text()
    station: str = _text()
    sha256: str = _text()
    size: int = _whole()
    jobs: int = _whole()
    readings: int = _whole()
    state: str = _text()
    through: int = _whole()
    at: str = _text()
    profile: str = _text()
    roll: int = _whole()


class FindingRow(SQLModel, table=True):
    """What a take found wrong with one label."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "finding"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    position: int = _key()
    take: int = _key()
    word: str = _text()
    seen: str = _text()
    detail: str = _text()
    state: str = _text()
    together: str = Field(sa_type=_TEXT, sa_column_kwargs={"server_default": ""})


class Roll(SQLModel, table=True):
    """A range of web rows of one print job on one core: all lanes (`lane` 0) before slitting,
    one lane after. `wound` says which end comes off first, `parent` what it was slit from."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "roll"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    parent: int = _whole()
    job: int = _whole()
    lane: int = _whole()
    first_row: int = _whole()
    last_row: int = _whole()
    wound: str = _text()
    state: str = _text()


class Mark(SQLModel, table=True):
    """What somebody noted on a roll: a splice, blank labels, or a count at the rewinder beside
    what the record expected of it."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "mark"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    roll: int = _whole()
    word: str = _text()
    row: int = _whole()
    labels: int = _whole()
    expected: int = _whole()
    reason: str = _text()
    by: str = _text()
    at: str = _text()


class Removal(SQLModel, table=True):
    """A label that was taken off its roll, and the neighbour that was scanned before the cut."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "removal"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    position: int = _key()
    seq: int = _key()
    roll: int = _whole()
    neighbour: int = _whole()
    by: str = _text()
    at: str = _text()


class Replacement(SQLModel, table=True):
    """A good label that was put where a bad one stood; each keeps its own position."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "replacement"
    __table_args__ = (UniqueConstraint("product_id", "lot_id", "spare"), _OPTIONS)
    product_id: int = _key()
    lot_id: int = _key()
    bad: int = _key()
    spare: int = _whole()
    roll: int = _whole()
    seq: int = _whole()
    reason: str = _text()
    by: str = _text()
    at: str = _text()


class Proof(SQLModel, table=True):
    """What reading a roll again said of a label that should not be on it, or was not seen."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "proof"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    position: int = _key()
    take: int = _key()
    seq: int = _whole()
    word: str = _text()
    evidence: str = _text()
    detail: str = _text()


class Departure(SQLModel, table=True):
    """Why a range of labels was voided or decommissioned."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "departure"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    seq: int = _key()
    first: int = _key()
    last: int = _whole()
    state: str = _text()
    reason: str = _text()


class Tally(SQLModel, table=True):
    """One count entered by a person."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "tally"
    __table_args__ = _OPTIONS
    product_id: int = _key()
    lot_id: int = _key()
    id: int = _key()
    term: str = _text()
    value: int = _whole()
    witness: str = _text()
    reason: str = _text()
    at: str = _text()


class Chain(SQLModel, table=True):
    """The head of a chain: how many entries it has and the last one's hash. The only lock."""

    kind: ClassVar[str] = "working"
    __tablename__ = "chain"
    __table_args__ = _ROWID
    id: int = _key()
    count: int = _whole()
    head: bytes = _bytes()


class EntryRow(SQLModel, table=True):
    """One journal entry: its exact canonical bytes and its hash."""

    kind: ClassVar[str] = "journal"
    __tablename__ = "entry"
    __table_args__ = _OPTIONS
    chain: int = _key()
    seq: int = _key()
    body: bytes = _bytes()
    hash: bytes = _bytes()


class PartRow(SQLModel, table=True):
    """Packed detail of one entry for one block of 10,000 positions."""

    kind: ClassVar[str] = "journal"
    __tablename__ = "part"
    __table_args__ = _ROWID
    product_id: int = _key()
    lot_id: int = _key()
    block: int = _key()
    seq: int = _key()
    part_kind: str = _key(_TEXT)
    first: int = _whole()
    count: int = _whole()
    data: bytes = _bytes()


class Original(SQLModel, table=True):
    """A piece of a results file as it came, gzip; its SHA-256 stands in an entry."""

    kind: ClassVar[str] = "sealed"
    __tablename__ = "original"
    __table_args__ = _ROWID
    product_id: int = _key()
    lot_id: int = _key()
    sha256: str = _key(_TEXT)
    piece: int = _key()
    data: bytes = _bytes()


MODELS: tuple[type[SQLModel], ...] = (
    Setting,
    Person,
    Product,
    KeptProfile,
    Lot,
    Allocation,
    Label,
    Job,
    Take,
    FindingRow,
    Roll,
    Mark,
    Removal,
    Replacement,
    Proof,
    Departure,
    Tally,
    Challenge,
    ChallengeRun,
    Plant,
    Chain,
    EntryRow,
    PartRow,
    Original,
)
"""Every table, in the order in which they are made."""

METADATA: MetaData = SQLModel.metadata

APPEND_ONLY = {
    "entry": "chain = NEW.chain AND seq = NEW.seq",
    "part": "product_id = NEW.product_id AND lot_id = NEW.lot_id AND block = NEW.block "
    "AND seq = NEW.seq AND part_kind = NEW.part_kind",
    "original": "product_id = NEW.product_id AND lot_id = NEW.lot_id "
    "AND sha256 = NEW.sha256 AND piece = NEW.piece",
}
"""Tables whose rows are never changed, and what makes a row the same as a new one."""


def triggers() -> list[str]:
    """Statements that keep the journal append-only in SQLite.

    They protect from mistakes; what protects from an attacker are the hashes. INSERT OR
    REPLACE would delete without firing a delete trigger, so a taken key is refused too.
    """
    made = []
    for table, same in APPEND_ONLY.items():
        stop = f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        made.append(f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {stop}")
        made.append(f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {stop}")
        made.append(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) {stop}"
        )
    stop = "BEGIN SELECT RAISE(ABORT, 'labels are never deleted'); END"
    made.append(f"CREATE TRIGGER label_no_delete BEFORE DELETE ON label {stop}")
    return made


def table_of(model: type[SQLModel]) -> Table:
    """The Core table behind a model, for typed columns in queries."""
    return METADATA.tables[str(model.__tablename__)]


@event.listens_for(METADATA, "after_create")
def _add_triggers(_target: MetaData, connection: Connection, **_: Any) -> None:
    for statement in triggers():
        connection.exec_driver_sql(statement)
