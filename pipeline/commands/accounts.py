"""`underlot accounts`."""

from __future__ import annotations

import click
from rich.console import Console
from rich.table import Table

from pipeline.accounts import ROLES, Accounts
from pipeline.commands import Context, add_plain_row


@click.group("accounts")
def accounts_command() -> None:
    """Say who may see the dashboard over a network, and how much of it.

    Where there are accounts, every page asks for a name and a password. Without any, the dashboard serves
    this machine only.

    \b
    Examples:
      underlot accounts add office
      underlot accounts add agent --role portfolio --portfolio P1
      underlot accounts remove agent
    """


@accounts_command.command("add")
@click.argument("name")
@click.option(
    "--role", type=click.Choice(list(ROLES)), default="all", show_default=True, help="What the account sees."
)
@click.option(
    "--portfolio", "portfolios", multiple=True, help="For the role portfolio: its tag; may be repeated."
)
@click.password_option(help="Asked for where it is not given, which keeps it out of the shell's history.")
@click.pass_obj
def add_command(context: Context, name: str, role: str, portfolios: tuple[str, ...], password: str) -> None:
    """Add an account, or give the one of that name a new password and role.

    \b
    Roles:
      all         sees everything, brings files in and builds
      portfolio   sees the lots of its own portfolios, and the blocks they lie in
      blocks      sees figures of blocks and subdivisions, and no single lot
    """
    Accounts(context.workspace).add(name, role=role, portfolios=portfolios, password=password)
    click.echo(f"{name} can sign in and {ROLES[role]}.")


@accounts_command.command("remove")
@click.argument("name")
@click.pass_obj
def remove_command(context: Context, name: str) -> None:
    """Take an account away; its open pages end when they are reloaded."""
    Accounts(context.workspace).remove(name)
    click.echo(f"{name} can no longer sign in.")


@accounts_command.command("list")
@click.pass_obj
def list_command(context: Context) -> None:
    """Show who can sign in."""
    accounts = Accounts(context.workspace).by_name
    if not accounts:
        click.echo("There are no accounts; the dashboard serves this machine only.")
        return
    table = Table("name", "role", "portfolios")
    for name in sorted(accounts):
        add_plain_row(table, name, accounts[name].role, ", ".join(accounts[name].portfolios))
    Console(width=100).print(table)
