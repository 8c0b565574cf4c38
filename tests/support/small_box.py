"""A small box for a process: a control group of the kernel with a limit of memory and of processor time.

Both versions of control groups are known. Where none may be made (no root, or a read-only tree), ``SmallBox``
says so, and a caller measures without a limit: then the figures are the process's own account of itself.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path("/sys/fs/cgroup")
_PERIOD = 100_000
"""Time over which processor time is shared out [us]."""


@dataclass(frozen=True)
class SmallBox:
    """Where a process is put, and what became of it there."""

    groups: tuple[Path, ...]
    """Folders of the control groups; empty where none could be made."""
    kind: str

    def command(self, *words: str) -> list[str]:
        """Return a command that joins the groups before it becomes the program."""
        if not self.groups:
            return list(words)
        joins = "; ".join(f"echo $$ > '{group}/cgroup.procs'" for group in self.groups)
        return ["/bin/sh", "-c", f'set -e; {joins}; exec "$@"', "sh", *words]

    def peak_memory(self) -> float | None:
        """Most memory that was charged to the groups [MB]; ``None`` where nobody knows."""
        for name in ("memory.peak", "memory.max_usage_in_bytes"):
            if (found := self._read(name)) is not None:
                return int(found) / 1e6
        return None

    def refusals(self) -> int:
        """How often the limit of memory was met, or a process killed for it."""
        if (found := self._read("memory.events")) is not None:
            counts = dict(line.split() for line in found.splitlines())
            return int(counts.get("oom_kill", 0))
        control = dict(line.split() for line in (self._read("memory.oom_control") or "").splitlines())
        return int(control.get("oom_kill", 0))

    def throttled(self) -> float:
        """How long processes waited for their share of the processor [s]."""
        counts = dict(line.split() for line in (self._read("cpu.stat") or "").splitlines())
        return int(counts.get("throttled_usec", 0)) / 1e6 + int(counts.get("throttled_time", 0)) / 1e9

    def _read(self, name: str) -> str | None:
        for group in self.groups:
            with contextlib.suppress(FileNotFoundError):
                return (group / name).read_text()
        return None


@contextlib.contextmanager
def small_box(memory: int, cores: float) -> Iterator[SmallBox]:
    """Make a box with so many bytes and processor cores; it is taken away afterwards."""
    name = f"tegwatch-test-{os.getpid()}"
    made: list[Path] = []
    quota = str(int(cores * _PERIOD))
    try:
        try:
            if (ROOT / "cgroup.controllers").exists():
                kind = "a control group, version 2"
                made.append(_make(ROOT / name, {"memory.max": str(memory), "cpu.max": f"{quota} {_PERIOD}"}))
            else:
                kind = "control groups, version 1"
                made.append(_make(ROOT / "memory" / name, {"memory.limit_in_bytes": str(memory)}))
                cpu = {"cpu.cfs_period_us": str(_PERIOD), "cpu.cfs_quota_us": quota}
                made.append(_make(ROOT / "cpu" / name, cpu))
        except OSError as error:
            _remove(made)
            made, kind = [], f"no limit: no control group can be made here ({error.strerror})"
        yield SmallBox(tuple(made), kind)
    finally:
        _remove(made)


def _make(group: Path, limits: dict[str, str]) -> Path:
    group.mkdir()
    for name, value in limits.items():
        (group / name).write_text(value)
    return group


def _remove(groups: list[Path]) -> None:
    for group in groups:
        group.rmdir()
