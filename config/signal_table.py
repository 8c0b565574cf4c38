"""Modbus signals from a table: the register map that a SCADA team already has, as CSV.

One row is one signal; the columns are the keys of a signal in a site file, so that a row and a table of the
site file mean the same. Separator is the comma, the semicolon or the tab, whichever the heading uses; lines
that begin with ``#`` and empty lines are passed over; empty cells mean the default.
"""

from __future__ import annotations

import csv
import difflib
import json
from collections.abc import Callable, Iterator
from typing import Any

from pydantic import ValidationError

from config.errors import ConfigError, Problem
from config.signals import ModbusSignal
from config.units import UnitContext

REQUIRED = ("dehydration_unit", "signal", "controller", "table", "address", "type")
"""Columns without which a row says nothing."""

COLUMNS: dict[str, str] = {
    "dehydration_unit": "name of the dehydration unit",
    "signal": "name of the signal, for example reboiler_temperature",
    "controller": "name of the controller",
    "table": "holding, input, coil or discrete",
    "address": "address as the controller's addressing says",
    "type": "int16, uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32, bool, ascii",
    "unit": "unit of the value after scale and offset, for example degF",
    "scale": "value = raw value x scale + offset",
    "offset": "see scale",
    "range_low": "lowest credible value, in the unit",
    "range_high": "highest credible value, in the unit",
    "resolution": "smallest step of the value, in the unit",
    "uncertainty": "standard uncertainty of the instrument, in the unit",
    "scan_class": "fast or slow",
    "device_id": "another device behind the same gateway",
    "word_order": "high word first or low word first",
    "byte_order": "high byte first or low byte first",
    "bit": "bit of a register, 0 to 15",
    "length": "registers of a text",
    "bad_values": "raw values that mean no value, separated by spaces; 0x8000 is hexadecimal",
    "inverted": "yes where a raw 0 means true",
    "counter_bits": "16 or 32, for stroke counters",
    "quantity": "only for signals of your own: temperature, pressure ...",
    "description": "only for display",
}
"""Every column with what stands in it."""


class _CellError(ValueError):
    """A cell that is not what its column holds; the message is what it should be."""


def _whole(cell: str) -> int:
    try:
        return int(cell)
    except ValueError:
        raise _CellError("a whole number") from None


def _decimal(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        raise _CellError("a number with a decimal point") from None


def _yes_or_no(cell: str) -> bool:
    try:
        return {"yes": True, "true": True, "no": False, "false": False}[cell.lower()]
    except KeyError:
        raise _CellError("yes or no") from None


def _raw_values(cell: str) -> list[int]:
    try:
        return [int(word, 0) for word in cell.split()]
    except ValueError:
        raise _CellError("whole numbers separated by spaces, hexadecimal ones with 0x") from None


_READ: dict[str, Callable[[str], Any]] = {
    **dict.fromkeys(("address", "device_id", "bit", "length", "counter_bits"), _whole),
    **dict.fromkeys(("scale", "offset", "resolution", "uncertainty", "range_low", "range_high"), _decimal),
    "inverted": _yes_or_no,
    "bad_values": _raw_values,
}


def parse_signal_table(
    text: str, file: str, context: UnitContext | None = None
) -> dict[str, dict[str, ModbusSignal]]:
    """Read the text of a signal table.

    Parameters
    ----------
    text : str
        Heading and rows.
    file : str
        Only for messages.
    context : UnitContext, optional
        Of the site, where unit strings depend on it.

    Returns
    -------
    dict
        Signals by dehydration unit and name, in the order of the rows.

    Raises
    ------
    ConfigError
        Every mistake of the table with its line and column.

    Examples
    --------
    >>> table = parse_signal_table('''dehydration_unit,signal,controller,table,address,type,unit,scale
    ... north,reboiler_temperature,plc,holding,40001,int16,degF,0.1
    ... ''', "map.csv")
    >>> table["north"]["reboiler_temperature"].scale
    0.1
    """
    problems: list[Problem] = []
    rows = _rows(text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}"), file)
    line, heading = next(rows, (0, []))
    columns = [cell.strip().lower() for cell in heading]
    problems += _heading_problems(file, line, columns)
    if problems:
        raise ConfigError(problems)
    signals: dict[str, dict[str, ModbusSignal]] = {}
    for line, row in rows:
        if len(row) > len(columns):
            fix = "put a cell that holds the separator in double quotes"
            problems.append(
                Problem(file, line, (), f"has {len(row)} cells under {len(columns)} columns", fix)
            )
            continue
        cells = {column: cell.strip() for column, cell in zip(columns, row, strict=False) if cell.strip()}
        found, data = _signal_data(file, line, cells)
        unit, name = cells.get("dehydration_unit", ""), cells.get("signal", "")
        if not found and name in signals.get(unit, {}):
            message = f'"{name}" of unit "{unit}" stands in the table twice'
            found = [Problem(file, line, ("signal",), message, "leave one of the rows away")]
        if not found:
            try:
                signal = ModbusSignal.model_validate_json(json.dumps(data), context=context or UnitContext())
            except ValidationError as error:
                found = [_model_problem(file, line, detail) for detail in error.errors()]
            else:
                signals.setdefault(unit, {})[name] = signal
        problems += found
    if problems:
        raise ConfigError(problems)
    return signals


def _rows(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and cells of each row that says something, the heading first."""
    lines = text.splitlines(keepends=True)
    first = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(
        ("\n" if line.startswith("#") else line for line in lines), delimiter=separator, strict=True
    )
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as error:
        fix = "close every double quote, and double it where it belongs to the text"
        raise ConfigError([Problem(file, reader.line_num, (), f"is not CSV: {error}", fix)]) from None


def _heading_problems(file: str, line: int, columns: list[str]) -> Iterator[Problem]:
    for column in dict.fromkeys(columns):
        if columns.count(column) > 1:
            yield Problem(file, line, (column,), "stands in the heading twice", "leave one away")
        if column not in COLUMNS:
            near = difflib.get_close_matches(column, COLUMNS, n=1)
            fix = f"did you mean {near[0]}?" if near else f"use {', '.join(COLUMNS)}"
            yield Problem(file, line, (column or "(empty)",), "is no column of a signal table", fix)
    for column in REQUIRED:
        if column not in columns:
            yield Problem(file, line, (column,), "is missing in the heading", f"add it: {COLUMNS[column]}")


def _signal_data(file: str, line: int, cells: dict[str, str]) -> tuple[list[Problem], dict[str, Any]]:
    """Read the cells of one row into the keys of a signal."""
    problems = [
        Problem(file, line, (column,), "is empty", f"give it: {COLUMNS[column]}")
        for column in REQUIRED
        if column not in cells
    ]
    data: dict[str, Any] = {}
    for column, cell in cells.items():
        try:
            data[column] = _READ.get(column, str)(cell)
        except _CellError as error:
            problems.append(Problem(file, line, (column,), f'"{cell}" cannot be used', f"write {error}"))
    ends = [data.pop(column, None) for column in ("range_low", "range_high")]
    if None not in ends:
        data["range"] = ends
    elif any(end is not None for end in ends):
        problems.append(Problem(file, line, ("range_low",), "a range has two ends", "give both or neither"))
    for column in ("dehydration_unit", "signal"):
        data.pop(column, None)
    return problems, data


def _model_problem(file: str, line: int, detail: Any) -> Problem:
    column = str(detail["loc"][0]) if detail["loc"] else "row"
    message = str(detail["msg"])
    message = message[:1].lower() + message[1:]
    fix = f"the column holds {COLUMNS[column]}" if column in COLUMNS else "correct the row"
    return Problem(file, line, (column,), message, fix)
