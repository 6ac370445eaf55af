"""How do histories leave for spreadsheets and notebooks? As CSV (RFC 4180) or Parquet, one row a check."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any, Final

from harness.clock import label_of
from harness.errors import UserError
from harness.history.columns import COLUMNS, Cell, Column
from harness.history.entry import CheckEntry
from harness.history.rows import RunRow
from harness.history.telling import History

FORMULA: Final = ("=", "+", "-", "@", "'", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What may begin a formula in a spreadsheet, in either width (common practice, no source)."""


def rows(told: History) -> Iterator[tuple[RunRow, CheckEntry | None]]:
    """Yield each run with each of its checks, in the plan's order; a run without any once, with None."""
    for one in told.groups:
        for run in one.group.runs:
            checks = told.checks[run.id]
            yield from ((run, check) for check in checks)
            if not checks:
                yield run, None


def row_count(told: History) -> int:
    """Return how many rows there are."""
    return sum(1 for _ in rows(told))


def csv_bytes(told: History) -> bytes:
    """Return the table as CSV in UTF-8, lines ended by CR and LF."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(column.name for column in COLUMNS)
    for run, check in rows(told):
        writer.writerow(_csv_cell(column, column.of(run, check)) for column in COLUMNS)
    return out.getvalue().encode("utf-8", "backslashreplace")


def _csv_cell(column: Column, cell: Cell) -> str:
    if cell is None:
        return ""
    if column.type == "time":
        assert isinstance(cell, int)
        return label_of(cell)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, str):
        return f"'{cell}" if cell.lstrip().startswith(FORMULA) else cell
    return repr(cell)


def parquet_bytes(told: History) -> bytes:
    """Return the table as a Parquet file; raises UserError where pyarrow is not installed."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise UserError(
            "--parquet needs pyarrow, which is not installed here; `pip install pyarrow` mends that; "
            "or write --csv"
        ) from error
    types: dict[str, Any] = {
        "text": pa.string(), "number": pa.float64(), "whole": pa.uint64(), "flag": pa.bool_(),
        "time": pa.timestamp("s", tz="UTC"),
    }  # fmt: skip
    schema = pa.schema(
        [
            pa.field(column.name, types[column.type], metadata={"about": column.about}) for column in COLUMNS
        ]
    )  # fmt: skip
    cells = [[column.of(run, check) for column in COLUMNS] for run, check in rows(told)]
    arrays = [
        pa.array([row[place] for row in cells], types[column.type]) for place, column in enumerate(COLUMNS)
    ]
    sink = pa.BufferOutputStream()
    parquet.write_table(pa.Table.from_arrays(arrays, schema=schema), sink)
    data: bytes = sink.getvalue().to_pybytes()
    return data
