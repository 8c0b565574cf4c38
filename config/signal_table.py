"""Modbus signals from a table: the register map that a SCADA team already has, as CSV.

One row is one signal; the columns are the keys of a signal in a site file, so that a row and a table of the
site file mean the same. Separator is the comma, the semicolon or the tab, whichever the heading uses; lines
that begin with ``#`` and empty lines are passed over; empty cells mean the default.

Only what is peculiar to a table is judged here: its heading and whether a cell is a number. The rows then
join the site file (``config.table_merge``), whose every rule holds for them too.
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from config.errors import Problem
from config.signal_columns import COLUMNS, REQUIRED


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
    **dict.fromkeys(("scale", "offset", "resolution", "uncertainty", "storage_deadband"), _decimal),
    **dict.fromkeys(("range_low", "range_high"), _decimal),
    "inverted": _yes_or_no,
    "bad_values": _raw_values,
}


@dataclass(frozen=True, slots=True)
class TableRow:
    """One signal as a table gives it; ``data`` are the keys of a signal as in a site file."""

    line: int
    unit: str
    signal: str
    data: dict[str, Any]


def read_signal_table(text: str, file: str) -> tuple[list[TableRow], list[Problem]]:
    """Read the text of a signal table.

    Parameters
    ----------
    text : str
        Heading and rows.
    file : str
        Only for messages.

    Returns
    -------
    rows : list of TableRow
        The rows that can be read, in their order.
    problems : list of Problem
        What is wrong with the others, each with its line and column.

    Examples
    --------
    >>> rows, problems = read_signal_table('''dehydration_unit,signal,controller,table,address,type,unit,scale
    ... north,reboiler_temperature,plc,holding,40001,int16,degF,0.1
    ... ''', "map.csv")
    >>> rows[0].data["scale"], problems
    (0.1, [])
    """
    rows: list[TableRow] = []
    problems: list[Problem] = []
    columns: list[str] = []
    try:
        for line, cells in _lines(text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")):
            if not columns:
                columns = [cell.strip().lower() for cell in cells]
                problems += _heading_problems(file, line, columns)
                if problems:
                    return [], problems
                continue
            row, found = _row(file, line, columns, cells)
            rows += row
            problems += found
    except _NotCsvError as error:
        fix = "close every double quote, and double it where it belongs to the text"
        problems.append(Problem(file, error.line, (), f"is not CSV: {error}", fix))
    if not columns and not problems:
        problems += _heading_problems(file, 0, [])
    return rows, problems


class _NotCsvError(ValueError):
    """Text that is no CSV, with the line."""

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message)
        self.line = line


def _lines(text: str) -> Iterator[tuple[int, list[str]]]:
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
        raise _NotCsvError(str(error), reader.line_num) from None


def _row(file: str, line: int, columns: list[str], cells: list[str]) -> tuple[list[TableRow], list[Problem]]:
    if len(cells) > len(columns):
        fix = "put a cell that holds the separator in double quotes"
        message = f"has {len(cells)} cells under {len(columns)} columns"
        return [], [Problem(file, line, (), message, fix)]
    given = {column: cell.strip() for column, cell in zip(columns, cells, strict=False) if cell.strip()}
    problems, data = _signal_data(file, line, given)
    if problems:
        return [], problems
    return [TableRow(line, data.pop("dehydration_unit"), data.pop("signal"), data)], []


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
    return problems, data
