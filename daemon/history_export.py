"""History as a Parquet file for analysis tools: the site's units, quality beside every value."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from daemon.history_output import BUCKET_TITLES, Header, Wording, number, spread
from daemon.journal.buckets import Bucket, Statistics
from daemon.journal.rows import Row, Sample

_ROWS = 20_000
"""Rows that are held in memory at a time."""


def write_parquet(
    rows: Iterator[Row] | Iterator[Bucket],
    heads: Sequence[Header],
    wording: Wording,
    path: Path,
    unit: str,
    *,
    buckets: bool,
) -> int:
    """Write rows or buckets to a file as they come; return how many.

    The columns are those of the CSV form, with units and descriptions in their metadata. A file that is
    there already is replaced once the new one is whole.

    Parameters
    ----------
    rows : iterator
        ``Row`` or ``Bucket``, all of one kind.
    heads : sequence of Header
        The columns.
    wording : Wording
        Units and time zone.
    path : Path
        Where to.
    unit : str
        Name of the dehydration unit.
    buckets : bool
        Which kind they are.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    import pyarrow as pa  # noqa: PLC0415 - 45 MB, only for those who ask
    import pyarrow.parquet as pq  # noqa: PLC0415 - as above

    zone = str(wording.zone)
    fields = [pa.field("time", pa.timestamp("us", tz=zone))]
    fields.append(pa.field("scans", pa.int64()) if buckets else pa.field("state", pa.string()))
    for head in heads:
        about = {"kind": head.column.kind, "name": head.column.name, "unit": head.unit.symbol}
        for title, kind in (_BUCKET_COLUMNS if buckets else _SAMPLE_COLUMNS).items():
            name = f"{head.label} {title}".rstrip()
            types = {"number": pa.float64(), "count": pa.int64(), "text": pa.string()}
            fields.append(pa.field(name, types[kind], metadata=about if kind == "number" else None))
    schema = pa.schema(fields, metadata={"unit": unit, "made by": "tegwatch history"})
    part = path.with_name(f".{path.name}.part")
    count = 0
    try:
        with pq.ParquetWriter(part, schema, compression="zstd") as writer:
            chain: Iterator[Row | Bucket] = iter(rows)
            while piece := list(itertools.islice(chain, _ROWS)):
                arrays = _columns(piece, heads)
                writer.write_table(
                    pa.table(
                        [
                            pa.array(array, type=field.type)
                            for array, field in zip(arrays, schema, strict=True)
                        ],
                        schema=schema,
                    )
                )
                count += len(piece)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return count


_SAMPLE_COLUMNS: Mapping[str, str] = {"": "number", "uncertainty": "number", "quality": "text"}
_BUCKET_COLUMNS: Mapping[str, str] = {
    title: {"count": "count", "quality": "text"}.get(title, "number") for title in BUCKET_TITLES
}


def _columns(piece: Sequence[Row | Bucket], heads: Sequence[Header]) -> list[list[Any]]:
    found: list[list[Any]] = [
        [round((row.start if isinstance(row, Bucket) else row.time) * 1e6) for row in piece],
        [row.scans if isinstance(row, Bucket) else row.state.value for row in piece],
    ]
    for at, head in enumerate(heads):
        cells = [
            _cells(row.statistics[at] if isinstance(row, Bucket) else row.samples[at], head) for row in piece
        ]
        width = len(BUCKET_TITLES) if isinstance(piece[0], Bucket) else 3
        found += [[cell[place] if cell else None for cell in cells] for place in range(width)]
    return found


def _cells(item: Sample | Statistics | None, head: Header) -> tuple[Any, ...]:
    if item is None:
        return ()
    if isinstance(item, Sample):
        return number(item.value, head.unit), spread(item.uncertainty, head.unit), item.status.opc_ua_name
    parts = (number(part, head.unit) for part in (item.mean, item.minimum, item.maximum, item.last))
    return (*parts, item.count, item.worst.name.lower())
