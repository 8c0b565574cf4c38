"""Runs tests against changed modules: one process that is warm, and a fork of it for each change.

The parent imports pytest, its plugins and the libraries, but no module that is mutated. A child imports the
mutated module from text and everything that depends on it afresh, so a change of a table, a default or a
constant reaches all who use it.
"""

from __future__ import annotations

import enum
import gc
import importlib
import importlib.abc
import importlib.machinery
import importlib.metadata
import os
import resource
import signal
import sys
import tempfile
import traceback
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import IO, Generic, NoReturn, TypeVar

import pytest

_SLOW_PLUGIN = "schemathesis"
"""Costs every child half a second at its end, and no alarm test uses it."""
_OPTIONS = (
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    "-p",
    f"no:{_SLOW_PLUGIN}",
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
)
_NOT_IMPORTED = 90
_BROKEN = 91
_UNLIMITED = 600.0
"""Processor seconds for a run that should pass."""

Label = TypeVar("Label")


class CampaignError(RuntimeError):
    """The run itself went wrong, so it says nothing about the tests."""


class Outcome(enum.Enum):
    """What became of one change."""

    PASSED = "every test passed"
    FAILED = "a test failed, or a test file could not be imported"
    ENDLESS = "stopped after a multiple of the time that the tests need"


@dataclass(frozen=True, slots=True)
class Job(Generic[Label]):
    """One text of one module, and the batches of test files to run against it until one fails."""

    label: Label
    module: str
    path: Path
    source: str
    batches: tuple[tuple[str, ...], ...]


class _Replaced(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Gives one module another text than its file's."""

    def __init__(self, job: Job[Label]) -> None:
        self._module, self._path, self._source = job.module, job.path, job.source

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._module:
            return None
        return importlib.machinery.ModuleSpec(fullname, self, origin=str(self._path))

    def get_source(self, fullname: str) -> str:
        return self._source


def warm_up(modules: Iterable[str]) -> None:
    """Import what every child needs, once, and keep it out of the children's garbage collections."""
    if "PYTEST_DISABLE_PLUGIN_AUTOLOAD" not in os.environ:
        for plugin in importlib.metadata.entry_points(group="pytest11"):
            if plugin.name != _SLOW_PLUGIN:
                plugin.load()
    for module in modules:
        importlib.import_module(module)
    gc.collect()
    gc.freeze()


def run(jobs: Iterable[Job[Label]], workers: int, seconds: float) -> Iterator[tuple[Label, Outcome]]:
    """Run jobs in forks, ``workers`` at a time, each for ``seconds`` of processor time at most.

    Raises
    ------
    CampaignError
        A child ended in a way that tells nothing: no tests, a defect of pytest, a foreign signal; or its
        tests never imported the module.
    """
    running: dict[int, tuple[Job[Label], IO[bytes]]] = {}
    waiting = iter(jobs)
    try:
        while True:
            while len(running) < workers and (job := next(waiting, None)) is not None:
                output: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 - it is closed when the child has ended
                pid = os.fork()
                if pid == 0:
                    _child(job, output, seconds)
                running[pid] = (job, output)
            if not running:
                return
            pid, status = os.wait()
            ended, said = running.pop(pid)
            with said:
                yield ended.label, _outcome(ended, status, said)
    finally:
        for pid, (_, output) in running.items():
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            output.close()


def baseline(job: Job[Label]) -> float:
    """Run the unchanged module; return the processor seconds that its tests take.

    Raises
    ------
    CampaignError
        The tests do not pass as it is.
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for _, outcome in run([job], 1, _UNLIMITED):
        if outcome is not Outcome.PASSED:
            raise CampaignError(f"the tests of {job.module} fail without any change")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _child(job: Job[Label], output: IO[bytes], seconds: float) -> NoReturn:
    code: int = _BROKEN
    try:
        os.dup2(output.fileno(), 1)
        os.dup2(output.fileno(), 2)
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 5))
        code = _test(job)
    except BaseException:  # noqa: BLE001 - whatever it is, the parent must hear of it and the child must end
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _test(job: Job[Label]) -> int:
    if job.module in sys.modules:
        raise CampaignError(f"{job.module} is imported already; see `warm` of the campaign")
    sys.meta_path.insert(0, _Replaced(job))
    for batch in job.batches:
        code = pytest.main([*_OPTIONS, *batch])
        if code is not pytest.ExitCode.OK:
            return int(code)
    return 0 if job.module in sys.modules else _NOT_IMPORTED


def _outcome(job: Job[Label], status: int, output: IO[bytes]) -> Outcome:
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU:
        return Outcome.ENDLESS
    code = os.waitstatus_to_exitcode(status)
    if code == pytest.ExitCode.OK:
        return Outcome.PASSED
    if code in {pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED}:
        return Outcome.FAILED
    output.seek(0)
    said = output.read().decode(errors="replace")[-3000:]
    why = f"no test imports {job.module}" if code == _NOT_IMPORTED else f"exit code {code}"
    raise CampaignError(f"{job.label}: {why}\n{said}")
