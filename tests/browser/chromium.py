"""Which Chromium tests use, and how: the operating system's, quiet on the network."""

from __future__ import annotations

import shutil

CHROMIUM_ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def chromium_program() -> str | None:
    """Return the path of the browser; ``None`` where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")
