"""The harness exports what verdict.json says, to the digit, for spreadsheets and notebooks."""

import csv
import io
import json
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from history_samples import FIRST_S, check, document, wings, write
from pyarrow import parquet

from harness.errors import UserError
from harness.history.columns import COLUMNS, page
from harness.history.command import Outputs, history
from harness.history.command import write as write_files
from harness.history.rows import Wanted
from harness.history.tables import csv_bytes, parquet_bytes
from harness.report.files import write_whole
from harness.verdict import Verdict

NAMES = [column.name for column in COLUMNS]
TYPES = {column.name: column.type for column in COLUMNS}


def told(root, **wanted):
    return history(root, Wanted(**wanted), print, whole=True)


def read_csv(data):
    head, *rows = csv.reader(io.StringIO(data.decode(), newline=""), strict=True)
    assert head == NAMES
    return [dict(zip(head, row, strict=True)) for row in rows]


def read_parquet(data):
    return parquet.read_table(pa.BufferReader(data))


@pytest.fixture
def runs(tmp_path):
    """Two runs of several checks, one without any interval, and one run without checks."""
    results = (
        check(value=525.0625, verdict=Verdict.FAIL, uncertainty=0.1, needed=None),
        check("delivery", 99.931972789, unit="%", limit=98.0, side="at least", samples=2940, needed=12),
        check(
            "pins", None, Verdict.NONE, unit="", limit=None, confidence=None, samples=0, sample_unit="pulses"
        ),
    )
    write(tmp_path / "a", document(*results, seed=2**64 - 1, module="bought in May"))
    write(tmp_path / "b", document(*results, at_s=0, unit=""), modified_s=FIRST_S + 60)
    empty = document(at_s=FIRST_S + 99)
    empty["checks"] = []
    write(tmp_path / "c", empty)
    return tmp_path


def expected(root):
    """The rows as they should be, straight from the documents."""
    for folder in ("a", "c", "b"):  # groups by unit; b has none, and goes by its serial numbers
        whole = json.loads((root / folder / "verdict.json").read_text())
        for one in whole["checks"] or [None]:
            low, high = (one["interval"] or (None, None)) if one else (None, None)
            keys = ("value", "confidence", "uncertainty", "limit", "margin", "samples", "needed")
            numbers = {key: one[key] if one else None for key in keys}
            texts = ("kind", "side", "sample_unit")
            yield {
                "folder": folder, "plan": whole["plan"]["name"], "plan_sha256": whole["plan"]["sha256"],
                "verdict": whole["verdict"], "seed": whole["seed"], "link_seconds": whole["link_seconds"],
                "packets_sent": whole["packets"]["sent"], "packets_applied": whole["packets"]["applied"],
                "rig": whole["rig"]["name"], "hardware": whole["rig"]["hardware"],
                "propsoff": whole["versions"]["propsoff"],
                "unit": whole["rig"]["facts"].get("unit", "transmitter 0042, receiver 0043"),
                "module": whole["rig"]["facts"].get("module"),
                "firmware": "transmitter dunlin-tx 1.0, receiver dunlin-rx 1.0",
                "ordered_by": "start" if whole["started"] else "file time",
                "at": whole["started"] or "2026-11-01T09:01:00Z",
                "check": one["name"] if one else None, "check_verdict": one["verdict"] if one else None,
                "value_unit": (one["unit"] or None) if one else None,
                "low": low, "high": high, **numbers,
                **{key: (one[key] or None) if one else None for key in texts},
            }  # fmt: skip


def test_writes_into_csv_what_the_documents_say(runs):
    found = read_csv(csv_bytes(told(runs)))
    assert [{name: shown(name, row[name]) for name in NAMES} for row in found] == [
        {name: row[name] for name in NAMES} for row in expected(runs)
    ]


def shown(name, cell):
    """A cell of CSV as a value again."""
    if cell == "":
        return None
    read = {"number": float, "whole": int, "flag": lambda word: word == "true"}
    return read.get(TYPES[name], str)(cell)


def test_writes_into_parquet_what_the_documents_say(runs):
    table = read_parquet(parquet_bytes(told(runs)))
    assert table.column_names == NAMES
    found = table.to_pylist()
    for row in found:
        row["at"] = row["at"].strftime("%Y-%m-%dT%H:%M:%SZ")
    assert found == [{name: row[name] for name in NAMES} for row in expected(runs)]


def test_explains_every_column_inside_the_parquet_file(runs):
    schema = read_parquet(parquet_bytes(told(runs))).schema
    assert {field.name: field.metadata[b"about"].decode() for field in schema} == {
        column.name: column.about for column in COLUMNS
    }
    assert str(schema.field("at").type) == "timestamp[s, tz=UTC]" or schema.field("at").type.tz == "UTC"
    assert str(schema.field("value").type) == "double"
    assert str(schema.field("seed").type) == "uint64"


def test_ends_lines_as_rfc_4180_says(runs):
    data = csv_bytes(told(runs))
    assert data.count(b"\r\n") == data.count(b"\n") == 8  # section 2, 1 and 2: each record ends in CRLF


def test_quotes_what_must_be_quoted(tmp_path):
    odd = 'say "left", or\nright'
    write(tmp_path / "a", document(unit=odd))
    (row,) = read_csv(csv_bytes(told(tmp_path)))
    assert row["unit"] == 'say "left", or\\nright'
    assert b'"say ""left"", or' in csv_bytes(told(tmp_path))


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "  =1+1", "'=1", "=cmd|' /C x'!A0", "\uff1d1"]
)
def test_no_text_becomes_a_formula_and_can_be_had_again(tmp_path, text):
    write(tmp_path / "a", document(check(value=-0.5, limit=None), unit=text))
    (row,) = read_csv(csv_bytes(told(tmp_path)))
    assert row["unit"] == f"'{text}"
    assert row["value"] == "-0.5"
    assert read_parquet(parquet_bytes(told(tmp_path))).to_pylist()[0]["unit"] == text


def test_leaves_other_text_alone(tmp_path):
    write(tmp_path / "a", document(unit="left = right", module="5 dBi - long"))
    (row,) = read_csv(csv_bytes(told(tmp_path)))
    assert (row["unit"], row["module"]) == ("left = right", "5 dBi - long")


def test_exports_only_what_was_asked_for(runs):
    rows = read_csv(csv_bytes(told(runs, unit="left wing", figures=("delivery",))))
    assert [(row["folder"], row["check"]) for row in rows] == [("a", "delivery"), ("c", "")]


def test_the_page_of_columns_is_in_step():
    assert (Path(__file__).parents[2] / "shared/history.md").read_text() == page()


def test_says_how_to_mend_a_missing_library(runs, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UserError, match="pip install pyarrow"):
        parquet_bytes(told(runs))


def test_writes_no_file_if_one_of_them_cannot_be_made(runs, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    outputs = Outputs(csv=runs / "x.csv", parquet=runs / "x.parquet")
    with pytest.raises(UserError):
        write_files(told(runs), outputs, print)
    assert not (runs / "x.csv").exists()


def test_writes_files_and_says_how_much_is_in_them(tmp_path):
    wings(tmp_path / "runs", 2)
    said = []
    outputs = Outputs(csv=tmp_path / "x.csv", parquet=tmp_path / "x.parquet")
    write_files(told(tmp_path / "runs"), outputs, said.append)
    assert len(read_csv(outputs.csv.read_bytes())) == 2
    assert read_parquet(outputs.parquet.read_bytes()).num_rows == 2
    assert said == [
        f"{outputs.parquet}: written (2 rows, 2 runs)",
        f"{outputs.csv}: written (2 rows, 2 runs)",
    ]
    assert sorted(file.name for file in tmp_path.iterdir()) == ["runs", "x.csv", "x.parquet"]


def test_writes_over_nothing_unless_told(tmp_path):
    file = tmp_path / "x.csv"
    file.write_text("mine")
    with pytest.raises(UserError, match="add --overwrite"):
        Outputs(csv=file).require_free()
    with pytest.raises(UserError, match="add --overwrite"):
        write_whole(file, b"new", overwrite=False)
    assert file.read_text() == "mine"
    write_whole(file, b"new", overwrite=True)
    assert file.read_text() == "new"


def test_refuses_a_folder_one_name_for_two_files_and_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(UserError, match="is a folder"):
        Outputs(csv=tmp_path, overwrite=True).require_free()
    with pytest.raises(UserError, match="give each file a name of its own"):
        Outputs(csv=tmp_path / "x", page=tmp_path / "y/../x").require_free()
    with pytest.raises(UserError, match="cannot be written: No such file or directory"):
        write_whole(tmp_path / "no/x.csv", b"", overwrite=False)
