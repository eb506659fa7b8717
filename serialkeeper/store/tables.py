"""The tables of a record, each named as what it is.

    replayed   replaying the journal gives exactly these rows
    journal    entries and their parts: append-only
    sealed     original files and credentials; an entry holds their SHA-256
    working    heads of chains, labels by state: recomputed and compared by `record verify`; wrong
               passwords in a row: nothing rests on them but how long one waits; how destinations
               were met last: for people who look

Column types are TEXT, INTEGER and BLOB only (SQLite STRICT). Times are RFC 3339 UTC text.
Every unique key of a lot's tables contains `product_id`, so that a distributed database
could keep a product's rows together.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, TypeVar

from sqlalchemy import (
    CheckConstraint,
    Connection,
    MetaData,
    Table,
    UniqueConstraint,
    event,
)
from sqlalchemy.orm import class_mapper
from sqlmodel import SQLModel

from serialkeeper.rules.moves import State
from serialkeeper.store.challenge_tables import Challenge, ChallengeRun, Plant
from serialkeeper.store.columns import (
    FILL,
    OPTIONS,
    ROWID,
    TEXT,
    added_text_column,
    blob_column,
    key_column,
    text_column,
    whole_column,
)
from serialkeeper.store.destination_tables import DestinationRow, DocumentRow, Sending
from serialkeeper.store.hold_tables import HoldRow
from serialkeeper.store.import_tables import Extra, Location, NumberImport
from serialkeeper.store.line_tables import (
    AlarmRow,
    AlarmRules,
    FindingRow,
    FollowRow,
    KeptProfile,
    Mark,
    Proof,
    Removal,
    Replacement,
    Roll,
    Take,
)
from serialkeeper.store.pack_tables import Packed, PackLabel, PackRow, SsccRange, SsccStock
from serialkeeper.store.people_tables import (
    Attempt,
    Credential,
    PasswordRules,
    Person,
    Pin,
    Session,
    SignInAlarm,
    TokenRow,
)
from serialkeeper.store.review_tables import ReviewRow
from serialkeeper.store.run_tables import RunEvent


class Setting(SQLModel, table=True):
    """A fact of the whole record: practice or live, when it was made."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "setting"
    __table_args__ = OPTIONS
    name: str = key_column(TEXT)
    value: str = text_column()


class Station(SQLModel, table=True):
    """Where people work on the record. A record that names its stations takes entries from
    these only."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "station"
    __table_args__ = (UniqueConstraint("name"), ROWID)
    id: int = key_column()
    name: str = text_column()
    location: int = whole_column()
    added: str = text_column()


class Product(SQLModel, table=True):
    """A trade item with a GTIN, and how its labels are built."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "product"
    __table_args__ = (UniqueConstraint("gtin"), ROWID)
    id: int = key_column()
    gtin: str = text_column()
    name: str = text_column()
    prefix_length: int = whole_column()
    ai_order: str = text_column()
    serial_length: int = whole_column()
    minimum_grade: int = whole_column()
    prefix_start: int = whole_column()
    prefix_step: int = whole_column()
    prefixes_used: int = whole_column()
    layout: str = added_text_column()
    packs: str = added_text_column()


class Lot(SQLModel, table=True):
    """One manufacturing lot of a product. From `approved` on its facts are frozen.

    `place` is where it is worked on: digits of the company prefix, GLN, extension and time zone
    with blanks between, or empty; the zone is missing in lots of earlier versions.
    `production_order` is a URI, or empty."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "lot"
    __table_args__ = (UniqueConstraint("product_id", "number"), OPTIONS)
    product_id: int = key_column()
    id: int = key_column()
    number: str = text_column()
    expiry: str = text_column()
    target: int = whole_column()
    state: str = text_column()
    labels: int = whole_column()
    commission_at: str = text_column()
    market: str = text_column()
    artwork: str = text_column()
    gtin: str = text_column()
    prefix_length: int = whole_column()
    ai_order: str = text_column()
    minimum_grade: int = whole_column()
    group_limit: int = whole_column()
    layout: str = added_text_column()
    packs: str = added_text_column()
    place: str = added_text_column()
    production_order: str = added_text_column()

    @property
    def full_name(self) -> str:
        """The lot's name that no other lot has: GTIN/LOT."""
        return f"{self.gtin}/{self.number}"


class Allocation(SQLModel, table=True):
    """Numbers given to a lot in one go; `done` < `count` while it is unfinished."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "allocation"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    source: str = text_column()
    first: int = whole_column()
    count: int = whole_column()
    done: int = whole_column()
    prefix_first: int = whole_column()
    prefix_count: int = whole_column()


class Label(SQLModel, table=True):
    """One carrier of one number; `state` is a letter of `rules.moves.State`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "label"
    __table_args__ = (
        UniqueConstraint("serial", "product_id"),  # the text first: cheaper to fill
        # The commonest first: a row costs one comparison, and no pattern.
        CheckConstraint(" OR ".join(f"state = '{one}'" for one in State), name="label_state"),
        OPTIONS | FILL,
    )
    product_id: int = key_column()
    lot_id: int = key_column()
    position: int = key_column()
    serial: str = text_column()
    state: str = text_column()


class Job(SQLModel, table=True):
    """One print hand-off; `ranges` are the positions in it, as `first-last ...`."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "job"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    first: int = whole_column()
    last: int = whole_column()
    count: int = whole_column()
    lanes: int = whole_column()
    rows: int = whole_column()
    by: str = text_column()
    ranges: str = text_column()
    name: str = text_column()
    sha256: str = text_column()
    size: int = whole_column()


class Departure(SQLModel, table=True):
    """Why a range of labels was voided or decommissioned."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "departure"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    seq: int = key_column()
    first: int = key_column()
    last: int = whole_column()
    state: str = text_column()
    reason: str = text_column()


class Tally(SQLModel, table=True):
    """One count entered by a person."""

    kind: ClassVar[str] = "replayed"
    __tablename__ = "tally"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    id: int = key_column()
    term: str = text_column()
    value: int = whole_column()
    witness: str = text_column()
    reason: str = text_column()
    at: str = text_column()


class Chain(SQLModel, table=True):
    """The head of a chain: how many entries it has and the last one's hash. The only lock.

    The house's chain has the product and the lot 0."""

    kind: ClassVar[str] = "working"
    __tablename__ = "chain"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    count: int = whole_column()
    head: bytes = blob_column()


class LabelCount(SQLModel, table=True):
    """How many labels of a lot are in each state; `pulled` are rejected ones that were active."""

    kind: ClassVar[str] = "working"
    __tablename__ = "label_count"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    allocated: int = whole_column()
    issued: int = whole_column()
    verified: int = whole_column()
    commissioned: int = whole_column()
    rejected: int = whole_column()
    pulled: int = whole_column()
    voided: int = whole_column()
    decommissioned: int = whole_column()


class EntryRow(SQLModel, table=True):
    """One journal entry: its exact canonical bytes and its hash."""

    kind: ClassVar[str] = "journal"
    __tablename__ = "entry"
    __table_args__ = OPTIONS
    product_id: int = key_column()
    lot_id: int = key_column()
    seq: int = key_column()
    body: bytes = blob_column()
    hash: bytes = blob_column()


class PartRow(SQLModel, table=True):
    """Packed detail of one entry for one block of 10,000 positions."""

    kind: ClassVar[str] = "journal"
    __tablename__ = "part"
    __table_args__ = ROWID
    product_id: int = key_column()
    lot_id: int = key_column()
    block: int = key_column()
    seq: int = key_column()
    part_kind: str = key_column(TEXT)
    first: int = whole_column()
    count: int = whole_column()
    data: bytes = blob_column()


class Original(SQLModel, table=True):
    """A piece of a results file as it came, gzip; its SHA-256 stands in an entry."""

    kind: ClassVar[str] = "sealed"
    __tablename__ = "original"
    __table_args__ = ROWID
    product_id: int = key_column()
    lot_id: int = key_column()
    sha256: str = key_column(TEXT)
    piece: int = key_column()
    data: bytes = blob_column()


MODELS: tuple[type[SQLModel], ...] = (
    Setting,
    Station,
    Person,
    Product,
    Location,
    KeptProfile,
    Lot,
    Allocation,
    Label,
    NumberImport,
    Extra,
    Job,
    Take,
    FollowRow,
    AlarmRow,
    AlarmRules,
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
    SsccRange,
    SsccStock,
    PackRow,
    Packed,
    PackLabel,
    HoldRow,
    ReviewRow,
    RunEvent,
    DestinationRow,
    DocumentRow,
    Sending,
    Credential,
    Pin,
    Session,
    TokenRow,
    Attempt,
    SignInAlarm,
    PasswordRules,
    Chain,
    LabelCount,
    EntryRow,
    PartRow,
    Original,
)
"""Every table, in the order in which they are made."""

METADATA: MetaData = SQLModel.metadata

Model = TypeVar("Model", bound=SQLModel)

APPEND_ONLY = {
    "entry": "product_id = NEW.product_id AND lot_id = NEW.lot_id AND seq = NEW.seq",
    "part": "product_id = NEW.product_id AND lot_id = NEW.lot_id AND block = NEW.block "
    "AND seq = NEW.seq AND part_kind = NEW.part_kind",
    "original": "product_id = NEW.product_id AND lot_id = NEW.lot_id "
    "AND sha256 = NEW.sha256 AND piece = NEW.piece",
}
"""Tables whose rows are never changed, and what makes a row the same as a new one."""


def guards(dialect: str) -> list[str]:
    """Statements that keep the journal append-only, and the labels.

    They protect from mistakes; what protects from an attacker are the hashes. In SQLite INSERT OR
    REPLACE would delete without firing a delete trigger, so a taken key is refused too. In
    PostgreSQL parts and originals are kept as they are, without another compression.
    """
    return _POSTGRESQL if dialect == "postgresql" else _sqlite_triggers()


def _sqlite_triggers() -> list[str]:
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


_STOP = "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change"
_POSTGRESQL = [
    "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION USING MESSAGE = TG_ARGV[0], ERRCODE = 'restrict_violation'; END $$",
    *(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"{_STOP}('{table} is append-only')"
        for table in APPEND_ONLY
    ),
    "CREATE TRIGGER label_no_delete BEFORE DELETE OR TRUNCATE ON label "
    f"{_STOP}('labels are never deleted')",
    "ALTER TABLE part ALTER COLUMN data SET STORAGE EXTERNAL",
    "ALTER TABLE original ALTER COLUMN data SET STORAGE EXTERNAL",
]


def table_of(model: type[SQLModel]) -> Table:
    """The Core table behind a model, for typed columns in queries."""
    return METADATA.tables[str(model.__tablename__)]


def made_of(row: Mapping[Any, Any], model: type[Model]) -> Model:
    """A row as its model, as a session loads it; the model's own way takes fifty times as long."""
    made = class_mapper(model).class_manager.new_instance()
    vars(made).update(row)
    return made


@event.listens_for(METADATA, "after_create")
def _add_guards(_target: MetaData, connection: Connection, **_: Any) -> None:
    for statement in guards(connection.dialect.name):
        connection.exec_driver_sql(statement)
