"""How signal tables join the site file, and where every key of the whole came from.

Rows become signals of their units before anything is validated, so that each rule is written once and told
of a row with the table's name, line and column.
"""

from __future__ import annotations

import difflib
import functools
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from config.errors import Problem
from config.signal_table import TableRow, read_signal_table
from config.toml_lines import KeyPath, key_lines

_SIGNAL_DEPTH = 4
"""Length of ``("units", 0, "signals", "reboiler_temperature")``."""
_COLUMNS = {"range": "range_low", "[key]": "signal"}
"""Columns that are not called as the key of a signal is."""


@dataclass
class Origins:
    """File and line of every key: of the site file itself and of the tables that joined it."""

    file: str
    text: str
    """What TOML has accepted."""
    rows: dict[KeyPath, tuple[str, int]] = field(default_factory=dict)
    """Table and line of each signal that came from one, by its key path."""

    @functools.cached_property
    def lines(self) -> dict[KeyPath, int]:
        """Line of each key of the site file; looked for at the first mistake, it takes as long as loading."""
        return key_lines(self.text)

    def problem(self, path: KeyPath, message: str, fix: str) -> Problem:
        """Return what is wrong at a key path, with its file and line; in a table the column is the path."""
        row = self.rows.get(path[:_SIGNAL_DEPTH])
        if row is None:
            return Problem(self.file, self._line(path), path, message, fix)
        column = str(path[_SIGNAL_DEPTH] if len(path) > _SIGNAL_DEPTH else path[-1])
        return Problem(*row, (_COLUMNS.get(column, column),), message, fix)

    def place(self, path: KeyPath) -> str:
        """Return file and line of a key for use inside a message."""
        file, line = self.rows.get(path, (self.file, self._line(path)))
        return f"{file}:{line}"

    def _line(self, path: KeyPath) -> int:
        """Line of the key, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 0


def merge_table(data: dict[str, Any], origins: Origins, text: str, file: str) -> list[Problem]:
    """Add the signals of a table to the units of a site file.

    Parameters
    ----------
    data : dict
        The site file as TOML gave it; its units get the signals.
    origins : Origins
        Learns where they came from.
    text : str
        The table.
    file : str
        Its name, for messages.

    Returns
    -------
    list of Problem
        What is wrong with the table itself; rows with a mistake are left out.
    """
    rows, problems = read_signal_table(text, file)
    units = _units(data)
    for row in rows:
        problems += _merge_row(data, units, origins, row, file)
    return problems


def _units(data: dict[str, Any]) -> dict[str, tuple[int, dict[str, Any]]]:
    """Return index and table of each unit that has a name; what has none, the models refuse."""
    units = data.get("units")
    if not isinstance(units, list):
        return {}
    return {
        unit["name"]: (index, unit)
        for index, unit in reversed(list(enumerate(units)))
        if isinstance(unit, dict) and isinstance(unit.get("name"), str)
    }


def _merge_row(
    data: dict[str, Any],
    units: dict[str, tuple[int, dict[str, Any]]],
    origins: Origins,
    row: TableRow,
    file: str,
) -> Iterator[Problem]:
    if row.unit not in units:
        near = difflib.get_close_matches(row.unit, units, n=1)
        fix = f"did you mean {near[0]}?" if near else f"use one of {', '.join(units) or '(none)'}"
        message = f'"{row.unit}" is no unit of this site'
        yield Problem(file, row.line, ("dehydration_unit",), message, fix)
        return
    protocol = _protocol(data, row.data["controller"])
    if not protocol.startswith("modbus"):
        message = f"{row.data['controller']} speaks {protocol}, and a table holds Modbus signals"
        yield Problem(file, row.line, ("controller",), message, "put this signal into the site file")
        return
    index, unit = units[row.unit]
    signals = unit.setdefault("signals", {})
    if not isinstance(signals, dict):
        return
    path: KeyPath = ("units", index, "signals", row.signal)
    if row.signal in signals:
        message = f'"{row.signal}" of unit "{row.unit}" is given at {origins.place(path)} already'
        yield Problem(file, row.line, ("signal",), message, "leave one of the two away")
        return
    signals[row.signal] = row.data
    origins.rows[path] = file, row.line


def _protocol(data: dict[str, Any], name: str) -> str:
    """Return the protocol of a controller; of one that is not known, that of a table."""
    controllers = data.get("controllers")
    for controller in controllers if isinstance(controllers, list) else []:
        if isinstance(controller, dict) and controller.get("name") == name:
            return str(controller.get("protocol", "modbus"))
    return "modbus"
