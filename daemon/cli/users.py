"""``tegwatch users``: who may use page and API over TCP. Works on the users file, with or without a daemon.

A running daemon takes a change over within a second, ends the sessions that it concerns and keeps it in
the journal.
"""

from __future__ import annotations

import getpass
import json
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from daemon.cli.console import standard_output
from daemon.cli.exits import FAILED, REFUSED, USAGE, clear_failures, fail
from daemon.web.access.permissions import SCOPES, Permission, Role

if TYPE_CHECKING:
    from config.site import Site
    from daemon.web.access.accounts import Accounts, AccountsFile

SiteFile = Annotated[Path, typer.Argument(metavar="SITE", help="Site file.")]
Name = Annotated[str, typer.Argument(help="Name of the user: lower-case letters, digits, . _ -")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a program.")]
FromInput = Annotated[
    bool, typer.Option("--password-stdin", help="Read the password from standard input instead of asking.")
]

app = typer.Typer(no_args_is_help=True, help="Users and tokens of page and API. No password is preset.")
tokens = typer.Typer(no_args_is_help=True, help="Tokens, by which programs ask instead of people.")
app.add_typer(tokens, name="token")


@app.command(epilog="Example: tegwatch users add site.toml kim --role operator")
def add(
    site_file: SiteFile,
    name: Name,
    *,
    role: Annotated[Role, typer.Option(help="What the user may do.")] = Role.VIEWER,
    from_input: FromInput = False,
) -> None:
    """Add a user; the password is asked for."""
    from daemon.web.access.accounts import User
    from daemon.web.access.passwords import hash_password

    with _changing(site_file) as (site, file):
        if file.read().user(name) is not None:
            fail(f"there is a user {name} already", REFUSED)
        password = _new_password(name, site, from_input=from_input)
        user = User(name=name, role=role, password=hash_password(password), changed=time.time())
        file.change(lambda accounts: accounts.with_user(user))
    print(f"{name} may now log in as {role.value}")


@app.command("list", epilog="Example: tegwatch users list site.toml")
def list_users(site_file: SiteFile, *, as_json: AsJson = False) -> None:
    """List the users."""
    with _changing(site_file) as (_, file):
        users = file.read().users
    facts = [
        {"name": one.name, "role": one.role.value, "password_changed": _moment(one.changed)} for one in users
    ]
    _show(facts, "no users yet; make one with: tegwatch users add", as_json=as_json)


@app.command("set-role", epilog="Example: tegwatch users set-role site.toml kim engineer")
def set_role(site_file: SiteFile, name: Name, role: Role) -> None:
    """Give a user another role; ends the user's sessions."""
    _edit(
        site_file,
        lambda accounts: accounts.changed(accounts.known(name).model_copy(update={"role": role})),
    )
    print(f"{name} is now {role.value}")


@app.command("set-password", epilog="Example: tegwatch users set-password site.toml kim")
def set_password(site_file: SiteFile, name: Name, *, from_input: FromInput = False) -> None:
    """Give a user a new password; ends the user's sessions."""
    from daemon.web.access.passwords import hash_password

    with _changing(site_file) as (site, file):
        file.read().known(name)
        kept = hash_password(_new_password(name, site, from_input=from_input))
        update = {"password": kept, "changed": time.time()}
        file.change(lambda accounts: accounts.changed(accounts.known(name).model_copy(update=update)))
    print(f"{name} has a new password")


@app.command(epilog="Example: tegwatch users remove site.toml kim")
def remove(site_file: SiteFile, name: Name) -> None:
    """Remove a user with all sessions and tokens."""
    _edit(site_file, lambda accounts: accounts.without_user(name))
    print(f"{name} is removed")


@tokens.command(
    epilog='Example: tegwatch users token create site.toml kim --scope view --note "report script"'
)
def create(
    site_file: SiteFile,
    name: Name,
    *,
    scope: Annotated[list[str], typer.Option(help=f"What it may do, repeatable: {', '.join(SCOPES)}.")],
    days: Annotated[float, typer.Option(min=0.01, max=400, help="How long it works.")] = 90.0,
    note: Annotated[str, typer.Option(help="What it is for.")] = "",
) -> None:
    """Make a token that acts for a user. Its secret is printed this once and kept nowhere."""
    from daemon.web.access.accounts import new_token

    unknown = [one for one in scope if one not in SCOPES]
    if unknown:
        fail(f"--scope: there is no {', '.join(unknown)}; use {', '.join(SCOPES)}", USAGE)
    secret, token = new_token(name, [Permission(one) for one in scope], time.time(), days * 86400.0, note)
    _edit(site_file, lambda accounts: accounts.with_token(token))
    print(f"{token.id} works until {_moment(token.expires)}", file=sys.stderr)
    print(secret)


@tokens.command("list", epilog="Example: tegwatch users token list site.toml")
def list_tokens(site_file: SiteFile, *, as_json: AsJson = False) -> None:
    """List the tokens, without their secrets."""
    with _changing(site_file) as (_, file):
        found = file.read().tokens
    facts = [
        {
            "id": one.id,
            "user": one.user,
            "scopes": ", ".join(one.scopes),
            "expires": _moment(one.expires),
            "note": one.note,
        }
        for one in found
    ]
    _show(facts, "no tokens", as_json=as_json)


@tokens.command(epilog="Example: tegwatch users token revoke site.toml 3f0c2a9b77d1")
def revoke(site_file: SiteFile, token: Annotated[str, typer.Argument(help="Its id, from the list.")]) -> None:
    """Revoke a token; it opens nothing from now on."""
    _edit(site_file, lambda accounts: accounts.without_token(token))
    print(f"{token} is revoked")


def _edit(site_file: Path, edit: Callable[[Accounts], Accounts]) -> None:
    with _changing(site_file) as (_, file):
        file.change(edit)


@contextmanager
def _changing(site_file: Path) -> Iterator[tuple[Site, AccountsFile]]:
    """Find the users file of a site, and say in words what goes wrong with it."""
    from pydantic import ValidationError

    from config.loader import load_site
    from config.web import WebSettings
    from daemon.web.access.accounts import AccountsFile, AccountsUnusable, ChangeRefused

    with clear_failures():
        site = load_site(site_file)
    settings = site.web or WebSettings()
    if site.web is None:
        print("note: the site file has no [web] table, so nobody can log in yet", file=sys.stderr)
    folder = (site_file.resolve().parent / site.journal.path).parent
    try:
        yield site, AccountsFile(folder / settings.users_file)
    except AccountsUnusable as error:
        fail(str(error), FAILED)
    except ChangeRefused as error:
        fail(str(error), REFUSED)
    except ValidationError as error:
        first = error.errors()[0]
        fail(
            f"{first['input']}: a name has lower-case letters, digits, . _ - and begins with a letter", USAGE
        )


def _new_password(name: str, site: Site, *, from_input: bool) -> str:
    from daemon.web.access.passwords import password_problem

    if from_input:
        password = sys.stdin.readline().rstrip("\n")
    else:
        with warnings.catch_warnings():
            warnings.simplefilter("error", getpass.GetPassWarning)  # rather not at all than in plain sight
            try:
                password = str(typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
            except getpass.GetPassWarning:
                fail("there is no terminal to ask for the password at; use --password-stdin", USAGE)
    problem = password_problem(password, (name, site.site.name, site.site.title))
    if problem:
        fail(f"this password cannot be taken: {problem}", REFUSED)
    return password


def _moment(seconds: float) -> str:
    import datetime

    from daemon.times import show_time

    return show_time(round(seconds), datetime.UTC)


def _show(facts: list[dict[str, str]], nothing: str, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(facts, indent=2, ensure_ascii=False))
        return
    if not facts:
        print(nothing)
        return
    table = Table(box=None, pad_edge=False)
    for heading in facts[0]:
        table.add_column(heading, overflow="fold")
    for row in facts:
        table.add_row(*row.values())
    standard_output().print(table)
