"""What is told of each moment: the one table from what happens to the event for it.

The guide shows it; a test holds the two together, and every word against CBV's lists. Units end
by a reason, and `rules.moves.DECOMMISSION_REASONS` says which of the steps here each reason takes.

Source: EPCIS 2.0 and CBV 2.0 (ISO/IEC 19987, 19988); what CBV 1.2 lacks: `rules.event_forms`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Step = tuple[str, str, str | None]
"""What an event says of its units: action, bizStep, disposition."""


@dataclass(frozen=True, slots=True)
class Telling:
    """The event for a moment.

    Attributes:
        kind: what EPCIS calls it.
        action, biz_step: as in the event.
        dispositions: the words it may have; none for an event without.
        fields: what else it says, in words.
    """

    kind: str
    action: str
    biz_step: str
    dispositions: tuple[str, ...] = ()
    fields: str = ""

    @property
    def steps(self) -> tuple[Step, ...]:
        """Every step that it may be."""
        return tuple((self.action, self.biz_step, word) for word in self.dispositions or (None,))

    @property
    def step(self) -> Step:
        """The step, of one that can be one only."""
        (only,) = self.steps
        return only


_OBJECT, _AGGREGATION, _TRANSACTION = "ObjectEvent", "AggregationEvent", "TransactionEvent"
_WITH_LOT = ", with lot and expiry"
_LEAVING = ", with source, destination and transaction"

TOLD: Mapping[str, Telling] = {
    "good at inspection, or accepted": Telling(
        _OBJECT, "ADD", "commissioning", ("active",), _WITH_LOT
    ),
    "pulled back after it was good": Telling(_OBJECT, "OBSERVE", "inspecting", ("non_conformant",)),
    "accepted again after that": Telling(_OBJECT, "OBSERVE", "inspecting", ("conformant",)),
    "sampled; its end follows": Telling(_OBJECT, "OBSERVE", "sampling"),
    "left": Telling(_OBJECT, "DELETE", "decommissioning", ("inactive", "stolen")),
    "destroyed": Telling(_OBJECT, "DELETE", "destroying", ("destroyed",)),
    "printed, if the lot was opened with `--order URI`": Telling(
        _TRANSACTION, "ADD", "encoding", ("encoded",), " of that order"
    ),
    "voided after that, never active": Telling(
        _TRANSACTION, "DELETE", "decommissioning", ("inactive",), " of that order"
    ),
    "a pack gets its key": Telling(_OBJECT, "ADD", "commissioning", ("active",)),
    "a pack is filled": Telling(_AGGREGATION, "ADD", "packing"),
    "something is taken out of it": Telling(_AGGREGATION, "DELETE", "unpacking"),
    "packs leave": Telling(_OBJECT, "OBSERVE", "shipping", ("in_transit",), _LEAVING),
    "packs had not left": Telling(_OBJECT, "OBSERVE", "void_shipping", (), _LEAVING),
}
"""The event for each moment, by the moment in words."""

COMMISSIONING = TOLD["good at inspection, or accepted"].step
PULLED_BACK = TOLD["pulled back after it was good"].step
CONFORMANT = TOLD["accepted again after that"].step
ENCODING = TOLD["printed, if the lot was opened with `--order URI`"].step
SPOILT = TOLD["voided after that, never active"].step
PACKING, UNPACKING = TOLD["a pack is filled"].step, TOLD["something is taken out of it"].step
LEAVING: Mapping[str, Step] = {
    "packs shipped": TOLD["packs leave"].step,
    "shipping voided": TOLD["packs had not left"].step,
}
"""By verb of the journal."""
