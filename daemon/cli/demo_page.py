"""The door to the demonstration's page: one user with a password made for this run, gone when it ends."""

from __future__ import annotations

import contextlib
import secrets
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

USER = "demo"
USERS_FILE = "demo-users.json"
"""As in the demonstration's site file; its own name, so that no site's users are ever overwritten."""
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without what is mistaken for something else when it is copied from a screen."""
_GROUPS = (5, 5, 5, 5)


@dataclass(frozen=True, slots=True)
class Page:
    """Where the page is, and who may open it during this run."""

    address: str
    name: str
    password: str

    @property
    def words(self) -> str:
        """All three in one line."""
        return f"Page: {self.address}   name: {self.name}   password (this run only): {self.password}"


@contextlib.contextmanager
def page_for_one_run(folder: Path, port: int) -> Iterator[Page]:
    """Make a user for one run of the demonstration; nobody can log in as that user afterwards.

    Parameters
    ----------
    folder : pathlib.Path
        Where the demonstration keeps its files.
    port : int
        Where the page will listen, on the loopback address.

    Yields
    ------
    Page
        What to tell whoever started the demonstration. The password has some 99 random bits.
    """
    from daemon.web.access.accounts import Accounts, AccountsFile, User
    from daemon.web.access.passwords import hash_password
    from daemon.web.access.permissions import Role

    password = "-".join("".join(secrets.choice(_LETTERS) for _ in range(length)) for length in _GROUPS)
    user = User(name=USER, role=Role.ENGINEER, password=hash_password(password), changed=time.time())
    file = AccountsFile(folder / USERS_FILE)
    file.path.unlink(missing_ok=True)  # of a run that was killed
    file.change(lambda _: Accounts(users=(user,)))
    try:
        yield Page(f"http://127.0.0.1:{port}/", USER, password)
    finally:
        for left in folder.glob(f"{file.path.stem}*"):
            left.unlink()
