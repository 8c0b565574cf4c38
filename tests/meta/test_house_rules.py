"""Rules of the house that a machine can see."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest
from importlinter.application.use_cases import lint_imports
from importlinter.cli import lint_imports_command  # noqa: F401 - registers the configuration readers

ROOT = Path(__file__).parents[2]
SOURCES = sorted(path for package in ("calc", "config", "daemon") for path in (ROOT / package).rglob("*.py"))
TRACKED = [
    ROOT / line
    for line in subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
]

MODBUS_WRITERS = {
    "write_coil",
    "write_coils",
    "write_register",
    "write_registers",
    "mask_write_register",
    "readwrite_registers",
    "write_file_record",
    "execute",
}
# Spelt apart so that this file does not find itself.
FORBIDDEN = re.compile(
    "|".join(
        ("pypi" + r"\.org", "python" + "hosted", "npm" + r"js\.org", "deb" + r"\.debian", "/wor" + "k/")
    ),
    re.IGNORECASE,
)


def test_the_layers_hold() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), is_debug_mode=False)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_source_names_a_modbus_write(path: Path) -> None:
    """SQLite's ``execute`` is the one allowed namesake; it lives in the journal."""
    allowed = {"execute"} if "journal" in path.parts else set()

    called = {node.attr for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Attribute)}

    assert not called & (MODBUS_WRITERS - allowed)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_says_one_thing(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 450


def test_no_tracked_file_names_a_package_host_or_a_machine_path() -> None:
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in TRACKED
        if path.is_file()
        for number, line in enumerate(path.read_text(errors="replace").splitlines(), start=1)
        if FORBIDDEN.search(line)
    ]

    assert not found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_exception_to_the_linters_has_its_reason_beside_it(path: Path) -> None:
    for line in path.read_text().splitlines():
        if "# noqa" in line:
            assert re.search(r"# noqa: [A-Z0-9, ]+ - \w", line), line
        if "# type: ignore" in line:
            assert re.search(r"# type: ignore\[[\w, -]+\]  # \w", line), line
