"""Setting up by forms: products and lots."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from serialkeeper import nouns
from serialkeeper.rules import levels
from serialkeeper.rules.gs1 import DEFAULT_ORDER
from serialkeeper.steps import numbering
from serialkeeper.web import looking  # its pages are there before their forms
from serialkeeper.web.acting import Done, Sent, act, wrong
from serialkeeper.web.answers import private_folder, shows, unplaced
from serialkeeper.web.asking import Gtin, InHand, Opened
from serialkeeper.web.pages import PAGE_PARAMETERS, lot_path

router = APIRouter(include_in_schema=False)

OF_PRODUCTS, OPEN_PAGE = looking.PRODUCTS_PAGE, "open_lot.html"


@act(
    router,
    "/products/add",
    "product add",
    of=OF_PRODUCTS,
    beside={"bad_gtin": "gtin", "product_exists": "gtin"},
)
def add_product(record: InHand, form: Sent) -> Done:
    """Add a product."""
    made = nouns.product.add(
        record,
        form.needed("gtin"),
        prefix_length=form.whole("prefix_length"),
        name=form.needed("name"),
        order=tuple(form.text("order").split()) or DEFAULT_ORDER,
        serial_length=form.whole("serial_length"),
        minimum_grade=form.text("minimum_grade") or "1.5",
    )
    return Done("told.product", {"name": made["name"]}, f"/products/{made['gtin']}")


@act(router, "/products/{gtin}/packs", "product packs", of=looking.PRODUCT_PAGE)
def set_packs(record: InHand, form: Sent, gtin: Gtin) -> Done:
    """Set what holds how many, from a file or, where each level has an SSCC, from numbers."""
    with private_folder() as folder, unplaced(folder):
        if "file" in form.files and form.files["file"].filename:
            path = form.saved("file", folder)
        else:
            path = folder / "packs.toml"
            held = {name: form.whole(name) for name in levels.NAMES if form.text(name)}
            if not held:
                raise wrong(
                    "case",
                    "No level of packs was filled in.",
                    expected="a number for one of them",
                    came="none",
                )
            path.write_text(levels.write_levels(held))
        made = nouns.product.packs(record, gtin, path)
    return Done("told.levels", {"name": made["name"]})


@act(router, "/products/{gtin}/layout", "product layout", of=looking.PRODUCT_PAGE)
def set_layout(record: InHand, form: Sent, gtin: Gtin) -> Done:
    """Set the label layout, from a file."""
    with private_folder() as folder, unplaced(folder):
        made = nouns.product.layout(record, gtin, form.saved("file", folder))
    return Done("told.layout", {"name": made["name"]})


@shows(router, "/lots/open", OPEN_PAGE)
def new_lot(record: Opened) -> dict[str, Any]:
    """For which product, and where, a lot may be opened."""
    return {"products": nouns.product.list(record), "locations": nouns.location.list(record)}


PAGE_PARAMETERS["/products/{gtin}/advice"] = ("target",)


@router.get("/products/{gtin}/advice")
def advice(
    record: Opened,
    gtin: Gtin,
    target: Annotated[int, Query(ge=1, le=100_000_000)],
) -> dict[str, Any]:
    """How many numbers a lot of so many good labels needs, and how easily one could be guessed."""
    return numbering.advise(record, gtin, target)


@act(
    router,
    "/lots/open",
    "lot open",
    of=OPEN_PAGE,
    beside={
        **{"lot_exists": "lot", "expiry_past": "expiry", "symbol_too_small": "lot"},
        **{"product_unknown": "gtin", "location_unknown": "location"},
    },
)
def open_lot(record: InHand, form: Sent) -> Done:
    """Open a lot as a draft."""
    made = nouns.lot.open(
        record,
        form.needed("gtin"),
        form.needed("lot"),
        expiry=form.day("expiry"),
        target=form.whole("target"),
        commission_at=form.text("commission_at") or "web",
        market=form.text("market"),
        artwork=form.text("artwork"),
        location=form.text("location"),
        order=form.text("order"),
    )
    told = {"lot": made["lot"], "advice": made["advice"]}
    return Done("told.opened", told, lot_path(f"{made['gtin']}/{made['lot']}"))
