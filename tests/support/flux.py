"""A small interpreter of Flux over points in memory: what the tests' database answers questions with.

After the Flux specification and the reference of its standard library: streams of tables with a group key,
``from``, ``range`` (start included, stop not), ``filter``, ``first``, ``last``, ``aggregateWindow`` (windows
counted from 1970 UTC, the first and last cut at the range), ``keep``, ``drop``, ``pivot``, ``yield``. A
column of a table has one type; tables of different types stay apart. Anything else is refused as a compiler
would.
"""

from __future__ import annotations

import datetime
import functools
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

Row = dict[str, Any]
Points = Mapping[tuple[str, int], Mapping[str, float | int | str]]
_TOKEN = re.compile(r'\s*("(?:\\.|[^"\\])*"|\|>|=>|==|!=|[A-Za-z_]\w*|[()\[\]:,.])')
_KEY = re.compile(r"(?<!\\),")
_UNITS = {"ns": 1, "us": 1000, "ms": 1_000_000, "s": 1_000_000_000}


class FluxError(Exception):
    """What a server answers with 400 or 404."""

    def __init__(self, message: str, *, status: int = 400) -> None:
        super().__init__(message)
        self.status = status


@dataclass(frozen=True)
class Time:
    """A moment, to be told from other whole numbers [ns]."""

    nanoseconds: int

    def __str__(self) -> str:
        seconds, rest = divmod(self.nanoseconds, 1_000_000_000)
        text = datetime.datetime.fromtimestamp(seconds, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%S")
        return text + (f".{rest:09d}".rstrip("0") if rest else "") + "Z"


@dataclass
class Table:
    """Rows under a group key."""

    key: Row
    rows: list[Row] = field(default_factory=list)


@dataclass(frozen=True)
class Result:
    """One named stream of an answer."""

    name: str
    tables: list[Table]


def externs(body: Mapping[str, Any]) -> dict[str, Any]:
    """Values of the options that a query's ``extern`` sets, from its syntax tree."""
    found = {}
    for statement in body.get("body", []):
        assignment = statement["assignment"]
        found[assignment["id"]["name"]] = _literal(assignment["init"])
    return found


def _literal(node: Mapping[str, Any]) -> Any:
    match node["type"]:
        case "StringLiteral":
            return node["value"]
        case "DateTimeLiteral":
            whole, _, fraction = node["value"].rstrip("Z").partition(".")
            moment = datetime.datetime.fromisoformat(whole).replace(tzinfo=datetime.UTC)
            return Time(int(moment.timestamp()) * 1_000_000_000 + int(fraction.ljust(9, "0")))
        case "DurationLiteral":
            return sum(int(part["magnitude"]) * _UNITS[part["unit"]] for part in node["values"])
    raise FluxError(f"error in extern: {node['type']}")


def run(text: str, values: Mapping[str, Any], buckets: Mapping[str, Points]) -> list[Result]:
    """Results of a program."""
    return list(_Program(text, values, buckets).results())


class _Program:
    def __init__(self, text: str, values: Mapping[str, Any], buckets: Mapping[str, Points]) -> None:
        self._values, self._buckets = values, buckets
        self._tokens, at = [], 0
        while at < len(text.rstrip()):
            match = _TOKEN.match(text, at)
            if match is None:
                raise FluxError(f"error at {at}: invalid character {text[at : at + 10]!r}")
            self._tokens.append(match[1])
            at = match.end()
        self._at = 0

    def _peek(self, ahead: int = 0) -> str:
        at = self._at + ahead
        return self._tokens[at] if at < len(self._tokens) else ""

    def _next(self, expected: str = "") -> str:
        token = self._peek()
        if expected and token != expected:
            raise FluxError(f"error: expected {expected}, got {token!r}")
        self._at += 1
        return token

    # ------------------------------------------------------------------ syntax

    def results(self) -> Iterator[Result]:
        while self._peek():
            name, arguments = self._call()
            if name != "from":
                raise FluxError(f"error: undefined identifier {name}")
            stream, called = self._from(**arguments), "_result"
            while self._peek() == "|>":
                self._next()
                name, arguments = self._call()
                if name == "yield":
                    called = arguments["name"]
                    continue
                function: Callable[..., list[Table]] | None = getattr(self, f"_do_{_snake(name)}", None)
                if function is None:
                    raise FluxError(f"error: undefined identifier {name}")
                stream = function(stream, **arguments)
            yield Result(called, [table for table in stream if table.rows])

    def _call(self) -> tuple[str, Row]:
        name, arguments = self._next(), {}
        self._next("(")
        while self._peek() != ")":
            key = self._next()
            self._next(":")
            arguments[_snake(key)] = self._expression()({}) if key != "fn" else self._function()
            if self._peek() == ",":
                self._next()
        self._next(")")
        return name, arguments

    def _function(self) -> Any:
        if self._peek() != "(":
            return self._next()  # of the standard library
        self._next("(")
        parameter = self._next()
        self._next(")")
        self._next("=>")
        body = self._expression()
        return lambda row: body({parameter: row})

    def _expression(self) -> Callable[[Row], Any]:
        parts = [self._conjunction()]
        while self._peek() == "or":
            self._next()
            parts.append(self._conjunction())
        return parts[0] if len(parts) == 1 else lambda scope: any(part(scope) for part in parts)

    def _conjunction(self) -> Callable[[Row], Any]:
        parts = [self._comparison()]
        while self._peek() == "and":
            self._next()
            parts.append(self._comparison())
        return parts[0] if len(parts) == 1 else lambda scope: all(part(scope) for part in parts)

    def _comparison(self) -> Callable[[Row], Any]:
        left = self._primary()
        if self._peek() not in {"==", "!="}:
            return left
        same, right = self._next() == "==", self._primary()

        def compare(scope: Row) -> bool:
            one, other = left(scope), right(scope)
            # A comparison with a tag that is not there is null, and null lets nothing through.
            return one is not None and other is not None and (one == other) is same

        return compare

    def _primary(self) -> Callable[[Row], Any]:
        token = self._next()
        if token == "(":
            inside = self._expression()
            self._next(")")
            return inside
        if token == "[":
            items = []
            while self._peek() != "]":
                items.append(self._expression())
                if self._peek() == ",":
                    self._next()
            self._next("]")
            return lambda scope: [item(scope) for item in items]
        if token.startswith('"'):
            if "${" in token:
                raise FluxError("error: this interpreter does not interpolate")
            text = re.sub(r"\\(.)", r"\1", token[1:-1])
            return lambda _scope: text
        if token in {"true", "false"}:
            return lambda _scope: token == "true"
        if self._peek() == ".":
            self._next()
            member = self._next()
            return lambda scope: scope[token].get(member)
        if token not in self._values:
            raise FluxError(f"compilation failed: error: undefined identifier {token}")
        return lambda _scope: self._values[token]

    # ------------------------------------------------------------------ functions

    def _from(self, bucket: str) -> list[Table]:
        if bucket not in self._buckets:
            raise FluxError(
                f'failed to initialize execute state: could not find bucket "{bucket}"', status=404
            )
        tables: dict[tuple[str, str], Table] = {}
        for (series, time), fields in sorted(self._buckets[bucket].items(), key=lambda item: item[0][1]):
            for name, value in fields.items():
                table = tables.get((series, name))
                if table is None:
                    table = tables[series, name] = Table({**_tags(series), "_field": name})
                table.rows.append({**table.key, "_time": Time(time), "_value": value})
        return list(tables.values())

    def _do_range(self, stream: list[Table], start: Time, stop: Time) -> list[Table]:
        bounds = {"_start": start, "_stop": stop}
        return [
            Table(
                {**table.key, **bounds},
                [
                    {**row, **bounds}
                    for row in table.rows
                    if start.nanoseconds <= row["_time"].nanoseconds < stop.nanoseconds
                ],
            )
            for table in stream
        ]

    def _do_filter(self, stream: list[Table], fn: Callable[[Row], bool]) -> list[Table]:
        found = []
        for table in stream:
            if not table.rows:
                continue
            asked = _Asked(table.rows[0])
            passes = fn(asked)
            if asked.names <= table.key.keys():  # then no row of the table can differ
                found += [table] if passes else []
            else:
                found.append(Table(table.key, [row for row in table.rows if fn(row)]))
        return found

    def _do_first(self, stream: list[Table]) -> list[Table]:
        return [Table(table.key, table.rows[:1]) for table in stream]

    def _do_last(self, stream: list[Table]) -> list[Table]:
        return [Table(table.key, table.rows[-1:]) for table in stream]

    def _do_keep(self, stream: list[Table], columns: list[str]) -> list[Table]:
        return _narrowed(stream, lambda name: name in columns)

    def _do_drop(self, stream: list[Table], columns: list[str]) -> list[Table]:
        return _narrowed(stream, lambda name: name not in columns)

    def _do_aggregate_window(
        self, stream: list[Table], every: int, fn: str, create_empty: bool, time_src: str
    ) -> list[Table]:
        if create_empty or time_src != "_start" or every <= 0:
            raise FluxError("error: this interpreter makes no empty windows and stamps them by their start")
        functions: dict[str, Callable[[list[Any]], Any]] = {
            "sum": sum, "count": len, "min": min, "max": max, "last": lambda values: values[-1],
        }  # fmt: skip
        found = []
        for table in stream:
            windows: dict[int, list[Any]] = {}
            for row in table.rows:
                begin = row["_time"].nanoseconds // every * every
                windows.setdefault(max(begin, row["_start"].nanoseconds), []).append(row["_value"])
            if fn == "sum" and any(isinstance(value, str) for values in windows.values() for value in values):
                raise FluxError("unsupported input type for sum aggregate: string")
            rows = [
                {**table.key, "_time": Time(begin), "_value": functions[fn](values)}
                for begin, values in windows.items()
            ]
            found.append(Table(table.key, rows))
        return found

    def _do_pivot(
        self, stream: list[Table], row_key: list[str], column_key: list[str], value_column: str
    ) -> list[Table]:
        found: dict[tuple[Any, ...], tuple[Table, dict[tuple[Any, ...], Row]]] = {}
        for table in stream:
            key = {name: value for name, value in table.key.items() if name not in column_key}
            made, rows = found.setdefault(
                tuple(sorted(key.items(), key=lambda item: item[0])), (Table(key), {})
            )
            for row in table.rows:
                at = tuple(row[name] for name in row_key)
                cells = rows.setdefault(at, {**key, **{name: row[name] for name in row_key}})
                cells["_".join(str(row[name]) for name in column_key)] = row[value_column]
            made.rows = list(rows.values())
        return [table for table, _ in found.values()]


class _Asked(dict[str, Any]):
    """A row that knows which of its columns were asked for."""

    def __init__(self, row: Row) -> None:
        super().__init__(row)
        self.names: set[str] = set()

    def get(self, name: str, default: Any = None) -> Any:
        self.names.add(name)
        return super().get(name, default)


@functools.cache
def _tags(series: str) -> Row:
    measurement, *tags = _KEY.split(series)
    pairs = (re.sub(r"\\(.)", r"\1", tag).rstrip(" ").split("=", 1) for tag in tags)
    return {"_measurement": measurement, **dict(pairs)}


def _snake(name: str) -> str:
    return re.sub(r"(?<=[a-z])([A-Z])", r"_\1", name).lower()


def _narrowed(stream: list[Table], kept: Callable[[str], bool]) -> list[Table]:
    return [
        Table(
            {name: value for name, value in table.key.items() if kept(name)},
            [{name: value for name, value in row.items() if kept(name)} for row in table.rows],
        )
        for table in stream
    ]


# ------------------------------------------------------------------ annotated CSV

_TYPES = {str: "string", int: "long", float: "double", bool: "boolean", Time: "dateTime:RFC3339"}


def annotated_csv(results: list[Result], error: str = "") -> str:
    """An answer as the reference "Annotated CSV" describes it, one block for each table that differs in form.

    With ``error``, the answer breaks off with a table of errors.
    """
    lines: list[str] = []
    for result in results:
        before: list[str] = []
        for number, table in enumerate(result.tables):
            names: dict[str, type] = {}
            for row in table.rows:
                names |= {name: type(value) for name, value in row.items()}
            head = [
                "#datatype,string,long," + ",".join(_TYPES[kind] for kind in names.values()),
                "#group,false,false," + ",".join(str(name in table.key).lower() for name in names),
                f"#default,{result.name},," + "," * (len(names) - 1),
                ",result,table," + ",".join(map(_cell, names)),
            ]
            if head != before:
                lines += [*([""] if lines else []), *head]
                before = head
            lines += [f",,{number}," + ",".join(_cell(row.get(name)) for name in names) for row in table.rows]
    if error:
        lines += ["", "#datatype,string,string", "#group,true,true", "#default,,", ",error,reference"]
        lines.append(f",{_cell(error)},897")
    return "".join(f"{line}\r\n" for line in lines) + "\r\n"


def _cell(value: Any) -> str:
    text = "" if value is None else repr(value) if isinstance(value, float) else str(value)
    return f'"{text.replace(chr(34), chr(34) * 2)}"' if re.search(r'[",\r\n]', text) else text
