"""Signing in: nobody without an account, each account with its own rows, and nothing served to a network without."""

from __future__ import annotations

import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import expect

from dashboards.access import MOST_TRIES, WAIT, WRONG
from pipeline.accounts import Accounts
from pipeline.settings import Workspace
from tests.browser import made_up
from tests.browser.conftest import ROOT, Server, Watched, running_server

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]
PASSWORD = "a long pass phrase"


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("guarded")
    made_up.publish(folder)
    accounts = Accounts(Workspace(folder))
    accounts.add("office", role="all", portfolios=(), password=PASSWORD)
    accounts.add("agent", role="portfolio", portfolios=("M2",), password=PASSWORD)
    accounts.add("engineer", role="blocks", portfolios=(), password=PASSWORD)
    with running_server(folder, folder / "server.log") as server:
        yield server


def sign_in(watched: Watched, name: str, query: str, password: str = PASSWORD) -> None:
    page = watched.page
    page.goto(f"{watched.server.address}/?{query}")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def test_signing_in_leads_to_the_page_that_was_asked_for(guarded: Server, watch: Watch) -> None:
    watched = watch(guarded)
    sign_in(watched, "office", "page=records", "not the pass phrase")
    expect(watched.page.get_by_role("alert")).to_have_text(WRONG)
    sign_in(watched, "office", "page=records")
    expect(watched.page.get_by_role("heading", name="The records", level=1)).to_be_visible()
    expect(watched.page.get_by_role("heading", name="Bring in a file")).to_be_visible()
    cookie = next(c for c in watched.page.context.cookies() if c["name"] == "user")
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Lax"
    watched.page.get_by_role("link", name="sign out").click()
    expect(watched.page.get_by_role("heading", name="Sign in")).to_be_visible()
    watched.assert_clean()


def test_a_portfolio_account_sees_its_own_lots_and_no_records(guarded: Server, watch: Watch) -> None:
    lots = made_up.frames()["lots"]
    mine = lots.filter(portfolio="M2")
    other = lots.filter(pl.col("portfolio").is_null())["lot_id"][1]
    watched = watch(guarded)
    sign_in(watched, "agent", "page=map")
    page = watched.page
    expect(page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")).to_have_text(
        f"{mine.height}"
    )
    page.goto(f"{guarded.address}/?page=sale&lot={other}")
    heading = page.get_by_role("heading", level=2).first
    expect(heading).to_be_visible()
    assert heading.inner_text() in set(mine["address"])
    page.goto(f"{guarded.address}/?page=records")
    expect(page.get_by_role("heading", name="The records", level=1)).to_have_count(0)
    expect(page.get_by_role("link", name="The records")).to_have_count(0)
    watched.assert_clean()


def test_an_account_for_areas_has_no_page_of_lots(guarded: Server, watch: Watch) -> None:
    watched = watch(guarded)
    sign_in(watched, "engineer", "page=sale")
    page = watched.page
    expect(page.get_by_role("heading", name="How pipes age", level=1)).to_be_visible()
    links = page.get_by_role("navigation", name="Pages").get_by_role("link").all_inner_texts()
    assert links == ["How pipes age", "Where they fail", "Where to offer a look"]
    page.get_by_role("link", name="Where they fail").click()
    expect(page.locator(".u-figure").filter(has_text="blocks").first).to_be_visible()
    watched.assert_clean()


def test_after_several_wrong_passwords_the_right_one_has_to_wait(tmp_path: Path, watch: Watch) -> None:
    made_up.publish(tmp_path)
    Accounts(Workspace(tmp_path)).add("office", role="all", portfolios=(), password=PASSWORD)
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        for _ in range(MOST_TRIES):
            sign_in(watched, "office", "page=age", "wrong")
            expect(watched.page.get_by_role("alert")).to_have_text(WRONG)
        sign_in(watched, "office", "page=age")
        expect(watched.page.get_by_role("alert")).to_have_text(WAIT)


def test_a_form_from_elsewhere_signs_nobody_in(guarded: Server) -> None:
    body = f"name=office&password={PASSWORD.replace(' ', '+')}".encode()
    with urllib.request.urlopen(f"{guarded.address}/login", data=body, timeout=20) as answer:
        assert "This page was open for too long" in answer.read().decode()
        assert "user=" not in (answer.headers.get("Set-Cookie") or "").replace("signing_in", "")


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"]
)
def test_signing_in_never_leads_to_another_server(guarded: Server, watch: Watch, elsewhere: str) -> None:
    watched = watch(guarded)
    page = watched.page
    page.goto(f"{guarded.address}/login?next={elsewhere}")
    page.get_by_label("Name").fill("office")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.locator("h1").first.wait_for()
    assert page.url.startswith(guarded.address)
    assert watched.outside == []


def test_a_forged_cookie_is_not_believed(guarded: Server) -> None:
    request = urllib.request.Request(f"{guarded.address}/?page=records", headers={"Cookie": "user=office"})
    with urllib.request.urlopen(request, timeout=20) as answer:
        assert "/login" in answer.url


def test_the_live_connection_needs_an_account_too(guarded: Server) -> None:
    request = urllib.request.Request(
        f"{guarded.address}/ws",
        headers={
            "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
            "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Origin": guarded.address,
        },
    )  # fmt: skip
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(request, timeout=20)
    refused.value.close()
    assert refused.value.code == 403


def test_a_network_address_without_accounts_is_refused_in_one_sentence(tmp_path: Path) -> None:
    made_up.publish(tmp_path)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "--workspace", str(tmp_path), "dashboard", "--no-browser", "--port", str(port), "--address", "0.0.0.0"],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.stderr == (
        "Others could reach 0.0.0.0, and this workspace has no accounts, so nothing is served there. "
        "Add one with `underlot accounts add NAME`, or leave --address out to serve this machine only.\n"
    )
    assert done.returncode == 2
