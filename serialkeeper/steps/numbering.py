"""Numbers: how many, how guessable, and giving them to a lot."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from serialkeeper.errors import Refused
from serialkeeper.rules import serials
from serialkeeper.rules.chain import BLOCK, HOUSE, Part, block_of
from serialkeeper.rules.gs1 import parse_gtin
from serialkeeper.rules.moves import OPEN_LOT, check_lot
from serialkeeper.rules.parts import pack_serials, unpack_serials
from serialkeeper.store.numbers import IMPORTED, check_product
from serialkeeper.store.record import Record, Work
from serialkeeper.store.tables import Allocation, Lot, Product
from serialkeeper.store.view import key_of

MOST = 100_000_000
"""Numbers in one allocation."""

MOST_DRAWS = 50
"""Times that a block of numbers is drawn where imported ones are in the way."""

BLOCKS_AT_ONCE = 5
"""Blocks per transaction: few enough to let others in, enough to share the wait for the disk."""


def allocate(record: Record, name: str, count: int | None = None) -> dict[str, Any]:
    """Give numbers to a lot's next positions.

    Works in chunks of one transaction each. After an interruption the same call finishes
    what was begun; labels of an unfinished allocation cannot be issued.

    Args:
        count: how many; None for the advice for the lot's target.

    Refuses `lot_not_approved`, `lot_state`, `guessing_odds`, `numbers_exhausted`,
    `allocation_unfinished`.

    Returns:
        lot, count, first and last position, odds; resumed: whether somebody else, or an earlier
        call, had begun it: then others may know these numbers as theirs.
    """
    with record.read() as view:
        lot = view.lot(name)
        key = key_of(lot)
        check_product(view, lot.product_id, IMPORTED)
        unfinished = next((a for a in view.allocations(key) if a.done < a.count), None)
    if count is None:
        count = unfinished.count if unfinished else serials.advised(lot.target)
    resumed = unfinished is not None
    if unfinished is None:
        unfinished, resumed = _begin(record, lot, count)
    else:
        _same(lot, unfinished, count)
    with record.read() as view:
        product = view.product_of(lot)
    with ThreadPoolExecutor(1) as drawing:
        ahead = drawing.submit(_draw_some, record, product, unfinished)
        while unfinished.done < unfinished.count:
            unfinished, ahead = _chunk(record, lot, product, unfinished, ahead, drawing)
            record.seen("numbers", unfinished.done, unfinished.count)
    figures = serials.odds(count, length=product.serial_length, prefixes_used=product.prefixes_used)
    return {
        "lot": lot.number,
        "count": unfinished.count,
        "first": unfinished.first,
        "last": unfinished.first + unfinished.count - 1,
        "resumed": resumed,
        "odds": describe_odds(figures),
    }


def _same(lot: Lot, unfinished: Allocation, count: int) -> Allocation:
    """The unfinished allocation, if it is the one asked for. Refuses `allocation_unfinished`."""
    if unfinished.count != count:
        raise Refused(
            "allocation_unfinished",
            "An earlier allocation is not finished yet.",
            where=f"lot {lot.number}, positions from {unfinished.first}",
            expected=f"{unfinished.count} numbers",
            came=f"{count}",
            remedy=f"Finish it first: serialkeeper serials allocate {lot.number} "
            f"{unfinished.count}",
        )
    return unfinished


def _begin(record: Record, lot: Lot, count: int) -> tuple[Allocation, bool]:
    """A new allocation; or, where another process was faster, the one that it began, and True."""
    if not 1 <= count <= MOST:
        raise Refused(
            "bad_value",
            "That number of numbers cannot be allocated.",
            expected=f"1 to {MOST:,}",
            came=str(count),
            remedy="Give a number in that range; several allocations add up.",
        )
    key = key_of(lot)
    with record.work(key, HOUSE) as work:
        lot = work.lot(lot.full_name)
        check_lot(lot.state, *OPEN_LOT, where=lot.full_name)
        check_product(work, lot.product_id, IMPORTED)
        running = next((a for a in work.allocations(key) if a.done < a.count), None)
        if running:
            return _same(lot, running, count), True
        product = work.product_of(lot)
        first = lot.labels + 1
        blocks = block_of(first + count - 1) - block_of(first) + 1
        figures = serials.odds(
            count, length=product.serial_length, prefixes_used=product.prefixes_used
        )
        figures.check(f"product {lot.gtin}")
        serials.prefix_text(
            product.prefix_start, product.prefix_step, product.prefixes_used + blocks - 1
        )
        reserved = {
            "product_id": product.id,
            "lot_id": lot.id,
            "first": product.prefixes_used,
            "count": blocks,
        }
        work.write(HOUSE, "prefixes reserved", reserved)
        started: dict[str, Any] = {
            "id": len(work.allocations(key)) + 1,
            "source": "random",
            "first": first,
            "count": count,
            "prefix_first": product.prefixes_used,
            "prefix_count": blocks,
        }
        state = "running" if lot.state == "reconciled" else lot.state
        work.write(key, "allocation started", {**started, "lot_state": state})
        return Allocation(**(key.row() | started), done=0), False


def _chunk(
    record: Record,
    lot: Lot,
    product: Product,
    allocation: Allocation,
    drawn: Future[list[Part]],
    drawing: ThreadPoolExecutor,
) -> tuple[Allocation, Future[list[Part]]]:
    """A few blocks' worth of numbers in one transaction, while the next ones are drawn."""
    key = key_of(lot)
    parts = drawn.result()
    after = allocation.model_copy()
    after.done += sum(part.count for part in parts)
    ahead = drawing.submit(_draw_some, record, product, after)
    with record.work(key) as work:
        current = next(a for a in work.allocations(key) if a.id == allocation.id)
        if current.done != allocation.done:
            # Another process goes on with the same allocation: these numbers are let go.
            return current, drawing.submit(_draw_some, record, product, current)
        if work.imports_of(product.id):
            parts = [_new(record, work, product, allocation, part) for part in parts]
        data = {"allocation": current.id, "done": after.done}
        work.write(key, "allocated", data, parts=parts)
    return after, ahead


def _new(record: Record, work: Work, product: Product, allocation: Allocation, part: Part) -> Part:
    """The part, drawn again while one of its numbers is an imported one."""
    for _ in range(MOST_DRAWS):
        if not work.taken(product.id, unpack_serials(part.data)):
            return part
        part = _draw(record, product, allocation, part.first - allocation.first)
    raise Refused(
        "numbers_exhausted",
        "Imported numbers leave no room under a prefix of the product's own numbers.",
        where=f"product {product.gtin}",
        expected=f"a free set of numbers within {MOST_DRAWS} draws",
        came="imported numbers in each of them",
        remedy="Import the other numbers too, or give the product longer numbers of its own.",
    )


def _draw_some(record: Record, product: Product, allocation: Allocation) -> list[Part]:
    """The numbers of the next transaction."""
    parts: list[Part] = []
    done = allocation.done
    while done < allocation.count and len(parts) < BLOCKS_AT_ONCE:
        parts.append(_draw(record, product, allocation, done))
        done += parts[-1].count
    return parts


def _draw(record: Record, product: Product, allocation: Allocation, done: int) -> Part:
    """Numbers for the next positions up to the end of their block, under one prefix."""
    first = allocation.first + done
    size = min(allocation.count - done, BLOCK - (first - 1) % BLOCK)
    index = allocation.prefix_first + block_of(first) - block_of(allocation.first)
    prefix = serials.prefix_text(product.prefix_start, product.prefix_step, index)
    return pack_serials(
        first, serials.draw(size, prefix, record.chance, length=product.serial_length)
    )


def odds(record: Record, name: str, count: int | None = None) -> dict[str, Any]:
    """The chance that one guess hits, for a lot or a product, after `count` more numbers."""
    if count is not None and count < 1:
        raise Refused(
            "bad_value",
            "The odds are those of some numbers.",
            expected="1 or more",
            came=str(count),
            remedy="Give the number to be allocated, or leave it out.",
        )
    with record.read() as view:
        gtin = name if len(name) == 14 and name.isdigit() else ""
        product = view.product(parse_gtin(gtin)) if gtin else view.product_of(view.lot(name))
    figures = serials.odds(
        serials.PREFIX_HOLDS if count is None else count,
        length=product.serial_length,
        prefixes_used=product.prefixes_used,
    )
    return {"gtin": product.gtin, "count": count, **describe_odds(figures)}


def advise(record: Record, gtin: str, target: int) -> dict[str, Any]:
    """How many numbers a lot of so many good labels needs, and what `odds` says of as many."""
    return {"target": target, **odds(record, gtin, serials.advised(target))}


def describe_odds(figures: serials.Odds) -> dict[str, Any]:
    """Odds as plain data; the chance as numerator and denominator."""
    return {
        "numbers": figures.numbers,
        # A power of 32 is exact as a floating number, and JSON's other numbers end at 2^53.
        "space": figures.space if figures.space < 2**53 else float(figures.space),
        "allowed": figures.allowed,
        "bearable_at_a_time": figures.bearable,
        "left": figures.left,
        "arithmetic": figures.arithmetic(),
    }
