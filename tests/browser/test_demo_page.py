"""What a newcomer does: start the demonstration, open the page by what it prints, see the upset."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from daemon.cli.demo_page import USERS_FILE, page_for_one_run
from daemon.web.access.accounts import AccountsFile

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]
UPSET = 120_000.0
"""The burner of the story sticks on within a minute and a half [ms]."""


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    return tmp_path / "kept"


@pytest.fixture
def printed(kept: Path) -> Iterator[dict[str, Any]]:
    """What the demonstration prints first, while it runs."""
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon", "demo", "--json", "--keep", str(kept)], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)
    assert process.returncode == 0


def test_the_page_opens_by_what_the_demo_prints_and_shows_the_upset(
    browser: Browser, printed: dict[str, Any], kept: Path
) -> None:
    door = printed["page"]
    text = (kept / USERS_FILE).read_text()
    assert door["password"] not in text  # only its hash is on the disk
    assert door["address"].startswith("http://127.0.0.1:")
    with browser.new_context(base_url=door["address"]) as context:
        page = context.new_page()
        page.goto("/")
        assert page.url.endswith("/login")
        page.get_by_label("Name").fill(door["name"])
        page.get_by_label("Password").fill("demo")
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("alert")).to_contain_text("wrong")
        page.get_by_label("Password").fill(door["password"])
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("link", name="North unit").first).to_be_visible()
        upset = page.locator("#now").get_by_text("Reboiler temperature high-high").first
        expect(upset).to_be_visible(timeout=UPSET)
        page.locator("#alarm-line").get_by_role("button", name="Acknowledge").click()


def test_the_user_is_gone_when_the_run_is_over(tmp_path: Path) -> None:
    with page_for_one_run(tmp_path, 1) as first:
        (user,) = AccountsFile(tmp_path / USERS_FILE).read().users
        assert user.name == first.name
        (tmp_path / "demo-users-sessions.json").touch()
    assert list(tmp_path.iterdir()) == []
    with page_for_one_run(tmp_path, 1) as second:
        assert second.password != first.password
