"""Take the README's pictures of a workspace's dashboard.

    .venv/bin/python -m tests.browser.take_pictures --workspace underlot-work --out dashboards/pictures

(`make pictures` does that for the demo's workspace, at both widths.) Each picture is a PNG below 110 kB.
"""

from __future__ import annotations

import argparse
import tempfile
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import BROWSER_OPTIONS, WIDTHS, Server, find_chromium, running_server

#: File name, query, and where the picture starts: words that are scrolled to the top, or None.
VIEWS = (
    ("how_pipes_age", "page=age", None),
    ("one_material", "page=age", "Vitrified clay"),
    ("where_they_fail", "page=where", None),
    ("the_map", "page=map", "Show"),
    ("the_map_near", "page=map&lot=000000500", "Show"),
    ("before_a_sale_house", "page=sale", None),
    ("before_a_sale_subdivision", "page=sale&about=subdivision", None),
    ("replacement_budget", "page=budget", None),
    ("which_connections_first", "page=connections", None),
    ("where_to_offer_a_look", "page=canvass", None),
    ("how_far_to_trust_it", "page=trust", None),
    ("the_records", "page=records", None),
)
LARGEST_BYTES = 110_000


def main() -> None:
    """Serve the workspace and take every picture at the asked widths."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workspace", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--widths", nargs="+", choices=list(WIDTHS), default=["wide"])
    parser.add_argument("--prefix", default="", help="put before each file name")
    parser.add_argument("--whole", action="store_true", help="the whole page instead of the first screen")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as scratch,
        running_server(asked.workspace.resolve(), Path(scratch) / "server.log") as server,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(BROWSER_OPTIONS))
        for width in asked.widths:
            for name, query, start in VIEWS:
                suffix = "" if width == "wide" else f"_{width}"
                file = asked.out / f"{asked.prefix}{name}{suffix}.png"
                file.write_bytes(_small(_picture(browser, server, width, query, start, whole=asked.whole)))
                print(f"{file.name}: {file.stat().st_size:,} bytes")  # noqa: T201
        browser.close()


def _picture(
    browser: Browser, server: Server, width: str, query: str, start: str | None, *, whole: bool
) -> bytes:
    across, down = WIDTHS[width]
    page = browser.new_page(viewport={"width": across, "height": down})
    page.goto(f"{server.address}/?{query}")
    # Records without blocks or houses have an empty state in place of a chart.
    page.locator(".vega-embed, .u-empty, canvas").last.wait_for()
    page.get_by_role("heading", level=1).first.wait_for()
    if start is not None and not whole:
        words = page.get_by_text(start, exact=True)
        if words.count():
            words.first.evaluate("node => node.scrollIntoView()")
    page.wait_for_load_state("networkidle")
    # Widgets that were sent settle into their places.
    page.wait_for_timeout(1_000)
    taken = page.screenshot(full_page=whole)
    page.close()
    return taken


def _small(png: bytes) -> bytes:
    """The same picture with no more colours than a README needs, and fewer where it would be too large."""
    picture = Image.open(BytesIO(png)).convert("RGB")
    for colours in (256, 96, 48, 24):
        out = BytesIO()
        picture.quantize(colours).save(out, "PNG", optimize=True)
        if out.tell() <= LARGEST_BYTES:
            break
    return out.getvalue()


if __name__ == "__main__":
    main()
