"""Who may see a dashboard that others on the network can reach, and how much of it.

Accounts are one file of the workspace, readable by its owner only, with passwords as Argon2id hashes. The
key that signs sessions is another; neither is ever part of the program.
"""

from __future__ import annotations

import os
import secrets
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import tomli_w
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from pipeline.errors import SettingsError
from pipeline.published.scope import Scope
from pipeline.settings import Workspace

ALL, PORTFOLIO, BLOCKS = "all", "portfolio", "blocks"
ROLES = {
    ALL: "sees everything, brings files in and builds",
    PORTFOLIO: "sees the lots of its own portfolios, and the blocks they lie in",
    BLOCKS: "sees figures of blocks and subdivisions, and no single lot",
}
SHORTEST_PASSWORD = 12
OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True)
class Account:
    """One person, or one office.

    Attributes
    ----------
    name : str
        What is typed to sign in.
    role : str
        A key of `ROLES`.
    portfolios : tuple of str
        For the role 'portfolio': tags of `lots.portfolio`.
    password_hash : str
        Argon2id, with its parameters and salt.
    """

    name: str
    role: str
    portfolios: tuple[str, ...]
    password_hash: str

    @property
    def scope(self) -> Scope | None:
        """What of the published tables this account may see; None means everything."""
        if self.role == ALL:
            return None
        return Scope(portfolios=self.portfolios if self.role == PORTFOLIO else ())


class Accounts:
    """The accounts of a workspace.

    Parameters
    ----------
    workspace : Workspace
        Whose accounts.

    Raises
    ------
    SettingsError
        The file is there, but cannot be read or says something impossible.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._file = workspace.root / "accounts.toml"
        self._workspace = workspace
        self.by_name: dict[str, Account] = _read(self._file) if self._file.exists() else {}

    def add(self, name: str, *, role: str, portfolios: tuple[str, ...], password: str) -> None:
        """Add an account, or replace the one of that name.

        Raises
        ------
        SettingsError
            The name, role, portfolios or password will not do.
        """
        if not name.strip() or name != name.strip() or len(name) > 60:
            raise SettingsError(f"{name!r} is no name for an account. Give a word of up to 60 characters.")
        if len(password) < SHORTEST_PASSWORD:
            raise SettingsError(f"The password is too short. Give at least {SHORTEST_PASSWORD} characters.")
        account = Account(name, role, portfolios, PasswordHasher().hash(password))
        _check(account)
        self.by_name[name] = account
        self._write()

    def remove(self, name: str) -> None:
        """Take an account away.

        Raises
        ------
        SettingsError
            There is none of that name.
        """
        if name not in self.by_name:
            known = ", ".join(sorted(self.by_name)) or "none"
            raise SettingsError(f"There is no account {name!r}. Accounts: {known}.")
        del self.by_name[name]
        self._write()

    def verified(self, name: str, password: str) -> bool:
        """Say whether name and password belong together; takes as long for a name that does not exist."""
        account = self.by_name.get(name)
        try:
            PasswordHasher().verify(account.password_hash if account else _nobody(), password)
        except (VerificationError, InvalidHashError):
            return False
        return account is not None

    def _write(self) -> None:
        self._workspace.create()
        content = {
            a.name: {"role": a.role, "portfolios": list(a.portfolios), "password_hash": a.password_hash}
            for a in self.by_name.values()
        }
        part = self._file.with_suffix(".part")
        with _writing(self._file):
            part.unlink(missing_ok=True)
            _write_private(part, tomli_w.dumps(content).encode("utf-8"))
            part.replace(self._file)


@cache
def _nobody() -> str:
    return PasswordHasher().hash(secrets.token_hex(16))


def session_key(workspace: Workspace) -> str:
    """Return the key that signs sessions; made on first use, in a file for its owner only."""
    file = workspace.root / "session.key"
    if not file.exists():
        workspace.create()
        with _writing(file):
            _write_private(file, secrets.token_hex(32).encode("ascii"))
    return file.read_text(encoding="ascii").strip()


@contextmanager
def _writing(file: Path) -> Iterator[None]:
    """Turn a refusal of the disk into one sentence."""
    try:
        yield
    except OSError as exc:
        raise SettingsError(
            f"{file}: cannot be written ({exc.strerror or exc}). Correct its permissions, or choose another workspace."
        ) from exc


def _write_private(file: Path, content: bytes) -> None:
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "wb") as out:
        out.write(content)


def _read(file: Path) -> dict[str, Account]:
    try:
        given: Mapping[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
        accounts = [
            Account(name, str(a["role"]), tuple(a["portfolios"]), str(a["password_hash"]))
            for name, a in given.items()
        ]
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError) as exc:
        msg = f"{file.name}: the accounts cannot be read ({exc}). Move the file away and add them again."
        raise SettingsError(msg) from exc
    for account in accounts:
        _check(account)
    return {account.name: account for account in accounts}


def _check(account: Account) -> None:
    if account.role not in ROLES:
        msg = f"account {account.name}: {account.role!r} is no role. Roles: {', '.join(ROLES)}."
        raise SettingsError(msg)
    if (account.role == PORTFOLIO) != bool(account.portfolios):
        msg = f"account {account.name}: the role '{PORTFOLIO}', and no other, needs at least one portfolio."
        raise SettingsError(msg)
