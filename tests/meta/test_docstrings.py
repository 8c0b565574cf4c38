"""Every function of calc has seven parts: what, parameters, returns, raises, notes, sources, example."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable
from typing import Any

import pytest

import calc

SECTIONS = ("Parameters", "Returns", "Raises", "Notes", "References", "Examples")
UNIT = re.compile(r"\[[^\]]+\]")
# A word for it, a percentage, a number with a power of ten, a temperature, or the plain truth.
ACCURACY = re.compile(
    r"accura|within|exact|uncertain|%|\de-\d|\d K\b|rule of thumb|prediction", re.IGNORECASE
)
ENTRY = re.compile(r"^(\*{0,2}\w+(?:, \*{0,2}\w+)*) : \S")


def _public_functions() -> dict[str, Callable[..., Any]]:
    found: dict[str, Callable[..., Any]] = {}
    for info in pkgutil.iter_modules(calc.__path__):
        module = importlib.import_module(f"calc.{info.name}")
        for name, function in vars(module).items():
            if inspect.isfunction(function) and function.__module__ == module.__name__ and name[0] != "_":
                found[f"{info.name}.{name}"] = function
    return found


FUNCTIONS = _public_functions()
# Two helpers about arrays themselves; everything else is engineering.
ENGINEERING = {name: function for name, function in FUNCTIONS.items() if not name.startswith("arrays.")}


def _sections(docstring: str) -> dict[str, str]:
    """Split a numpydoc text; what comes before the first heading is the summary."""
    parts = re.split(r"^(\w+)\n-+\n", inspect.cleandoc(docstring) + "\n", flags=re.MULTILINE)
    return {"Summary": parts[0]} | dict(zip(parts[1::2], parts[2::2], strict=True))


def _entries(section: str) -> dict[str, str]:
    """Split a parameter section into one text for each name."""
    entries: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if match := ENTRY.match(line):
            names = [name.strip().lstrip("*") for name in match[1].split(",")]
            entries |= dict.fromkeys(names, "")
        else:
            entries |= {name: f"{entries[name]} {line.strip()}" for name in names}
    return entries


def faults(function: Callable[..., Any]) -> list[str]:
    """Name what a function's docstring lacks."""
    text = _sections(function.__doc__ or "")
    found = [f"has no section {section}" for section in SECTIONS if not text.get(section, "").strip()]
    if found:
        return found
    summary = text["Summary"].strip().split("\n\n")[0]
    if not summary.endswith("."):
        found.append("its first sentence has no end")
    documented = _entries(text["Parameters"])
    for name in inspect.signature(function).parameters:
        if name not in documented:
            found.append(f"does not describe the parameter {name}")
        elif not UNIT.search(documented[name]):
            found.append(f"gives no unit in brackets for the parameter {name}")
    found += [
        f"describes {name}, which is no parameter"
        for name in documented
        if name not in inspect.signature(function).parameters
    ]
    if not UNIT.search(text["Returns"]):
        found.append("gives no unit in brackets for what it returns")
    if not re.search(r"\bvalid\b", text["Notes"], re.IGNORECASE):
        found.append("its notes do not say where it is valid")
    if not ACCURACY.search(text["Notes"]):
        found.append("its notes do not say how accurate it is")
    if ">>> " not in text["Examples"]:
        found.append("has no example that runs")
    return found


@pytest.mark.parametrize("name", ENGINEERING)
def test_seven_parts(name: str) -> None:
    assert faults(ENGINEERING[name]) == []


def test_the_functions_are_found() -> None:
    assert {"water.saturated_water_content", "gas.compressibility", "pump.circulation_rate"} <= set(FUNCTIONS)


def _incomplete(temperature: float, pressure: float) -> float:
    """Calculate something

    Parameters
    ----------
    temperature : float
        Temperature [K].
    mass : float
        Mass [kg].

    Returns
    -------
    float
        Something.

    Raises
    ------
    CalcError
        Never.

    Notes
    -----
    Nothing.

    References
    ----------
    None.

    Examples
    --------
    None.
    """
    return temperature + pressure


def test_the_check_can_fail() -> None:
    assert faults(_incomplete) == [
        "its first sentence has no end",
        "does not describe the parameter pressure",
        "describes mass, which is no parameter",
        "gives no unit in brackets for what it returns",
        "its notes do not say where it is valid",
        "its notes do not say how accurate it is",
        "has no example that runs",
    ]
    assert faults(_sections)[0] == "has no section Parameters"
