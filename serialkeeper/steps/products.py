"""Products: the trade items whose labels carry the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.outside.files import read_text
from serialkeeper.outside.sheets import read_sheet
from serialkeeper.rules import epc, gs1, layout, levels, serials
from serialkeeper.rules.bad_rows import Row, check_name, check_row, read_whole, refuse_rows
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.fields import parse_grade
from serialkeeper.rules.parts import NO_GRADE
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Product

NEEDED = ("gtin", "prefix_length", "name")
FREE = ("order", "serial_length", "minimum_grade")
"""Columns of a file of products."""

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
    facts = _Facts(
        gtin=gs1.parse_gtin(gtin),
        prefix_length=prefix_length,
        name=check_name(name),
        order=gs1.check_order(order),
        serial_length=_check_length(serial_length),
        grade=_check_grade(minimum_grade),
    )
    epc.sgtin_stem(facts.gtin, prefix_length)
    with record.work(HOUSE) as work:
        if work.find_product(facts.gtin):
            raise Refused(
                "product_exists",
                "The product is in the record already.",
                came=facts.gtin,
                remedy="Look at it: product show. A GTIN is never used for a second product.",
            )
        return describe(_write(record, work, facts))


@dataclass(frozen=True)
class _Facts:
    """A product as it is said; the grade in tenths."""

    gtin: str
    prefix_length: int
    name: str
    order: tuple[str, ...]
    serial_length: int
    grade: int


def _write(record: Record, work: Work, facts: _Facts) -> Product:
    start, step = serials.draw_prefix_order(record.chance)
    data: dict[str, Any] = {
        "id": len(work.products()) + 1,
        "gtin": facts.gtin,
        "name": facts.name,
        "prefix_length": facts.prefix_length,
        "ai_order": " ".join(facts.order),
        "serial_length": facts.serial_length,
        "minimum_grade": facts.grade,
        "prefix_start": start,
        "prefix_step": step,
    }
    work.write(HOUSE, "product added", data)
    return Product(**data, prefixes_used=0, layout="", packs="")


def _check_length(length: int) -> int:
    if serials.SHORTEST <= length <= serials.LONGEST:
        return length
    raise Refused(
        "bad_value",
        "Numbers cannot have that length.",
        where="serial length",
        expected=f"{serials.SHORTEST} to {serials.LONGEST} characters",
        came=str(length),
        remedy="Correct it.",
    )


def _check_grade(text: str) -> int:
    tenths = parse_grade(text)
    if tenths is not None and tenths != NO_GRADE:
        return tenths
    raise Refused(
        "bad_value",
        "This is no grade.",
        where="minimum grade",
        expected="0.0 to 4.0, or A B C D F",
        came=text,
        remedy="Correct it.",
    )


def import_products(record: Record, path: Path) -> dict[str, Any]:
    """Add the products of a CSV file: all of them, or none if a row is bad.

    Products that are in the record as the file says change nothing.

    Args:
        path: columns `gtin,prefix_length,name` and, if wanted,
            `order,serial_length,minimum_grade`.

    Refuses `import_rows` with every bad row, and what `outside.sheets.read_sheet` refuses.
    """
    sheet = read_sheet(path, NEEDED, FREE)
    bad = list(sheet.bad)
    already = 0
    seen: dict[str, int] = {}
    with record.work(HOUSE) as work:
        for line, fields in sheet.rows:
            row = Row(line, fields)
            facts = _read(row)
            if facts is not None and row.once(seen, facts.gtin, "gtin"):
                there = work.find_product(facts.gtin)
                if there:
                    already += row.same(_as_fields(there, fields))
                else:
                    _write(record, work, facts)
            bad += row.bad
        refuse_rows(str(path), len(sheet.rows) + len(sheet.bad), bad)
        added = len(sheet.rows) - already
        if added:
            told = {"kind": "products", "name": path.name, "sha256": sheet.sha256, "added": added}
            work.write(HOUSE, "file imported", told)
    return {"file": path.name, "rows": len(sheet.rows), "added": added, "already_there": already}


def _read(row: Row) -> _Facts | None:
    """A row's facts; None if one of them is bad."""
    text = row.fields
    order = tuple((text["order"] or " ".join(gs1.DEFAULT_ORDER)).split())
    length = text["serial_length"] or str(serials.DEFAULT_LENGTH)
    grade = text["minimum_grade"] or DEFAULT_GRADE
    made = (
        check_row(row, "gtin", lambda: _gtin(text["gtin"])),
        check_row(row, "prefix_length", lambda: read_whole(text["prefix_length"])),
        check_row(row, "name", lambda: check_name(text["name"])),
        check_row(row, "order", lambda: gs1.check_order(order)),
        check_row(row, "serial_length", lambda: _check_length(read_whole(length))),
        check_row(row, "minimum_grade", lambda: _check_grade(grade)),
    )
    gtin, prefix = made[:2]
    if gtin is not None and prefix is not None:
        check_row(row, "prefix_length", lambda: epc.sgtin_stem(gtin, prefix))
    return None if row.bad else _Facts(*made)  # type: ignore[arg-type]  # none is missing


def _gtin(text: str) -> str:
    """A GTIN; digits that a spreadsheet took away are named."""
    if text.isdigit() and len(text) in (9, 10, 11):
        raise Refused(
            "bad_gtin",
            "A GTIN has 8, 12, 13 or 14 digits.",
            expected="all digits, leading zeros too",
            came=text,
            remedy="a spreadsheet may have taken leading zeros away: write all digits",
        )
    return gs1.parse_gtin(text)


def _as_fields(product: Product, row: Mapping[str, str]) -> dict[str, str]:
    """A product as a file would say it; numbers and grades written as the row writes them."""
    grade = product.minimum_grade
    alike = parse_grade(row["minimum_grade"]) == grade
    return {
        "prefix_length": str(product.prefix_length),
        "name": product.name,
        "order": product.ai_order,
        "serial_length": str(product.serial_length),
        "minimum_grade": row["minimum_grade"] if alike else f"{grade / 10:.1f}",
    }


def set_layout(record: Record, gtin: str, path: Path) -> dict[str, Any]:
    """Set the product's label layout; for lots approved from now on.

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


def set_packs(record: Record, gtin: str, path: Path) -> dict[str, Any]:
    """Set the product's pack levels; for lots approved from now on.

    Args:
        path: a TOML file, see `rules.levels`.

    Refuses `product_unknown`, `file_missing`, `packs_invalid`, `bad_gtin`.
    """
    gtin = gs1.parse_gtin(gtin)
    told = read_text(path, levels.LONGEST_FILE)
    with record.work(HOUSE) as work:
        product = work.product(gtin)
        chosen = levels.read_levels(told, path.name, gtin=gtin, prefix_length=product.prefix_length)
        others = [
            (one.gtin, *(level.gtin for level in levels.levels_of(one.packs)))
            for one in work.products()
            if one.id != product.id
        ]
        for level in chosen:
            if any(level.gtin in some for some in others if level.gtin):
                raise Refused(
                    "packs_invalid",
                    "The level's GTIN is another product's.",
                    where=f"{path.name}, [{level.name}]",
                    expected="a GTIN of its own",
                    came=level.gtin,
                    remedy="Correct the file of pack levels.",
                )
        data = {"product_id": product.id, "gtin": gtin, "packs": levels.data_of(chosen)}
        work.write(HOUSE, "packs set", data)
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
        "packs": levels.data_of(levels.levels_of(product.packs)),
    }
