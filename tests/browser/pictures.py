"""Pictures of every page for looking at: python -m tests.browser.pictures [FOLDER [STORY ...]]

Plays the packaged demonstration site three times - normal, upset, bad-data - and takes every page in three
sizes and both themes, into a temporary folder unless one is named. People judge.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path

import httpx
from playwright.async_api import Browser, async_playwright

from daemon.cli.demo_page import USERS_FILE
from daemon.web.access.accounts import Accounts, AccountsFile, User
from daemon.web.access.passwords import hash_password
from daemon.web.access.permissions import Role
from tests.browser.chromium import CHROMIUM_ARGUMENTS, chromium_program
from tests.browser.station import PASSWORD, PATIENCE
from tests.support.brokers import embedded_broker, free_port

SIZES = {"control-room": (1920, 1080), "desk": (1280, 800), "phone": (390, 844)}
PAGES = {
    "overview": "/",
    "north": "/units/north",
    "south": "/units/south",
    "alarms": "/alarms",
    "trends": "/trends?unit=north&span=3600",
    "report": "/report",
    "log-book": "/log-book",
    "system": "/system",
    "access": "/access",
}
STORIES = {
    "normal": "",
    "upset": """
[[upsets]]
kind = "burner sticks on"
unit = 1
start = "1 s"
end = "1 h"
[[upsets]]
kind = "pump slows"
unit = 2
start = "1 s"
end = "1 h"
""",
    "bad-data": """
[[upsets]]
kind = "transmitter below range"
signal = "reboiler_temperature"
unit = 1
start = "1 s"
end = "1 h"
[[upsets]]
kind = "transmitter frozen"
signal = "contactor_pressure"
unit = 2
start = "1 s"
end = "1 h"
[[upsets]]
kind = "bad register"
signal = "surge_level"
unit = 1
start = "1 s"
end = "1 h"
""",
}
SETTLE = 30.0
"""How long a story runs before the pictures [s]."""


async def main(folder: Path, stories: list[str]) -> None:
    program = chromium_program()
    if program is None:
        sys.exit("chromium is not installed: apt-get install chromium")
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(executable_path=program, args=CHROMIUM_ARGUMENTS)
        for story in stories:
            upsets = STORIES[story]
            with tempfile.TemporaryDirectory() as work:
                async with _playing(Path(work), upsets) as url:
                    await _answering(url)
                    await asyncio.sleep(SETTLE)
                    await _take(browser, url, folder, story)
        await browser.close()
    print(f"pictures are in {folder}")


@contextlib.asynccontextmanager
async def _playing(work: Path, upsets: str) -> AsyncIterator[str]:
    """Run simulator and daemon on the demonstration site; yields the address of its pages."""
    modbus, mqtt, web = free_port(), free_port(), free_port()
    text = files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    text = text.replace("port = 15020", f"port = {modbus}").replace("port = 18830", f"port = {mqtt}")
    text = text.replace("port = 8321", f"port = {web}\nrequest_burst = 500")
    (work / "site.toml").write_text(text)
    (work / "story.toml").write_text(f'name = "pictures"\ntime_factor = 40.0\n{upsets}')
    user = User(name="ada", role=Role.ADMIN, password=hash_password(PASSWORD), changed=time.time())
    AccountsFile(work / USERS_FILE).change(lambda _: Accounts(users=(user,)))
    async with (
        embedded_broker(mqtt),
        _program("simulate", str(work / "site.toml"), "--story", str(work / "story.toml")),
        _program("run", str(work / "site.toml")),
    ):
        yield f"http://127.0.0.1:{web}"


async def _answering(url: str) -> None:
    """Return when the page answers."""
    async with httpx.AsyncClient() as client, asyncio.timeout(4 * PATIENCE):
        while True:
            with contextlib.suppress(httpx.TransportError):
                if (await client.get(f"{url}/healthz")).is_success:
                    return
            await asyncio.sleep(0.2)


@contextlib.asynccontextmanager
async def _program(*arguments: str) -> AsyncIterator[None]:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "daemon",
        *arguments,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        await process.wait()


async def _take(browser: Browser, url: str, folder: Path, story: str) -> None:
    for theme in ("light", "dark"):
        context = await browser.new_context(color_scheme="dark" if theme == "dark" else "light", base_url=url)
        page = await context.new_page()
        await page.goto("/login")
        await page.screenshot(path=folder / f"login-{theme}.png")
        await page.get_by_label("Name").fill("ada")
        await page.get_by_label("Password").fill(PASSWORD)
        await page.get_by_role("button", name="Log in").click()
        await page.wait_for_url("**/")
        for size, (width, height) in SIZES.items():
            await page.set_viewport_size({"width": width, "height": height})
            for name, path in PAGES.items():
                await page.goto(path)
                await page.wait_for_timeout(1800)  # until charts and record have come
                picture = folder / f"{story}-{name}-{size}-{theme}.png"
                await page.screenshot(path=picture, full_page=size == "phone")
        await context.close()


if __name__ == "__main__":
    into = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="tegwatch-pictures-"))
    into.mkdir(parents=True, exist_ok=True)
    asyncio.run(main(into, sys.argv[2:] or list(STORIES)))
