"""A document as one HTML file: no script, nothing from elsewhere, and it prints well."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape

from serialkeeper.rules.figures import svg
from serialkeeper.rules.pages import PAPERS, Document, Figure, Item, Say, Section, Table, Told

_STYLE = """
:root { color: #1d1f21; background: #fff; }
body { font: 10pt/1.4 "DejaVu Sans", "Liberation Sans", Arial, sans-serif; margin: 2rem auto;
  max-width: 62rem; padding: 0 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.7em; margin: 0; } h2 { font-size: 1.2em; margin: 1.8em 0 .5em;
  border-bottom: 2px solid #1d1f21; break-after: avoid; }
p { margin: .35em 0; } p.strong { font-weight: bold; border-left: 4px solid #1d1f21;
  padding-left: .6em; } p.soft, p.rest, figcaption { color: #55595c; font-size: .88em; }
p.rest { font-weight: bold; } p.mark { border: 2px solid #1d1f21; font-weight: bold; padding: .3em;
  text-align: center; }
table { border-collapse: collapse; width: 100%; margin: .6em 0; font-size: .86em;
  table-layout: fixed; }
caption { text-align: left; font-weight: bold; padding: .3em 0; }
th, td { text-align: left; vertical-align: top; padding: .2em .5em;
  border-bottom: 1px solid #c9ccc8; }
thead { display: table-header-group; } thead th { border-bottom: 1.5px solid #1d1f21; }
tr { break-inside: avoid; } .right { text-align: right; font-variant-numeric: tabular-nums; }
tr.loud td { font-weight: bold; background: #e3c598; print-color-adjust: exact; }
table.told th { width: 24%; font-weight: normal; color: #55595c; }
figure { margin: .8em 0; break-inside: avoid; } figure svg { max-width: 100%; height: auto; }
nav ul { columns: 2; } footer { margin-top: 2em; border-top: 1px solid #1d1f21; font-size: .85em; }
@media print { body { margin: 0; max-width: none; padding: 0; font-size: 8.5pt; }
  nav { display: none; } }
"""


def html(document: Document, paper: str) -> Iterator[str]:
    """The document's text, piece by piece.

    Args:
        paper: a name of `pages.PAPERS`, for who prints it.
    """
    width, height = PAPERS[paper]
    margins = (
        f"@page {{ size: {width}mm {height}mm; margin: 15mm 14mm 18mm; "
        'font-family: "DejaVu Sans", "Liberation Sans", Arial, sans-serif; '
        f"@bottom-left {{ content: {_css(document.running)}; font-size: 6.5pt; }} "
        '@bottom-right { content: "page " counter(page) " of " counter(pages); font-size: 7pt; } '
        f"@top-center {{ content: {_css(document.mark)}; font-size: 8pt; font-weight: bold; }} }}"
    )
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(document.title)}</title>\n<style>{_STYLE}{margins}\n</style>\n"
        "</head>\n<body>\n<header>\n"
    )
    if document.mark:
        yield f'<p class="mark">{_text(document.mark)}</p>\n'
    yield f"<h1>{_text(document.title)}</h1>\n<p>{_text(document.subtitle)}</p>\n"
    yield "</header>\n<nav><ul>\n"
    for number, part in enumerate(document.sections, 1):
        yield f'<li><a href="#s{number}">{_text(part.title)}</a></li>\n'
    yield "</ul></nav>\n<main>\n"
    for number, part in enumerate(document.sections, 1):
        yield from _section(part, number)
    yield f"</main>\n<footer>{_text(document.running)}</footer>\n</body>\n</html>\n"


def _section(part: Section, number: int) -> Iterator[str]:
    yield f'<section id="s{number}">\n<h2>{_text(part.title)}</h2>\n'
    for item in part.items:
        yield from _item(item)
    yield "</section>\n"


def _item(item: Item) -> Iterator[str]:
    match item:
        case Say(text, tone):
            yield f'<p class="{tone}">{_text(text)}</p>\n'
        case Told(rows):
            yield '<table class="told">\n'
            for name, text in rows:
                yield f'<tr><th scope="row">{_text(name)}</th><td>{_text(text)}</td></tr>\n'
            yield "</table>\n"
        case Table():
            yield from _table(item)
        case Figure(sheet, caption):
            drawn = svg(sheet).partition("\n")[2]
            yield f"<figure>\n{drawn}<figcaption>{_text(caption)}</figcaption>\n</figure>\n"


def _table(one: Table) -> Iterator[str]:
    sides = [' class="right"' if column.right else "" for column in one.columns]
    yield "<table>\n"
    if one.title:
        yield f"<caption>{_text(one.title)}</caption>\n"
    whole = sum(column.width for column in one.columns)
    widths = (f'<col style="width: {column.width * 100 / whole:.1f}%">' for column in one.columns)
    yield f"<colgroup>{''.join(widths)}</colgroup>\n"
    heads = zip(one.columns, sides, strict=True)
    cells = "".join(f'<th scope="col"{side}>{_text(each.title)}</th>' for each, side in heads)
    yield f"<thead><tr>{cells}</tr></thead>\n<tbody>\n"
    for number, row in enumerate(one.rows):
        loud = ' class="loud"' if number in one.loud else ""
        cells = "".join(
            f"<td{side}>{_text(text)}</td>" for text, side in zip(row, sides, strict=True)
        )
        yield f"<tr{loud}>{cells}</tr>\n"
    yield "</tbody>\n</table>\n"
    if one.rest:
        yield f'<p class="rest">{_text(one.rest)}</p>\n'


def _text(value: str) -> str:
    """A text as HTML; what HTML cannot hold is written as its number."""
    return escape(re.sub("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]", _number, value))


def _number(sign: re.Match[str]) -> str:
    return f"[U+{ord(sign[0]):04X}]"


def _css(value: str) -> str:
    """A text as a string of CSS."""
    signs = (one if one.isalnum() and one.isascii() else f"\\{ord(one):x} " for one in value)
    return f'"{"".join(signs)}"'
