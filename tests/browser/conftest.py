"""A real server in a child process and a real browser; both are watched for any sign of a fault."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, expect, sync_playwright

from tests.browser import made_up

ROOT = Path(__file__).resolve().parents[2]

BROWSER_OPTIONS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
#: A busy machine may take this long over a page; how long a page takes is measured elsewhere [ms].
PATIENCE_MS = 60_000
WIDTHS = {"wide": (1280, 900), "narrow": (390, 844)}

#: The command that users type; the workspace and port are put in.
COMMAND = (
    "-m",
    "pipeline.cli",
    "--workspace",
    "{workspace}",
    "dashboard",
    "--no-browser",
    "--port",
    "{port}",
)
#: The same without the check of the command that something is published.
SERVE = (
    "-c",
    "import sys; from pathlib import Path; from dashboards.serve import serve; "
    "serve(Path(sys.argv[1]), port=int(sys.argv[2]), open_browser=False)",
    "{workspace}",
    "{port}",
)
TOWN_LOTS = 2_000
FAILED = pytest.StashKey[bool]()


@dataclass
class Server:
    """A dashboard in a child process."""

    address: str
    log_file: Path
    pid: int

    def log(self) -> str:
        """What the server has written so far."""
        return self.log_file.read_text(encoding="utf-8", errors="replace")


@contextmanager
def running_server(workspace: Path, log_file: Path, arguments: Sequence[str] = SERVE) -> Iterator[Server]:
    """Serve a workspace on a free port until the block ends; an early exit fails with the server's own words."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with (
        log_file.open("wb") as log,
        subprocess.Popen(
            [sys.executable, *(a.format(workspace=workspace, port=port) for a in arguments)],
            cwd=ROOT, stdout=log, stderr=subprocess.STDOUT,
        ) as child,
    ):  # fmt: skip
        server = Server(f"http://127.0.0.1:{port}", log_file, child.pid)
        try:
            _wait_for_answer(child, port, server)
            yield server
        finally:
            child.terminate()
            try:
                child.wait(timeout=15)
            except subprocess.TimeoutExpired:
                child.kill()


def cpu_seconds(server: Server) -> float:
    """Processor time that the server has used so far [s]; it tells of the work, whatever else the machine does."""
    # Fields 14 and 15 of proc_pid_stat(5), user and system; the second field may hold spaces, hence the split.
    after_name = Path(f"/proc/{server.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


def _wait_for_answer(child: subprocess.Popen[bytes], port: int, server: Server) -> None:
    for _ in range(600):
        try:
            child.wait(timeout=0.1)
        except subprocess.TimeoutExpired:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return
        else:
            pytest.fail(f"The server ended with exit code {child.returncode}:\n{server.log()}")
    pytest.fail(f"The server did not answer within a minute:\n{server.log()}")


@dataclass
class Watched:
    """A page with everything that went wrong on it."""

    page: Page
    server: Server
    outside: list[str] = field(default_factory=list)
    console: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def open(self, query: str) -> Page:
        """Open a page of the dashboard and wait until its first content is there."""
        self.page.goto(f"{self.server.address}/?{query}")
        self.page.locator("h1").first.wait_for()
        return self.page

    def assert_clean(self) -> None:
        """Fail on a request to anywhere else, a fault or warning in the browser, or a fault in the server's log."""
        assert self.outside == []
        assert self.faults == []
        assert self.console == []
        log = self.server.log()
        assert not re.search(r"error|traceback|exception", log, re.IGNORECASE), log

    def last_words(self) -> str:
        """What the page and the server say; a row of a table says what its cells say."""
        lines = self.page.locator("main").aria_snapshot().splitlines()
        dull = ("- cell ", "- columnheader ", "- rowgroup", "- option ", "- 'option ")
        text = "\n".join(line for line in lines if not line.lstrip().startswith(dull) or "[selected]" in line)
        faults = "\n".join([*self.faults, *self.console, *self.outside])
        return f"The page said last:\n{text}\nFaults:\n{faults}\nThe server:\n{self.server.log()[-3_000:]}"

    def on_console(self, message: ConsoleMessage) -> None:
        """Keep what the console should not have said."""
        if message.type in {"error", "warning", "assert"}:
            self.console.append(f"{message.type}: {message.text}")

    def on_request(self, url: str) -> None:
        """Keep requests that leave this server."""
        own = (self.server.address, self.server.address.replace("http", "ws"), "data:", "blob:")
        if not url.startswith(own):
            self.outside.append(url)


def find_chromium() -> str | None:
    """Path of the Chromium to use."""
    return os.environ.get("UNDERLOT_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    chromium = find_chromium()
    if chromium is None and not os.environ.get("CI"):
        pytest.skip("Chromium is not installed, so the dashboard was not tried in a browser.")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=list(BROWSER_OPTIONS))
        yield started
        started.close()


@pytest.fixture(scope="session")
def made_up_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("made_up")
    made_up.publish(folder)
    with running_server(folder, folder / "server.log") as server:
        yield server


@pytest.fixture(scope="session")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the workspace of a small invented town that went through every step of the real pipeline."""
    folder = tmp_path_factory.mktemp("town")
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "--workspace", str(folder), "demo", "--lots", str(TOWN_LOTS), "--no-serve"],
        cwd=ROOT, capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="session")
def town_server(town: Path) -> Iterator[Server]:
    with running_server(town, town / "server.log", COMMAND) as server:
        yield server


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Let the fixtures of a test know that it failed."""
    report = yield
    if report.when == "call" and report.failed:
        item.stash[FAILED] = True
    return report


@pytest.fixture
def watch(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Callable[..., Watched]]:
    """Return a function that opens a watched page of a server at one of the widths."""
    contexts = []
    all_watched = []

    def start(server: Server, width: str = "wide") -> Watched:
        across, down = WIDTHS[width]
        context = browser.new_context(viewport={"width": across, "height": down})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        watched = Watched(page, server)
        all_watched.append(watched)
        page.on("console", watched.on_console)
        page.on("pageerror", lambda fault: watched.faults.append(str(fault)))
        page.on("request", lambda request: watched.on_request(request.url))
        page.on("websocket", lambda socket_: watched.on_request(socket_.url))
        return watched

    yield start
    if FAILED in request.node.stash:
        for watched in all_watched:
            print(watched.last_words())  # noqa: T201 - the failure happened elsewhere: this is all there is to see of it
    for context in contexts:
        context.close()
