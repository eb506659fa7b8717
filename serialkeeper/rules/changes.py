"""What an entry can do to the tables; `rules.replay` says what each entry does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from serialkeeper.rules.chain import PartRef

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Insert:
    """A new row of a small table."""

    table: str
    row: Row


@dataclass(frozen=True, slots=True)
class Update:
    """New values in the one row with that key."""

    table: str
    key: Row
    values: Row


@dataclass(frozen=True, slots=True)
class AddLabels:
    """One label per number of a `serials` part, allocated."""

    part: PartRef


@dataclass(frozen=True, slots=True)
class AddExtras:
    """What is printed with each of some imported numbers: one row per line of an `extras` part."""

    part: PartRef


@dataclass(frozen=True, slots=True)
class MoveLabels:
    """Every label from `first` to `last` moves from one state to another."""

    first: int
    last: int
    source: str
    target: str


@dataclass(frozen=True, slots=True)
class SetStates:
    """The labels of a `states` part take the letters that stand there."""

    part: PartRef


@dataclass(frozen=True, slots=True)
class AddFindings:
    """One open finding per line of a `findings` part."""

    take: int
    seq: int
    part: PartRef


@dataclass(frozen=True, slots=True)
class SettleFindings:
    """The open findings from `first` to `last` are settled."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class AddProofs:
    """One proof per line of a `proofs` part."""

    take: int
    seq: int
    part: PartRef


@dataclass(frozen=True, slots=True)
class PutUnits:
    """The loose units from `first` to `last` go into a pack."""

    first: int
    last: int
    pack_lot: int
    pack: int


@dataclass(frozen=True, slots=True)
class TakeUnits:
    """The units from `first` to `last` are taken out of the pack that they are in."""

    first: int
    last: int
    pack_lot: int
    pack: int


@dataclass(frozen=True, slots=True)
class FillPacks:
    """The loose units of a `packs` part go into the packs that stand there, of the same lot."""

    part: PartRef


@dataclass(frozen=True, slots=True)
class MovePacks:
    """The packs from `first` to `last` go from one pack around them, as lot and id, to another;
    0 is none."""

    first: int
    last: int
    source_lot: int
    source: int
    target_lot: int
    target: int


Change = (
    Insert
    | Update
    | AddLabels
    | AddExtras
    | MoveLabels
    | SetStates
    | AddFindings
    | SettleFindings
    | AddProofs
    | PutUnits
    | TakeUnits
    | FillPacks
    | MovePacks
)
"""Everything that an entry can do to the tables."""
