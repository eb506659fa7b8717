"""Products: the trade items whose labels carry the numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import read_text
from serialkeeper.rules import epc, gs1, layout, serials
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.fields import parse_grade
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.store.record import Record
from serialkeeper.store.tables import Product

DEFAULT_GRADE = "1.5"
"""Grade 1.5 of ISO/IEC 15415 (Delegated Regulation (EU) 2016/161, Article 6)."""


def add(
    record: Record,
    gtin: str,
    *,
    prefix_length: int,
    name: str,
    order: tuple[str, ...] = gs1.DEFAULT_ORDER,
    serial_length: int = serials.DEFAULT_LENGTH,
    minimum_grade: str = DEFAULT_GRADE,
) -> dict[str, Any]:
    """Add a product.

    Args:
        gtin: 8, 12, 13 or 14 digits.
        prefix_length: digits of the GS1 company prefix in it, 6 to 12.
        name: for people.
        order: element order of its code.
        serial_length: characters of the numbers made for it, 8 to 20.
        minimum_grade: lowest in-line grade that passes, 0.0 to 4.0 or a letter.

    Refuses `bad_gtin`, `bad_value`, `product_exists`.
    """
    gtin = gs1.parse_gtin(gtin)
    epc.sgtin_stem(gtin, prefix_length)
    tenths = _check_facts(name, serial_length, minimum_grade)
    with record.work(HOUSE) as work:
        if work.find_product(gtin):
            raise Refused(
                "product_exists",
                "The product is in the record already.",
                came=gtin,
                remedy="Look at it: product show. A GTIN is never used for a second product.",
            )
        start, step = serials.draw_prefix_order(record.chance)
        data: dict[str, Any] = {
            "id": len(work.products()) + 1,
            "gtin": gtin,
            "name": name.strip(),
            "prefix_length": prefix_length,
            "ai_order": " ".join(gs1.check_order(order)),
            "serial_length": serial_length,
            "minimum_grade": tenths,
            "prefix_start": start,
            "prefix_step": step,
        }
        work.write(HOUSE, "product added", data)
    return describe(Product(**data, prefixes_used=0, layout=""))


def _check_facts(name: str, serial_length: int, minimum_grade: str) -> int:
    """The grade in tenths. Refuses `bad_value`."""
    tenths = parse_grade(minimum_grade)
    if tenths is None:
        tenths = NO_GRADE
    problem = ""
    if not serials.SHORTEST <= serial_length <= serials.LONGEST:
        problem = f"serial length {serials.SHORTEST} to {serials.LONGEST}"
    if tenths == NO_GRADE:
        problem = "minimum grade 0.0 to 4.0, or A B C D F"
    if not (1 <= len(name.strip()) <= 120 and name.isprintable()):
        problem = "a name of 1 to 120 printable characters"
    if problem:
        raise Refused(
            "bad_value",
            "A fact of the product is out of its range.",
            expected=problem,
            came=f"serial length {serial_length}, minimum grade {minimum_grade!r}, {name!r}",
            remedy="Correct it.",
        )
    return tenths


def set_layout(record: Record, gtin: str, path: Path) -> dict[str, Any]:
    """Set how the product's labels look; for lots approved from now on.

    Args:
        path: a TOML file, see `rules.layout`.

    Refuses `product_unknown`, `file_missing`, `layout_invalid`, `bad_value`.
    """
    gtin = gs1.parse_gtin(gtin)
    chosen = layout.read_layout(read_text(path, layout.LONGEST_FILE), path.name)
    with record.work(HOUSE) as work:
        product = work.product(gtin)
        data = {"product_id": product.id, "gtin": gtin, "layout": chosen.data()}
        work.write(HOUSE, "layout set", data)
        return describe(work.product(gtin))


def all_products(record: Record) -> list[dict[str, Any]]:
    """Every product as plain data."""
    with record.read() as view:
        return [describe(product) for product in view.products()]


def show(record: Record, gtin: str) -> dict[str, Any]:
    """One product as plain data. Refuses `product_unknown`."""
    with record.read() as view:
        return describe(view.product(gs1.parse_gtin(gtin)))


def describe(product: Product) -> dict[str, Any]:
    """A product as plain data."""
    return {
        "gtin": product.gtin,
        "name": product.name,
        "prefix_length": product.prefix_length,
        "order": product.ai_order.split(),
        "serial_length": product.serial_length,
        "minimum_grade": f"{product.minimum_grade / 10:.1f}",
        "epc_stem": epc.sgtin_stem(product.gtin, product.prefix_length),
        "prefixes_used": product.prefixes_used,
        "layout": layout.layout_of(product.layout).data(),
    }
