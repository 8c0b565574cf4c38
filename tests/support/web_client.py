"""Clients of a real daemon's TCP listener: users made as a site makes them, server-sent events."""

from __future__ import annotations

import json
import sys
from asyncio.subprocess import PIPE, create_subprocess_exec
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path
from typing import Any

import httpx

from daemon.web.access.accounts import Accounts, AccountsFile, Token, User, new_token
from daemon.web.access.permissions import SCOPES, Permission, Role
from tests.support.web_kit import PASSWORD, password_hash

WEB = """
[web]
port = {port}
"""


def _with(user: User, token: Token, accounts: Accounts) -> Accounts:
    return accounts.with_user(user).with_token(token)


def make_users(folder: Path, wall: float) -> dict[str, str]:
    """Write a users file with one user a role; return a token of each role by role name."""
    file = AccountsFile(folder / "tegwatch-users.json")
    secrets = {}
    allowed = {
        Role.VIEWER: [Permission.VIEW, Permission.METRICS],
        Role.OPERATOR: [Permission.VIEW, Permission.OPERATE],
        Role.ENGINEER: [Permission.VIEW, Permission.OPERATE, Permission.ENGINEER],
        Role.ADMIN: list(SCOPES),
    }
    for role, scopes in allowed.items():
        user = User(name=f"{role.value}-1", role=role, password=password_hash(), changed=wall)
        secret, token = new_token(user.name, scopes, wall, 86400.0)
        file.change(partial(_with, user, token))
        secrets[role.value] = secret
    return secrets


async def add_user(site: Path, name: str, role: str) -> None:
    """Make a user by the command."""
    process = await create_subprocess_exec(
        sys.executable, "-m", "daemon", "users", "add", str(site), name, "--role", role, "--password-stdin",
        stdin=PIPE, stdout=PIPE, stderr=PIPE,
    )  # fmt: skip
    _, errors = await process.communicate(f"{PASSWORD}\n".encode())
    assert process.returncode == 0, errors.decode()


async def follow(
    client: httpx.AsyncClient, route: str = "/v1/stream"
) -> AsyncIterator[tuple[str, dict[str, Any]]]:
    """Yield the events of a stream."""
    name = ""
    async with client.stream("GET", route, timeout=None) as response:
        assert response.status_code == 200, await response.aread()
        async for line in response.aiter_lines():
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                yield name, json.loads(line.removeprefix("data: "))
