"""Pages in German: why something was refused, what is wrong with a label, and no English left over.

What steps say stands in English in the record; pages tell it in their own language where it has the
sentence, and mark as English what they cannot.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import pytest
from asking import Client
from conftest import EXPIRY, GTIN, Bench, as_seen
from test_pages import LOT, key_in, looking

import serialkeeper as sk

pytestmark = pytest.mark.only_on("sqlite", reason="what a page says is the same everywhere")

GERMAN, ENGLISH = {"Accept-Language": "de"}, {"Accept-Language": "en"}


class Texts(HTMLParser):
    """The texts of a page that are not marked as another language's, code left out."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self._around: list[tuple[str, bool]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """What begins: its texts are passed by if it is code or in another language."""
        told = dict(attrs)
        passed = "code" in (told.get("class") or "").split() or tag in ("code", "script")
        foreign = tag != "html" and "lang" in told
        if tag not in ("meta", "link", "input", "img", "br", "rect", "circle", "path", "line"):
            self._around.append((tag, passed or foreign))

    def handle_endtag(self, tag: str) -> None:
        """What ends, with all that has no end of its own."""
        while self._around and self._around.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        """A text."""
        if not any(passed for _, passed in self._around):
            self.found.add(" ".join(data.split()))


@pytest.fixture
def german(bench: Bench) -> Iterator[Client]:
    """The bench's practice record in a German browser."""
    with looking(bench.url, acting="Line Lead") as client:
        client.headers.update(GERMAN)
        yield client


def test_a_refusal_is_told_in_german_with_its_own_words_beside(
    german: Client,
) -> None:
    """What its word means and what to do, the field by its name; what was said in English is marked
    so. A page in English says it in its own terms, and a program gets it as it is typed."""
    asked = {"reason": "", "case": "INV-7"}
    key = key_in(german.get(LOT).text, f"{LOT}/hold")
    page = german.post(f"{LOT}/hold", data={"key": key, **asked}).text
    assert "<strong>Dafür braucht es einen Grund.</strong> <code>reason_needed</code>" in page
    assert "In wenigen Worten sagen, warum" in page and "<dt>Im Wortlaut</dt>" in page
    assert '<dd><span lang="en">Give „Grund“.</span></dd>' in page
    assert "--reason" not in page
    assert 'refused" role="alert"><strong>Dafür braucht es einen Grund.</strong>' in page
    key = key_in(german.get(LOT, headers=ENGLISH).text, f"{LOT}/hold")
    page = german.post(f"{LOT}/hold", data={"key": key, **asked}, headers=ENGLISH).text
    assert "<dt>What to do</dt><dd>Give “Reason”.</dd>" in page
    assert "--reason" not in page and "own words" not in page and 'lang="en">Give' not in page
    page = german.get(LOT.replace("LOT24A", "NOPE")).text
    assert "Die Aufzeichnung kennt keine solche Charge." in page
    assert "(„Chargen“), or open the lot: „Charge anlegen“." in page
    answer = german.get(LOT.replace("LOT24A", "NOPE"), headers={"Accept": "application/json"})
    assert "Check the lot number (lot list), or open the lot: lot open." in answer.json()["remedy"]


def test_no_english_is_left_on_german_pages(bench: Bench, german: Client) -> None:
    """Findings, holds, open points, the journal: no text of some words is the same in both
    languages, but for names and what people typed."""
    record, lot = bench.record, bench.lot
    rows = as_seen(bench.printed(24))
    other = rows[4]["seen"].replace("LOT24A", "LOT24B")
    rows[2]["seen"], rows[4]["seen"], rows[8]["grade"] = "", other, "0.5"
    del rows[12], rows[20]
    sk.inspect.take(record, lot, bench.results(rows))
    sk.roll.add(record, lot, rows="1-6")
    sk.label.void(record, lot, "3", reason="waste")
    sk.hold.place(record, lot, positions="1,5-7", reason="fleckig")
    sk.run.start(record, lot)
    points = ["line", "printer", "web", "waste", "counters"]
    sk.run.clearance(record, lot, "before", checked=points, second="Second Person")
    sk.run.challenge(record, lot, when="start", shown=5, caught=4)
    sk.lot.count(record, lot, "printer_counter", 25)
    sk.lot.count(record, lot, "printer_counter", -1, reason="vertippt")
    sk.lot.open(record, GTIN, "DRAFT", expiry=EXPIRY, target=12)
    pages = ["/now", "/review", "/lots", "/products", "/people", "/locations", "/hand-off"]
    pages += [f"/products/{GTIN}", "/journal", f"/now?lot={GTIN}/{lot}", f"{LOT}/labels/3/decision"]
    pages += [f"/find?code={one['serial']}" for one in bench.labels()[:9]]
    for one in ("", "/balance", "/holds", "/rolls", "/rolls/1", "/pulls?roll=1", "/challenges"):
        pages.append(f"{LOT}{one}")
    pages += [f"{LOT}/{one}" for one in ("packs", "review", "journal", "unaccounted", "report")]
    groups = sk.review.list(record, lot)["groups"]
    pages += [f"{LOT}/sign?group={one['group']}" for one in groups]
    left: dict[str, str] = {}
    for path in pages:
        first, second = german.get(path), german.get(path, headers=ENGLISH)
        assert first.status_code == second.status_code == 200, path
        for text in Texts(first.text).found & Texts(second.text).found:
            if len(re.findall(r"\b[a-z]{2,}\b", text)) >= 2:
                left[text] = path
    assert {text: path for text, path in left.items() if not NAMES.search(text)} == {}
    page = german.get(f"/find?code={bench.labels()[4]['serial']}").text
    assert "der Code nennt Charge LOT24B" in page and "the code names" not in page
    journal = german.get(f"{LOT}/journal").text
    assert "Ausschuss" in journal and "nicht bestanden" in journal
    points = german.get(f"{LOT}/balance").text
    assert "ausgesonderte Etiketten ohne Entscheidung" in points and "auf der Seite Jetzt" in points


NAMES = re.compile(r"\b([Tt]ablets|Line Lead|Second Person|serialkeeper)\b|\{gtin\}|\.csv|\.toml")
"""What people and files are called."""


def test_words_that_say_what_is_so(bench: Bench, german: Client) -> None:
    """A GTIN with a wrong check digit is not well formed; a lot without packs has none yet; a draft
    says why nothing is counted."""

    def page(path: str, **headers: Any) -> str:
        return str(german.get(path, headers=headers or ENGLISH).text)

    wrong = GTIN[:-1] + str((int(GTIN[-1]) + 1) % 10)
    found = page(f"/find?code={wrong}")
    assert "Not well formed" in found and "check digit is wrong" in found
    assert f"check digit {GTIN[-1]}" in found and "Well formed" not in found
    assert "Die GTIN ist nicht gültig." in page(f"/find?code={wrong}", **GERMAN)
    assert "The check digit of the SSCC is wrong." in page("/find?code=095212349999999996")
    assert "Not well formed" not in page("/find?code=1234567")
    assert "The lot has no pack yet." in page(f"{LOT}/packs")
    assert "There is no such pack." in page(f"{LOT}/packs?state=empty")
    sk.lot.open(bench.record, GTIN, "DRAFT", expiry=EXPIRY, target=12)
    assert "nothing to count before it is approved" in page(f"/lots/{GTIN}/DRAFT/balance")
    assert "nothing to count" not in page(f"{LOT}/balance")
