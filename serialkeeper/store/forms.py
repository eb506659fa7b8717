"""How the labels of a lot look: its frozen facts, put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from serialkeeper.rules import gs1
from serialkeeper.rules.chain import LotKey
from serialkeeper.rules.datamatrix import Size
from serialkeeper.rules.layout import Layout, layout_of, longest_code, size_of
from serialkeeper.store.codes import bracketed_of, codes_of
from serialkeeper.store.tables import Lot, Product
from serialkeeper.store.view import View, key_of


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

    def specimen(self, serial: str) -> tuple[gs1.ElementString, str]:
        """What the symbol of a label that is not there would carry, and the same in brackets."""
        code = self.code(serial)
        return gs1.element_string(code, self.order), gs1.bracketed(code, self.order)


def texts_of(
    view: View, lot: Lot, first: int, serials: Sequence[str]
) -> tuple[list[gs1.ElementString], list[str]]:
    """What the symbols of successive labels carry, and the same in brackets.

    Args:
        first: the first label's position.
        serials: the labels' numbers.
    """
    scanned = codes_of(view, lot, first, serials).str.strip_prefix(gs1.DATAMATRIX_ID)
    carried = scanned.str.replace_all(gs1.FILE_GS, gs1.GS, literal=True).to_list()
    return carried, bracketed_of(view, lot, first, serials).to_list()


def form_of(view: View, lot: Lot) -> LabelForm:
    """How the labels of a lot look. Refuses `symbol_too_small`."""
    product, layout = view.product_of(lot), layout_of(lot.layout)
    order = tuple(lot.ai_order.split())
    expiry = date.fromisoformat(lot.expiry)
    codewords = longest_code(layout, lot.gtin, lot.number, expiry, order, product.serial_length)
    return LabelForm(lot, product, layout, size_of(layout, codewords), codewords, order)
