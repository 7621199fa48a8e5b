"""Measure how long a reader waits: first page, filter change, lot click, move of the map; 50 readers at once.

    .venv/bin/python -m tests.browser.measure_latency --workspace underlot-work

Times are those of a real browser, from the key or button to the changed words on the page; the targets are a
first page in 3 s, a filter in 0.5 s, a lot in 0.3 s at the 95th percentile, and 1 s for 50 sessions at once.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from dashboards.data import Records
from dashboards.filters import View
from pipeline.published.read import PublishedReader, open_current
from tests.browser.conftest import BROWSER_OPTIONS, WIDTHS, find_chromium, running_server

REPEATS = 20
SESSIONS, THINK_S, ROUNDS = 50, 5.0, 6


def main() -> None:
    """Measure and print one line for each kind of wait."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workspace", type=Path, required=True)
    workspace = parser.parse_args().workspace.resolve()
    with (
        tempfile.TemporaryDirectory() as scratch,
        running_server(workspace, Path(scratch) / "server.log") as server,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(BROWSER_OPTIONS))
        page = browser.new_page(viewport=dict(zip(("width", "height"), WIDTHS["wide"], strict=True)))
        page.goto(f"{server.address}/?page=map")
        page.locator("canvas").first.wait_for()
        told("first page of the map", [_first_page(page, server.address) for _ in range(5)])
        told("filter change on the map", _filters(page))
        told("button move of the map", _moves(page))
        told("lot chosen before a sale", _lots(page, server.address))
        browser.close()
    with open_current(workspace) as reader:
        told(f"{SESSIONS} sessions, queries of a filter change", _sessions(reader))


def told(what: str, seconds: list[float]) -> None:
    """Print the middle, the 95th percentile and the longest."""
    middle, high = np.percentile(seconds, [50, 95])
    print(f"{what}: {middle:.2f} s, p95 {high:.2f} s, longest {max(seconds):.2f} s ({len(seconds)} times)")  # noqa: T201


def timed(act: Callable[[], None], seen: Callable[[], None]) -> float:
    """Seconds from an act to what it brings about."""
    started = time.monotonic()
    act()
    seen()
    return time.monotonic() - started


def _first_page(page: Page, address: str) -> float:
    return timed(
        lambda: page.goto(f"{address}/?page=map") and None, lambda: page.get_by_role("row").nth(1).wait_for()
    )


def _filters(page: Page) -> list[float]:
    select = page.get_by_label("Looked at from")
    years = [option for option in select.locator("option").all_inner_texts() if option.isdigit()]
    waits = []
    for i in range(REPEATS):
        year = years[i % len(years)]
        waits.append(
            timed(
                lambda year=year: select.select_option(label=year) and None,
                lambda year=year: page.get_by_text(f"looks of {year} to", exact=False).wait_for(),
            )
        )
    return waits


def _moves(page: Page) -> list[float]:
    waits = []
    for i in range(REPEATS):
        was = page.url
        button = page.get_by_role("button", name="Closer" if i % 2 == 0 else "Farther")
        waits.append(timed(button.click, lambda was=was: page.wait_for_url(lambda url: url != was)))
    return waits


def _lots(page: Page, address: str) -> list[float]:
    page.goto(f"{address}/?page=sale")
    page.get_by_label("Address or lot").press_sequentially("1")
    page.wait_for_timeout(1_000)
    found = page.get_by_label("Lots found")
    lots = [label for label in found.locator("option").all_inner_texts() if "choose" not in label][:REPEATS]
    return [
        timed(
            lambda lot=lot: found.select_option(label=lot) and None,
            lambda lot=lot: page.get_by_role("heading", level=2, name=lot, exact=True).wait_for(),
        )
        for lot in lots
    ]


def _sessions(reader: PublishedReader) -> list[float]:
    """Fifty readers who each change a filter every few seconds, answered by threads of one process."""
    records = Records(reader)
    whole = records.map.extent(View())
    assert whole is not None
    options, waits, lock = records.options, [], threading.Lock()

    def reader_at_work(number: int) -> None:
        rng = np.random.default_rng(number)
        time.sleep(rng.uniform(0, THINK_S))
        for _ in range(ROUNDS):
            view = View(subdivision=str(rng.choice(options.subdivision)) if rng.uniform() < 0.5 else "")
            window = whole.around(float(rng.uniform(0.1, 1)))
            started = time.monotonic()
            records.map.drawn(view, window)
            records.map.named(view, window)
            with lock:
                waits.append(time.monotonic() - started)
            time.sleep(THINK_S)

    threads = [threading.Thread(target=reader_at_work, args=(i,)) for i in range(SESSIONS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return waits


if __name__ == "__main__":
    main()
