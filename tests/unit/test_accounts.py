"""Accounts: hashes, not passwords, in a file for its owner; roles; one sentence for what will not do."""

import stat

import pytest

from pipeline.accounts import Accounts, session_key
from pipeline.errors import SettingsError
from pipeline.published.scope import Scope
from pipeline.settings import Workspace

PASSWORD = "a long pass phrase"


@pytest.fixture
def workspace(tmp_path):
    return Workspace(tmp_path)


def test_only_the_right_password_signs_in_and_none_is_kept(workspace):
    Accounts(workspace).add("office", role="all", portfolios=(), password=PASSWORD)
    accounts = Accounts(workspace)
    assert accounts.verified("office", PASSWORD)
    assert not accounts.verified("office", PASSWORD + " ")
    assert not accounts.verified("nobody", PASSWORD)
    text = (workspace.root / "accounts.toml").read_text()
    assert PASSWORD not in text
    # The string form of the PHC competition's winner, https://www.rfc-editor.org/rfc/rfc9106.
    assert "$argon2id$v=19$" in text


def test_two_accounts_of_one_password_have_different_hashes(workspace):
    accounts = Accounts(workspace)
    for name in ("one", "two"):
        accounts.add(name, role="all", portfolios=(), password=PASSWORD)
    assert accounts.by_name["one"].password_hash != accounts.by_name["two"].password_hash


@pytest.mark.parametrize("file", ["accounts.toml", "session.key"])
def test_secrets_are_for_their_owner_only(workspace, file):
    Accounts(workspace).add("office", role="all", portfolios=(), password=PASSWORD)
    session_key(workspace)
    assert stat.S_IMODE((workspace.root / file).stat().st_mode) == 0o600


def test_the_session_key_is_made_once(workspace):
    key = session_key(workspace)
    assert len(bytes.fromhex(key)) == 32
    assert session_key(workspace) == key


def test_roles_say_what_of_the_tables_is_there(workspace):
    accounts = Accounts(workspace)
    accounts.add("office", role="all", portfolios=(), password=PASSWORD)
    accounts.add("agent", role="portfolio", portfolios=("P1", "P2"), password=PASSWORD)
    accounts.add("engineer", role="blocks", portfolios=(), password=PASSWORD)
    scopes = {name: account.scope for name, account in Accounts(workspace).by_name.items()}
    assert scopes == {"office": None, "agent": Scope(("P1", "P2")), "engineer": Scope(())}


@pytest.mark.parametrize(
    ("name", "role", "portfolios", "password", "words"),
    [
        ("office", "all", (), "short", "at least 12 characters"),
        ("office", "king", (), PASSWORD, "'king' is no role"),
        ("office", "portfolio", (), PASSWORD, "needs at least one portfolio"),
        ("office", "all", ("P1",), PASSWORD, "and no other, needs at least one portfolio"),
        (" ", "all", (), PASSWORD, "is no name for an account"),
    ],
)
def test_what_will_not_do_is_told_and_nothing_is_written(workspace, name, role, portfolios, password, words):
    with pytest.raises(SettingsError, match=words):
        Accounts(workspace).add(name, role=role, portfolios=portfolios, password=password)
    assert not (workspace.root / "accounts.toml").exists()


def test_removing_takes_one_away_and_refuses_an_unknown_name(workspace):
    accounts = Accounts(workspace)
    accounts.add("office", role="all", portfolios=(), password=PASSWORD)
    with pytest.raises(SettingsError, match=r"There is no account 'agent'\. Accounts: office\."):
        accounts.remove("agent")
    accounts.remove("office")
    assert Accounts(workspace).by_name == {}


def test_a_damaged_file_lets_nobody_in(workspace):
    (workspace.root / "accounts.toml").write_text('[office]\nrole = "all"\n')
    with pytest.raises(SettingsError, match="the accounts cannot be read"):
        Accounts(workspace)


def test_a_place_that_cannot_be_written_is_told(workspace, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    accounts = Accounts(workspace)
    monkeypatch.setattr("pipeline.accounts.os.open", refuse)
    for attempt in (
        lambda: accounts.add("office", role="all", portfolios=(), password=PASSWORD),
        lambda: session_key(workspace),
    ):
        with pytest.raises(
            SettingsError, match=r"cannot be written \(Permission denied\)\. Correct its permissions"
        ):
            attempt()
    assert list(workspace.root.iterdir()) == []
