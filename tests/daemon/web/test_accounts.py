"""The users file: whole or not at all, for one owner, and never two writers over each other."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from pydantic import ValidationError

from daemon.web.access.accounts import (
    Accounts,
    AccountsFile,
    AccountsUnusable,
    ChangeRefused,
    User,
    new_token,
)
from daemon.web.access.permissions import Permission, Role
from daemon.web.access.sessions import PER_USER, Sessions
from daemon.web.access.throttle import REMEMBERED, LoginDelays, RequestRate


def user(name: str, role: Role = Role.ADMIN) -> User:
    return User(name=name, role=role, password="$argon2id$", changed=1.0)


def test_it_comes_back_as_it_was_kept_and_only_its_owner_may_read_it(tmp_path: Path) -> None:
    file = AccountsFile(tmp_path / "users.json")
    assert file.read() == Accounts()
    _, token = new_token("ada", [Permission.VIEW], 100.0, 60.0, "report")
    kept = file.change(lambda accounts: accounts.with_user(user("ada")).with_token(token))
    assert AccountsFile(file.path).read() == kept
    assert file.path.stat().st_mode & 0o777 == 0o600
    assert sorted(path.name for path in tmp_path.iterdir()) == ["users.json", "users.lock"]


def test_a_refused_change_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    file = AccountsFile(tmp_path / "users.json")
    file.change(lambda accounts: accounts.with_user(user("ada")))
    before = file.path.read_bytes()
    for edit in (
        lambda accounts: accounts.with_user(user("ada")),
        lambda accounts: accounts.without_user("eve"),
        lambda accounts: accounts.without_user("ada"),
        lambda accounts: accounts.changed(user("ada", Role.VIEWER)),
        lambda accounts: accounts.without_token("000000000000"),
    ):
        with pytest.raises(ChangeRefused):
            file.change(edit)
    assert file.path.read_bytes() == before


def test_writers_at_the_same_time_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "users.json"
    AccountsFile(path).change(lambda accounts: accounts.with_user(user("ada")))

    def add(number: int) -> None:
        AccountsFile(path).change(lambda accounts: accounts.with_user(user(f"user{number}")))

    threads = [threading.Thread(target=add, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {one.name for one in AccountsFile(path).read().users} == {"ada", *(f"user{n}" for n in range(8))}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "backup"),
        ("{}x", "backup"),
        (json.dumps({"version": 2}), "version"),
        (json.dumps({"users": [{"name": "Bad Name"}]}), "users.0"),
        (json.dumps({"extra": 1}), "extra"),
    ],
)
def test_a_damaged_file_is_named_with_what_to_do(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "users.json"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(AccountsUnusable, match=why):
        AccountsFile(path).read()


@pytest.mark.parametrize("name", ["", "Kim", "1kim", "a" * 33, "kim/..", "k\u0456m"])
def test_a_name_that_could_be_mistaken_is_refused(name: str) -> None:
    with pytest.raises(ValidationError):
        user(name)


def test_expired_tokens_go_when_a_new_one_comes() -> None:
    accounts = Accounts(users=(user("ada"),))
    _, old = new_token("ada", [Permission.VIEW], 0.0, 10.0)
    _, new = new_token("ada", [Permission.VIEW], 100.0, 10.0)
    assert accounts.with_token(old).with_token(new).tokens == (new,)


def test_one_user_has_a_bounded_number_of_sessions() -> None:
    sessions = Sessions(900.0, 43200.0)
    first, _ = sessions.begin("kim", "10.0.0.1", 0.0)
    for number in range(PER_USER):
        newest, _ = sessions.begin("kim", "10.0.0.1", 1.0 + number)
    assert len(sessions) == PER_USER
    assert sessions.find(first, 30.0) is None
    assert sessions.find(newest, 30.0) is not None


def test_what_is_remembered_of_clients_is_bounded() -> None:
    rate, delays = RequestRate(1.0, 1), LoginDelays()
    for number in range(REMEMBERED + 100):
        rate.wait(str(number), 0.0)
        delays.failed(str(number), "10.0.0.1", 0.0)
    assert len(rate._clients) == len(delays._pairs) == REMEMBERED


def test_the_delay_grows_to_five_minutes_and_an_old_failure_is_forgiven() -> None:
    delays = LoginDelays()
    waits = []
    for _ in range(20):
        delays.failed("kim", "a", 0.0)
        waits.append(delays.wait("kim", "a", 0.0))
    assert waits[:8] == [0.0, 0.0, 0.0, 0.0, 1.0, 2.0, 4.0, 8.0]
    assert waits[-1] == 300.0
    delays.failed("kim", "a", 3601.0)
    assert delays.wait("kim", "a", 3601.0) == 0.0
