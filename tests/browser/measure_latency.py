"""Measure how long a reader waits in a browser: first page, filter change, lot chosen, move of the map.

    .venv/bin/python -m tests.browser.measure_latency --workspace underlot-work

Times are those of a real browser, from the key or button to the changed words on the page; the targets are a
first page in 3 s, a filter in 0.5 s, a lot in 0.3 s at the 95th percentile. Beside each stands what the server
worked for it, which a busy machine does not lengthen. `tests.benchmarks.many_readers` measures 50 readers at once.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import (
    BROWSER_OPTIONS,
    WIDTHS,
    Server,
    cpu_seconds,
    find_chromium,
    running_server,
)

REPEATS = 20

#: Counts the drawings that are done. The page's own script calls what Panel loaded: of two calls in each other one counts.
COUNT_DRAWINGS = """
window.drawn = 0;
let embed, depth = 0;
Object.defineProperty(window, "vegaEmbed", {
  get: () => embed,
  set: (given) => {
    embed = (...asked) => {
      depth += 1;
      const done = given(...asked);
      depth -= 1;
      if (depth === 0) done.then(() => { window.drawn += 1; });
      return done;
    };
  },
});
"""


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
        page.add_init_script(COUNT_DRAWINGS)
        for name, words in FIRST_WORDS.items():
            told(server, f"first page, {name}", lambda: [_first_page(page, server.address, name, words) for _ in range(5)])  # noqa: B023 - called at once  # fmt: skip
        page.goto(f"{server.address}/?page=age")
        told(server, "filter change on ageing", lambda: _filters(page, drawings=6))
        page.goto(f"{server.address}/?page=where")
        told(server, "filter change on where they fail", lambda: _filters(page, drawings=2))
        page.goto(f"{server.address}/?page=map")
        told(server, "filter change on the map", lambda: _filters(page))
        told(server, "button move of the map", lambda: _moves(page))
        told(server, "lot chosen before a sale", lambda: _lots(page, server.address))
        browser.close()


#: Words that stand near the end of a page.
FIRST_WORDS = {
    "age": "All materials",
    "where": "against chance",
    "map": "In this window",
    "sale": "To hand on",
    "budget": "What each building contributes",
}


def told(server: Server, what: str, measured: Callable[[], list[float]]) -> None:
    """Print the middle wait, the 95th percentile and the longest, and the server's work for one."""
    before = cpu_seconds(server)
    seconds = measured()
    worked = (cpu_seconds(server) - before) / len(seconds)
    middle, high = np.percentile(seconds, [50, 95])
    print(f"{what}: {middle:.2f} s, p95 {high:.2f} s, longest {max(seconds):.2f} s; server {worked:.3f} s ({len(seconds)} times)")  # noqa: T201  # fmt: skip


def timed(act: Callable[[], None], seen: Callable[[], None]) -> float:
    """Seconds from an act to what it brings about."""
    started = time.monotonic()
    act()
    seen()
    return time.monotonic() - started


def _first_page(page: Page, address: str, name: str, words: str) -> float:
    return timed(
        lambda: page.goto(f"{address}/?page={name}") and None,
        page.get_by_text(words).first.wait_for,
    )


def _filters(page: Page, drawings: int = 0) -> list[float]:
    """Waits until the page says what is shown, and so many drawings are done anew."""
    select = page.get_by_label("Looked at from")
    select.wait_for()
    page.wait_for_timeout(2_000)
    years = [option for option in select.locator("option").all_inner_texts() if option.isdigit()]
    waits = []
    for i in range(REPEATS):
        year = years[i % len(years)]
        before = page.evaluate("window.drawn")

        def seen(year: str = year, before: int = before) -> None:
            page.get_by_text(f"looks of {year} to", exact=False).first.wait_for()
            page.wait_for_function(f"window.drawn >= {before + drawings}")

        waits.append(timed(lambda year=year: select.select_option(label=year) and None, seen))
        page.wait_for_timeout(300)
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


if __name__ == "__main__":
    main()
