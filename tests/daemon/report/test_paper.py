"""The report as a PDF: set by WeasyPrint, read back by Poppler's tools, which share nothing with it."""

from __future__ import annotations

import builtins
import re
import shutil
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from daemon.cli.commands import app
from daemon.report.paper import write_pdf
from tests.daemon.report.test_page import SPAN, site_file

__all__ = ["site_file"]


def ask(site_file: Path, *arguments: str) -> tuple[int, str]:
    answer = CliRunner().invoke(app, ["report", str(site_file), *SPAN, *arguments])
    return answer.exit_code, answer.output


def read(path: Path, *command: str) -> str:
    assert shutil.which(command[0]), f"{command[0]} is not installed (Debian: poppler-utils)"
    done = subprocess.run([*command[:1], *command[1:], str(path), "-"], capture_output=True, check=True)
    return done.stdout.decode()


def pixels(path: Path, page: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """A page as red, green, blue at 60 dots an inch."""
    command = ["pdftoppm", "-r", "60", "-f", str(page), "-l", str(page), str(path)]
    data = subprocess.run(command, capture_output=True, check=True).stdout
    head = re.match(rb"P6\s(\d+)\s(\d+)\s255\s", data)
    assert head is not None
    return np.frombuffer(data[head.end() :], np.uint8).reshape(int(head[2]), int(head[1]), 3)


@pytest.mark.slow
def test_the_pdf_says_what_the_page_says_on_numbered_pages(site_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "north.pdf"
    code, said = ask(site_file, "--pdf", str(path), "--gas-price", "3")
    assert (code, said.startswith(str(path))) == (0, True)
    pages = read(path, "pdftotext", "-layout").split("\f")[:-1]
    assert 4 <= len(pages) <= 8
    for number, page in enumerate(pages, start=1):
        assert f"{number} of {len(pages)}" in page
        assert "North unit" in page
        assert "No safety system" in page
    text = " ".join("\n".join(pages).split())
    for words in (
        "In short", "Trends", "Circulation", "Glycol and reboiler", "Pump p-101", "Alarms",
        "Samples and maintenance", "Data", "600, covering 100.0 % of the time", "replaces no shutdown",
        "Reboiler temperature high-high", "Against the targets of ISA-18.2", "set point",
    ):  # fmt: skip
        assert words in text
    facts = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
    assert "(letter)" in facts
    assert re.search(r"Tagged: +yes", facts)
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, check=True, text=True).stdout
    assert all(" yes yes " in line for line in fonts.splitlines()[2:])  # embedded, of each what is used


@pytest.mark.slow
def test_it_is_dark_on_white_and_its_figures_are_drawn(site_file: Path, tmp_path: Path) -> None:
    """Drawings that lose their style come out as black blots; 12 % of ink is a page full of text."""
    path = tmp_path / "north.pdf"
    assert ask(site_file, "--pdf", str(path))[0] == 0
    blue = 0
    for page in (1, 2, 3):
        dots = pixels(path, page).astype(int)
        assert (dots.min(axis=2) > 250).mean() > 0.75
        assert (dots.max(axis=2) < 60).mean() < 0.06
        red, green, strong = dots[..., 0], dots[..., 1], dots[..., 2]
        blue += int(((strong - red > 60) & (strong > green)).sum())
    assert blue > 1500  # lines and bars


@pytest.mark.slow
def test_a_metric_site_gets_a4_and_nothing_is_fetched(tmp_path: Path) -> None:
    from weasyprint.urls import FatalURLFetchingError  # noqa: PLC0415 - needs libraries of the system

    path = tmp_path / "page.pdf"
    with pytest.raises(FatalURLFetchingError, match=r"Error fetching .http://127.0.0.1:9/x.css"):
        write_pdf('<p>x<link rel="stylesheet" href="http://127.0.0.1:9/x.css"></p>', path, letter=False)
    write_pdf("<p>x</p>", path, letter=False)
    facts = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
    assert "(A4)" in facts


@pytest.mark.parametrize(
    ("error", "advice"),
    [
        (ImportError("no module"), "install tegwatch with its report extra"),
        (OSError("cannot load library 'libpango-1.0-0'"), "Debian: libpango-1.0-0, libpangoft2-1.0-0"),
    ],
)
def test_without_what_it_needs_it_says_what_to_install(
    site_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, advice: str
) -> None:
    real = builtins.__import__

    def without(name: str, *others: Any, **more: Any) -> ModuleType:
        if name == "weasyprint":
            raise error
        return real(name, *others, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    code, said = ask(site_file, "--pdf", str(tmp_path / "north.pdf"))
    assert (code, advice in " ".join(said.split())) == (1, True)
    assert "print the HTML report from a browser" in " ".join(said.split())


def test_somewhere_it_must_go(site_file: Path) -> None:
    code, said = ask(site_file)
    assert (code, "--output FILE.html, --pdf FILE.pdf" in said) == (2, True)
