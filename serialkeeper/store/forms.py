"""How the labels of a lot look: its frozen facts, put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from serialkeeper.rules import gs1
from serialkeeper.rules.datamatrix import Size
from serialkeeper.rules.layout import Layout, layout_of, longest_code, size_of
from serialkeeper.rules.replay import LotKey
from serialkeeper.store.tables import Lot, Product
from serialkeeper.store.view import View, key_of

_MARK = "\x00"  # stands for the serial while the constant text around it is worked out


@dataclass(frozen=True, slots=True)
class LabelForm:
    """What all labels of a lot have in common.

    Attributes:
        lot, product: the rows.
        layout: as frozen in the lot.
        size: the size of every symbol.
        codewords: what the longest code that the lot can have needs.
        order: of the elements.
    """

    lot: Lot
    product: Product
    layout: Layout
    size: Size
    codewords: int
    order: tuple[str, ...]

    @property
    def key(self) -> LotKey:
        """The lot's key."""
        return key_of(self.lot)

    def code(self, serial: str) -> gs1.LabelCode:
        """The code of one label."""
        return gs1.LabelCode(
            self.lot.gtin, serial, date.fromisoformat(self.lot.expiry), self.lot.number
        )

    def element_strings(self, serials: Sequence[str]) -> list[gs1.ElementString]:
        """What the symbols of labels carry."""
        before, _, after = gs1.element_string(self.code(_MARK), self.order).partition(_MARK)
        return [gs1.ElementString(before + serial + after) for serial in serials]

    def bracketed(self, serials: Sequence[str]) -> list[str]:
        """The same for people."""
        before, _, after = gs1.bracketed(self.code(_MARK), self.order).partition(_MARK)
        return [before + serial.replace("(", "\\(") + after for serial in serials]


def form_of(view: View, lot: Lot) -> LabelForm:
    """How the labels of a lot look. Refuses `symbol_too_small`."""
    product, layout = view.product_of(lot), layout_of(lot.layout)
    order = tuple(lot.ai_order.split())
    expiry = date.fromisoformat(lot.expiry)
    codewords = longest_code(layout, lot.gtin, lot.number, expiry, order, product.serial_length)
    return LabelForm(lot, product, layout, size_of(layout, codewords), codewords, order)
