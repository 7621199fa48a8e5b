"""Signing in: our own page without outside requests, and a pause after wrong passwords."""

from __future__ import annotations

import asyncio
import hmac
import secrets
import time
from pathlib import Path
from urllib.parse import quote, urlsplit

import panel as pn
from bokeh.server.auth_provider import AuthProvider
from jinja2 import Environment
from markupsafe import Markup
from tornado.web import RequestHandler

from dashboards import theme
from pipeline.accounts import Account, Accounts
from pipeline.settings import Workspace

COOKIE, TOKEN = "user", "signing_in"
#: A session ends after this many days, signed in or not.
LASTS_DAYS = 1.0
#: Wrong passwords of one name, or from one address, before it has to wait; and how long [s].
MOST_TRIES, PAUSE_S = 5, 60.0

PAGE = Environment(autoescape=True).from_string(
    Path(__file__).with_name("login.html").read_text(encoding="utf-8")
)
WRONG = "Name or password is not right."
WAIT = "Too many wrong passwords. Wait a minute, then try again."
EXPIRED = "This page was open for too long. Try again."


class Gate(AuthProvider):
    """Lets those with an account in; the name in a signed cookie is all that is kept of them.

    Parameters
    ----------
    workspace : Workspace
        Whose accounts; they are read again at each sign-in, so that one taken away is out at the next page.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._tries = Tries()
        super().__init__()

    @property
    def get_user(self):  # type: ignore[no-untyped-def]
        """How a request's user is told."""

        def user(handler: RequestHandler) -> str | None:
            given = handler.get_signed_cookie(COOKIE, max_age_days=LASTS_DAYS)
            name = given.decode("utf-8") if given else None
            return name if name in Accounts(self._workspace).by_name else None

        return user

    @property
    def login_url(self) -> str:
        """Where to sign in."""
        return "/login"

    @property
    def login_handler(self) -> type[RequestHandler]:
        """The page to sign in on."""
        return type("SignIn", (_SignIn,), {"workspace": self._workspace, "tries": self._tries})

    @property
    def logout_url(self) -> str:
        """Where to sign out."""
        return "/logout"

    @property
    def logout_handler(self) -> type[RequestHandler]:
        """The page to sign out on."""
        return _SignOut


class Tries:
    """Wrong passwords of late, by name and by address."""

    def __init__(self) -> None:
        self._wrong: dict[str, list[float]] = {}

    def must_wait(self, *keys: str) -> bool:
        """Whether any of the keys had too many."""
        since = time.monotonic() - PAUSE_S
        for key in list(self._wrong):
            self._wrong[key] = [at for at in self._wrong[key] if at > since]
            if not self._wrong[key]:
                del self._wrong[key]
        return any(len(self._wrong.get(key, ())) >= MOST_TRIES for key in keys)

    def note(self, *keys: str) -> None:
        """Note a wrong one."""
        for key in keys:
            self._wrong.setdefault(key, []).append(time.monotonic())


class _SignIn(RequestHandler):
    workspace: Workspace
    tries: Tries

    def get(self) -> None:
        """Show the page."""
        self._show("")

    def _show(self, fault: str) -> None:
        # The form comes back with what only this browser has been given: nobody else can sign it in.
        token = secrets.token_urlsafe(24)
        self.set_signed_cookie(TOKEN, token, expires_days=None, httponly=True, samesite="Strict")
        self.set_header("Cache-Control", "no-store")
        self.set_header("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'")  # fmt: skip
        page = _local(self.get_argument("next", "/"))
        self.write(
            PAGE.render(
                fault=fault, token=token, font=Markup(theme.FONT), action=f"/login?next={quote(page)}"
            )
        )

    async def post(self) -> None:
        """Check name and password."""
        name, password = self.get_body_argument("name", ""), self.get_body_argument("password", "")
        mine = self.get_signed_cookie(TOKEN) or b""
        if not mine or not hmac.compare_digest(mine, self.get_body_argument("token", "").encode()):
            self._show(EXPIRED)
            return
        keys = (f"name {name}", f"address {self.request.remote_ip}")
        if self.tries.must_wait(*keys):
            self.set_status(429)
            self._show(WAIT)
            return
        # Hashing is slow on purpose; nobody else's page waits for it.
        if not await asyncio.to_thread(Accounts(self.workspace).verified, name, password):
            self.tries.note(*keys)
            self._show(WRONG)
            return
        is_https = self.request.protocol == "https"
        self.set_signed_cookie(
            COOKIE, name, expires_days=LASTS_DAYS, httponly=True, samesite="Lax", secure=is_https
        )
        self.redirect(_local(self.get_argument("next", "/")))


class _SignOut(RequestHandler):
    def get(self) -> None:
        """Forget who it was."""
        self.clear_cookie(COOKIE)
        self.redirect("/login")


def _local(page: str) -> str:
    """The page to go to, if it is one of this server."""
    parts = urlsplit(page)
    is_own = not parts.scheme and not parts.netloc and page.startswith("/") and "\\" not in page
    return page if is_own and not page.startswith("//") else "/"


def present_account(accounts: Accounts | None) -> Account | None:
    """The account of this session; None where no accounts are kept and the machine's own user sits here.

    Raises
    ------
    KeyError
        The account was taken away since the page was asked for.
    """
    return None if accounts is None else accounts.by_name[pn.state.user]
