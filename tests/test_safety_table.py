"""The harness closes the throttle as the bench guide says: each row of its table has its tests."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "shared/bench.md").read_text(encoding="utf-8")
HEADS = ["exit path", "what closes the throttle", "how long at most", "tested by"]
PATHS = (
    "over",
    "assertion",
    "Ctrl-C, SIGTERM, SIGHUP",
    "Ctrl-C twice",
    "Escape",
    "space bar",
    "terminal is closed",
    "kill -9",
    "PC asleep",
    "transmitter's port unplugged",
    "receiver's or the witness's port unplugged",
    "disk",
)


def table():
    """The rows of the table, cell by cell."""
    lines = PAGE.split(f"| {' | '.join(HEADS)} |\n")[1].split("\n\n")[0].splitlines()[1:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def functions_in(*files):
    found = [re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE) for path in files]
    return {name for names in found for name in names}


ROWS = table()
TESTS = functions_in(*ROOT.glob("tests/**/test_*.py"))


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_each_exit_path_says_who_closes_the_throttle_how_fast_and_what_tested_it(row):
    assert len(row) == len(HEADS)
    assert all(row)
    assert re.search(r"\d ms|at once|refused", row[2])
    named = re.findall(r"`(test_\w+)`", row[3])
    assert named
    assert set(named) <= TESTS


@pytest.mark.parametrize("words", PATHS)
def test_no_exit_path_is_missing(words):
    assert sum(words in row[0] for row in ROWS) == 1


def test_no_test_of_an_exit_path_is_left_out_of_the_table():
    named = {name for row in ROWS for name in re.findall(r"`(test_\w+)`", row[3])}
    tried = functions_in(ROOT / "tests/test_exits.py", ROOT / "tests/test_dead_man.py")
    assert {name for name in tried if "closes_the_throttle" in name or "closed_throttle" in name} <= named
