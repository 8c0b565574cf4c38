"""Archive files, written: compressed columnar files (Apache Parquet) that any analysis tool opens.

One file holds scans of one unit, or their statistics over minutes or hours, in the order of time and never
changes. A value is a whole number of steps of its column's resolution, delta-encoded; the column's metadata
say ``scale`` and ``offset`` (value = offset + scale x number, in the SI unit named there) and
``error_bound``, half the resolution. A column without a resolution holds the value itself. An
absent value is null. Scans of a signal with a ``deadband`` hold a value until one comes that is farther from
it (``daemon.journal.deadband``); that is then their ``error_bound``.

======================  =====================================================================================
file                    columns (``signal:NAME`` or ``result:NAME``, then)
======================  =====================================================================================
``scans-*.parquet``     ``time``, ``sequence``, ``state``, ``reasons`` (JSON by column, null: all is well);
                        the value itself, ``:status`` (OPC UA code; null: the column did not exist),
                        ``:age`` (scan time less source time, tenths of a second), ``:uncertainty``
                        (one standard deviation, to 0.4 %)
``minutes-*.parquet``   ``time`` (start), ``sequence`` (its last scan's), ``scans``; ``:mean``, ``:minimum``,
``hours-*.parquet``     ``:maximum``, ``:last``, ``:count``, ``:status`` (the worst)
======================  =====================================================================================
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from daemon.journal.archive_reading import FORMAT, STATISTICS, FileFacts
from daemon.journal.blocks import Block, state_name
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.deadband import Holder
from daemon.journal.summaries import NOT_STORED, Floats, Integers, Summaries, means

if TYPE_CHECKING:
    import pyarrow as pa

_LARGEST = 2.0**53
_AGE_STEP = 0.1  # s
_MEAN_PARTS = 16
"""A mean is kept this much finer than the values."""
_HELD = (
    "report by exception: a value is repeated until one comes that is farther from it than deadband, its "
    "status changes or a gap ends"
)


class _Unfit(Exception):  # noqa: N818 - says what it is
    """A value is no whole number of steps that a float can count."""

    def __init__(self, column: Column) -> None:
        super().__init__(str(column))
        self.column = column


def write_scans(
    path: Path, facts: FileFacts, columns: Sequence[Column], catalogue: Catalogue,
    blocks: Callable[[], Iterable[Block]],
) -> int:  # fmt: skip
    """Write a file of scans; return how many.

    Parameters
    ----------
    path : Path
        New file; the caller gives it its lasting name once it is on the disk.
    facts : FileFacts
        What it holds.
    columns : sequence of Column
        Columns of every block.
    catalogue : Catalogue
        How fine columns are kept, and what they are.
    blocks : callable
        Returns the scans in the order of time; is called again where a column does not fit its resolution.
    """
    known = {column: catalogue.of(facts.unit, column) for column in columns}
    return _fitting(known, lambda: _write(path, facts, _scan_fields(known), _scan_tables(blocks(), known)))


def write_statistics(
    path: Path, facts: FileFacts, columns: Sequence[Column], catalogue: Catalogue, rows: Summaries
) -> int:
    """Write a file of statistics over minutes or hours; return how many rows. Parameters as above."""
    known = {column: catalogue.of(facts.unit, column) for column in columns}
    return _fitting(
        known,
        lambda: _write(path, facts, _statistics_fields(known), [_statistics_table(rows, known)]),
    )


def _fitting(known: dict[Column, ColumnFacts], write: Callable[[], int]) -> int:
    while True:
        try:
            return write()
        except _Unfit as unfit:
            known[unfit.column] = replace(known[unfit.column], grain=None)


def _write(
    path: Path, facts: FileFacts, fields: Mapping[str, _Field], tables: Iterable[Mapping[str, Any]]
) -> int:
    import pyarrow as pa  # noqa: PLC0415 - 45 MB that only those pay who archive or ask the archive
    import pyarrow.parquet as pq  # noqa: PLC0415 - the same

    head = {"format": FORMAT, "facts": json.dumps({name: getattr(facts, name) for name in facts.__slots__})}
    types = {"integer": pa.int64(), "float": pa.float64(), "single": pa.float32(), "text": pa.string()}
    types |= {"code": pa.int64(), "time": pa.timestamp("us", tz="UTC")}
    schema = pa.schema(
        [
            pa.field(name, types[each.type], metadata={key: str(text) for key, text in each.about.items()})
            for name, each in fields.items()
        ],
        metadata=head,
    )
    encodings = {
        "integer": "DELTA_BINARY_PACKED",
        "time": "DELTA_BINARY_PACKED",
        "float": "BYTE_STREAM_SPLIT",
    }
    rows = 0
    with pq.ParquetWriter(
        path, schema, compression="zstd", compression_level=9, data_page_version="2.0",
        use_dictionary=[name for name, each in fields.items() if each.type in {"text", "code", "single"}],
        column_encoding={name: encodings[it.type] for name, it in fields.items() if it.type in encodings},
        write_statistics=["time"], write_page_checksum=True, store_schema=True,
    ) as writer:  # fmt: skip
        for arrays in tables:
            table = pa.table([arrays[name] for name in fields], schema=schema)
            writer.write_table(table, row_group_size=max(1, len(table)))
            rows += len(table)
    return rows


# ------------------------------------------------------------------ from arrays to columns


@dataclass(frozen=True, slots=True)
class _Field:
    type: str
    about: Mapping[str, object]


def _about(column: Column, facts: ColumnFacts, parts: int = 1) -> dict[str, object]:
    about: dict[str, object] = {"kind": column.kind, "name": column.name}
    about |= {"quantity": facts.quantity, "unit": facts.symbol, "description": facts.description}
    if facts.grain is not None:
        step = facts.grain.step / parts
        about |= {"scale": repr(step), "offset": repr(facts.grain.origin), "error_bound": repr(step / 2)}
    return {key: text for key, text in about.items() if text != ""}


def _about_scans(column: Column, facts: ColumnFacts) -> dict[str, object]:
    about = _about(column, facts)
    if facts.deadband is not None:
        about |= {"deadband": repr(facts.deadband), "error_bound": repr(facts.error_bound), "note": _HELD}
    return about


def _scan_fields(known: Mapping[Column, ColumnFacts]) -> dict[str, _Field]:
    fields = {"time": _Field("time", {}), "sequence": _Field("integer", {}), "state": _Field("text", {})}
    fields["reasons"] = _Field("text", {})
    for column, facts in known.items():
        name = str(column)
        fields[name] = _Field("integer" if facts.grain else "float", _about_scans(column, facts))
        fields[f"{name}:status"] = _Field("code", {"description": "OPC UA status code"})
        if column.kind == "signal":
            about = {"scale": _AGE_STEP, "unit": "s", "error_bound": _AGE_STEP / 2}
            fields[f"{name}:age"] = _Field("code", about)
        else:
            about = {"unit": facts.symbol, "relative_error_bound": 2.0**-8}
            fields[f"{name}:uncertainty"] = _Field("single", about)
    return fields


def _scan_tables(blocks: Iterable[Block], known: Mapping[Column, ColumnFacts]) -> Iterator[dict[str, Any]]:
    import pyarrow as pa  # noqa: PLC0415 - as above

    names = [str(column) for column in known]
    for block in map(Holder(known).held, blocks):
        arrays: dict[str, Any] = _places(block.time, block.sequence)
        states = {number: state_name(number) for number in set(block.state.tolist())}
        arrays["state"] = [states[number] for number in block.state.tolist()]
        arrays["reasons"] = [
            json.dumps({names[at]: text for at, text in sorted(row.items())}, ensure_ascii=False)
            if row
            else None
            for row in block.reasons
        ]
        for at, (column, facts) in enumerate(known.items()):
            name, codes = str(column), block.codes[:, at]
            arrays[name] = _values(column, block.values[:, at], facts.grain)
            arrays[f"{name}:status"] = pa.array(codes, mask=codes == NOT_STORED)
            if column.kind == "signal":
                arrays[f"{name}:age"] = _steps(block.age[:, at], Grain(_AGE_STEP), column)
            else:
                arrays[f"{name}:uncertainty"] = _floats(_coarse(block.uncertainty[:, at]))
        yield arrays


def _statistics_fields(known: Mapping[Column, ColumnFacts]) -> dict[str, _Field]:
    fields = {"time": _Field("time", {}), "sequence": _Field("integer", {}), "scans": _Field("code", {})}
    for column, facts in known.items():
        kind = "integer" if facts.grain else "float"
        for part in STATISTICS:
            about = _about(column, facts, _MEAN_PARTS if part == "mean" else 1)
            fields[f"{column}:{part}"] = _Field(kind, about)
        fields[f"{column}:count"] = _Field("code", {"description": "good and uncertain values in it"})
        fields[f"{column}:status"] = _Field("code", {"description": "worst OPC UA status code"})
    return fields


def _statistics_table(rows: Summaries, known: Mapping[Column, ColumnFacts]) -> dict[str, Any]:
    import pyarrow as pa  # noqa: PLC0415 - as above

    arrays: dict[str, Any] = _places(rows.time, rows.sequence) | {"scans": pa.array(rows.scans)}
    mean = means(rows)
    for at, (column, facts) in enumerate(known.items()):
        finer = facts.grain and Grain(facts.grain.step / _MEAN_PARTS, facts.grain.origin)
        arrays[f"{column}:mean"] = _values(column, mean[:, at], finer)
        for part in STATISTICS[1:]:
            arrays[f"{column}:{part}"] = _values(column, getattr(rows, part)[:, at], facts.grain)
        arrays[f"{column}:count"] = pa.array(rows.count[:, at])
        worst = rows.worst[:, at]
        arrays[f"{column}:status"] = pa.array(worst, mask=worst == NOT_STORED)
    return arrays


def _places(time: Floats, sequence: Integers) -> dict[str, Any]:
    import pyarrow as pa  # noqa: PLC0415 - as above

    stamps = np.rint(time * 1e6).astype(np.int64)
    return {"time": pa.array(stamps).cast(pa.timestamp("us", tz="UTC")), "sequence": pa.array(sequence)}


def _values(column: Column, values: Floats, grain: Grain | None) -> pa.Array:
    return _floats(values) if grain is None else _steps(values, grain, column)


def _steps(values: Floats, grain: Grain, column: Column) -> pa.Array:
    import pyarrow as pa  # noqa: PLC0415 - as above

    absent = np.isnan(values)
    number = np.rint((values - grain.origin) / grain.step)
    number[absent] = 0.0
    if not (np.abs(number) <= _LARGEST).all():
        raise _Unfit(column)
    return pa.array(number.astype(np.int64), mask=absent)


def _floats(values: NDArray[Any]) -> pa.Array:
    import pyarrow as pa  # noqa: PLC0415 - as above

    return pa.array(values, mask=np.isnan(values))


def _coarse(values: Floats) -> NDArray[np.float32]:
    """Round to eight significant bits: uncertainties of uncertainties are not worth more."""
    mantissa, exponent = np.frexp(values)
    return np.ldexp(np.rint(mantissa * 256.0) / 256.0, exponent).astype(np.float32)
