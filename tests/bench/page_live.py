"""How far the page Now is behind the record while another process takes a lot in, and how long it
takes to answer a touch meanwhile.

    python tests/bench/page_live.py --labels 100000

Prints the longest delay from the moment of an entry (when its lot was locked, before it was
committed) until the browser shows it, the longest time from a touch to the next frame, and the
longest answer of the server to a page that is loaded meanwhile. Exit code 1 if a target is missed:
1 s behind, 100 ms to a touch.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, datetime
from pathlib import Path
from typing import Any

import httpx

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "job")]

from window import browsing  # noqa: E402

import serialkeeper as sk  # noqa: E402

GTIN, LOT, PERSON = "09521234543213", "LIVE1", "Line Lead"
BEHIND, TOUCH = 1.0, 0.1
"""Seconds that are aimed at."""

WATCH = """
window.shownAt = []; window.touched = [];
const news = document.getElementById("news");
const seen = () => Number(news.querySelector("[data-entries]").dataset.entries);
const note = () => shownAt.push([seen(), Date.now()]);
new MutationObserver(note).observe(news, {childList: true});
document.getElementById("sound").addEventListener("click", (event) => {
  const began = event.timeStamp;
  requestAnimationFrame(() => setTimeout(() => touched.push(performance.now() - began)));
});
"""


def prepared(folder: Path, labels: int) -> str:
    """A practice record with a printed lot whose run has begun, and its results file."""
    url = f"sqlite:///{folder}/record.db"
    with sk.init(url, PERSON, station="line 1") as record:
        sk.product.add(record, GTIN, prefix_length=7, name="Demo tablets 20 mg")
        sk.lot.open(record, GTIN, LOT, expiry=date(2028, 6, 30), target=labels)
        sk.lot.approve(record, LOT)
        sk.serials.allocate(record, LOT, labels)
        sk.print.write(record, LOT, lanes=4, out=folder / "job.csv")
        sk.run.start(record, LOT)
        results, truth = folder / "results.csv", folder / "truth.csv"
        sk.inspect.rehearse(record, LOT, out=results, truth=truth, seed=7)
    return url


def started(url: str, *words: str) -> subprocess.Popen[str]:
    """A command in a process of its own."""
    asked = [sys.executable, "-m", "serialkeeper", "--record", url, "--as", PERSON, *words]
    more = {"SERIALKEEPER_STATION": "line 1", "PYTHONPATH": str(ROOT)}
    out, nothing = subprocess.PIPE, subprocess.DEVNULL
    environment = {**os.environ, **more}
    return subprocess.Popen(asked, env=environment, stdout=out, stderr=nothing, text=True)


def delays(record: sk.Record, before: int, told: list[list[float]]) -> list[float]:
    """For each new entry, the seconds from its moment until the browser showed it."""
    made = []
    for number, entry in enumerate(sk.record.entries(record, LOT), 1):
        if number > before:
            shown = next(moment for seen, moment in told if seen >= number)
            made.append(shown / 1000 - datetime.fromisoformat(entry["at"]).timestamp())
    return made


def measured(url: str, folder: Path) -> dict[str, list[float]]:
    """Delays, touches and answers while the file is taken in."""
    server = started(url, "serve", "--port", "0")
    assert server.stdout
    address = next(word for line in server.stdout for word in line.split() if "http://" in word)
    answers = []
    try:
        with browsing() as browser, httpx.Client(headers={"Accept": "text/html"}) as client:
            window: Any = browser.new_page(viewport={"width": 1280, "height": 800})
            window.goto(f"{address}now?lot={GTIN}/{LOT}")
            window.wait_for_selector("#live-mark.normal")
            window.evaluate(WATCH)
            with sk.open_record(url, person=PERSON) as record:
                before = len(list(sk.record.entries(record, LOT)))
            taking = started(url, "inspect", "take", LOT, str(folder / "results.csv"))
            while taking.poll() is None:
                window.click("#sound")
                began = time.perf_counter()
                assert client.get(f"{address}now?lot={GTIN}/{LOT}").status_code == 200
                answers.append(time.perf_counter() - began)
                time.sleep(0.1)
            assert taking.returncode in (0, 5)
            with sk.open_record(url, person=PERSON) as record:
                last = len(list(sk.record.entries(record, LOT)))
                window.locator(f"[data-entries='{last}']").wait_for(state="attached")
                behind = delays(record, before, window.evaluate("shownAt"))
            touches = [one / 1000 for one in window.evaluate("touched")]
    finally:
        server.terminate()
        server.wait(30)
    return {"behind": behind, "touch": touches, "answer": answers}


def main() -> int:
    """Measure once, and say whether the targets are met."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labels", type=int, default=100_000)
    labels = parser.parse_args().labels
    with tempfile.TemporaryDirectory(prefix="serialkeeper-bench-") as name:
        folder = Path(name)
        found = measured(prepared(folder, labels), folder)
    for what, times in found.items():
        middle = statistics.median(times)
        print(
            f"{what:7} {1000 * max(times):7.0f} ms at most, {1000 * middle:6.0f} ms in the middle"
        )
    return int(max(found["behind"]) > BEHIND or max(found["touch"]) > TOUCH)


if __name__ == "__main__":
    sys.exit(main())
