"""Debian's victoria-metrics as a real server of the v2 write API, on a free port of the loopback."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest


class VictoriaMetrics:
    def __init__(self, port: int, pid: int = 0) -> None:
        self.pid = pid
        self.url = f"http://127.0.0.1:{port}"

    def series(self, selector: str) -> list[tuple[dict[str, str], list[int], list[float]]]:
        """Labels, times [ms] and values of every stored series that fits."""
        with httpx.Client(base_url=self.url, trust_env=False) as client:
            client.get("/internal/force_flush").raise_for_status()
            # Without an end it leaves out what a box wrote whose clock is ahead.
            asked = {"match[]": selector, "start": "0", "end": f"{time.time() + 86400:.0f}"}
            answer = client.get("/api/v1/export", params=asked).raise_for_status()
        found = [json.loads(line) for line in answer.text.splitlines()]
        return [(each["metric"], each["timestamps"], each["values"]) for each in found]


@contextlib.contextmanager
def victoria_metrics(folder: Path, *, port: int | None = None) -> Iterator[VictoriaMetrics]:
    program = shutil.which("victoria-metrics")
    if program is None:
        if os.environ.get("CI") == "true":
            raise RuntimeError("victoria-metrics is not installed")
        pytest.skip("victoria-metrics is not installed")
    if port is None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
    arguments = [
        f"-storageDataPath={folder / 'vm'}", f"-httpListenAddr=127.0.0.1:{port}", "-retentionPeriod=100y",
        "-memory.allowedBytes=64MiB", "-dedup.minScrapeInterval=1ms",
    ]  # fmt: skip
    with (folder / "vm.log").open("ab") as log:
        process = subprocess.Popen([program, *arguments], stdout=log, stderr=log)
    try:
        server = VictoriaMetrics(port, process.pid)
        _wait(process, server, folder)
        yield server
    finally:
        process.terminate()
        process.wait(20)


def _wait(process: subprocess.Popen[bytes], server: VictoriaMetrics, folder: Path) -> None:
    with httpx.Client(base_url=server.url, trust_env=False) as client:
        until = time.monotonic() + 30.0
        while time.monotonic() < until:
            if process.poll() is not None:
                break
            with contextlib.suppress(httpx.HTTPError):
                if client.get("/health").is_success:
                    return
            time.sleep(0.05)  # a program of others: there is no event to wait for
    raise RuntimeError((folder / "vm.log").read_text())
