"""The harness finds kept runs by their folders, and takes no word of theirs for granted."""

import json
import os

import pytest
from history_samples import document, write

from harness.errors import UserError
from harness.kept import UNIT, KeptRun, find_runs, read_run, runs_below
from harness.report.document import to_json


def kept(**given):
    return KeptRun(None, json.loads(to_json(document(**given))), 0)


def test_finds_runs_in_folders_of_folders_in_the_order_of_names(tmp_path):
    for name in ("b", "a", "module-3/first-look", "module-3/failsafe"):
        write(tmp_path / name, document())
    found = find_runs(tmp_path)
    assert [run.name for run in found.runs] == ["a", "b", "module-3/failsafe", "module-3/first-look"]
    assert [run.folder for run in runs_below(tmp_path)] == [run.folder for run in found.runs]
    assert found.runs[0].size == (tmp_path / "a/verdict.json").stat().st_size


def test_finds_the_one_run_that_was_named(tmp_path):
    write(tmp_path / "a", document())
    (tmp_path / "a/inner").mkdir()
    assert [run.name for run in find_runs(tmp_path / "a").runs] == ["."]


def test_tells_runs_that_broke_off_and_recordings_that_nobody_judged(tmp_path):
    for name in (".a-7.partial-12", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "recording.pcapng").write_bytes(b"x")
    (tmp_path / ".hidden").mkdir()
    found = find_runs(tmp_path)
    assert (found.runs, found.broken, found.unjudged) == ([], [".a-7.partial-12"], ["b"])


def test_follows_a_link_to_a_run_and_no_further(tmp_path):
    write(tmp_path / "elsewhere/run", document())
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs/linked").symlink_to(tmp_path / "elsewhere/run")
    (tmp_path / "runs/circle").symlink_to(tmp_path)
    assert [run.name for run in find_runs(tmp_path / "runs").runs] == ["linked"]


def test_looks_no_deeper_than_it_says(tmp_path):
    write(tmp_path / "1/2/3/4", document())
    write(tmp_path / "1/2/3/4b/5", document())
    assert [run.name for run in find_runs(tmp_path).runs] == [os.path.join("1", "2", "3", "4")]


def test_names_the_unit_by_its_name_else_by_serial_numbers_else_by_what_devices_say():
    assert UNIT == "unit"
    assert kept(unit="left wing", module="bought in May").unit == "left wing"
    assert kept(module="bought in May").module == "bought in May"
    assert kept(unit="").unit == "transmitter 0042, receiver 0043"
    assert kept(unit="", devices={}).unit == "receiver: dunlin-rx; transmitter: dunlin-tx"


def test_names_the_firmware_of_both_devices():
    assert kept(version="1.4").firmware == "transmitter dunlin-tx 1.4, receiver dunlin-rx 1.4"
    assert kept(devices={}).firmware == ""


@pytest.mark.parametrize("rig", [None, 3, [], {}, {"facts": 3}, {"facts": {"unit": 3}}])
@pytest.mark.parametrize("units", [None, "x", {"transmitter": 3}, {"transmitter": {"serial": {}}}])
def test_asks_any_document_for_its_unit(rig, units):
    run = KeptRun(None, {"rig": rig, "units": units, "devices": 3}, 0)
    assert (run.unit, run.firmware, run.module) == ("", "", "")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "Expecting value"),
        ("[]", "no JSON object"),
        ('{"a": NaN}', "NaN is no number"),
        ('{"a": -Infinity}', "-Infinity is no number"),
        ("[" * 100_000, "recursion"),
        ('{"a": ' + "9" * 5000 + "}", "digits"),
        ("\udcff", "utf-8"),
    ],
    ids=["empty", "list", "NaN", "infinite", "deep", "long number", "not UTF-8"],
)
def test_refuses_what_is_no_document_and_says_why(tmp_path, text, told):
    (tmp_path / "verdict.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(UserError, match=told) as caught:
        read_run(tmp_path)
    assert "verdict.json: cannot read" in str(caught.value)


def test_does_not_read_a_giant_or_a_pipe(tmp_path):
    (tmp_path / "giant").mkdir()
    with (tmp_path / "giant/verdict.json").open("wb") as file:
        file.truncate(1 << 30)
    (tmp_path / "pipe").mkdir()
    os.mkfifo(tmp_path / "pipe/verdict.json")
    for name, told in (("giant", "bytes, more than"), ("pipe", "no ordinary file")):
        with pytest.raises(UserError, match=told):
            read_run(tmp_path / name)
    assert [run.size for run in find_runs(tmp_path).runs] == [1 << 30, -1]
