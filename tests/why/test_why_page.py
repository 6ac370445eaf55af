"""The page that says how often the true cause is named fits the catalogue, and its figures reach the goal."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest

from harness.bench.mocked import list_defects

PAGES = Path(__file__).parents[1] / "evidence"
sys.path.insert(0, str(PAGES))
causes = importlib.import_module("causes")
DEFECTS = {one.name: one for one in list_defects("mock")}


def cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip("|").split("|")]


def rows() -> dict[str, dict[str, str]]:
    """Return the table of defects by name."""
    part = (PAGES / "causes.md").read_text(encoding="utf-8").split("## Defects\n")[1].split("\n## ")[0]
    head, _, *lines = [cells(line) for line in part.splitlines() if line.startswith("|")]
    return {line[0]: dict(zip(head, line, strict=True)) for line in lines}


def test_every_defect_has_a_true_cause_in_one_table_and_no_other_has() -> None:
    tables = [
        importlib.import_module(name).REASONS for name in causes.TABLES if importlib.util.find_spec(name)
    ]
    named = [name for table in tables for name in table]
    assert len(named) == len(set(named))
    assert set(named) <= set(DEFECTS)
    if len(tables) == len(causes.TABLES):
        assert set(named) == set(DEFECTS)
    assert all(keys for table in tables for keys in table.values())


def test_the_page_has_every_defect_with_its_plan_and_its_true_cause() -> None:
    truths, found = causes.reasons(), rows()
    for name, truth in truths.items():
        if name in found or DEFECTS[name].plan != "soak":
            assert (found[name]["plan"], found[name]["true cause"]) == (DEFECTS[name].plan, truth[0])
    assert set(found) <= set(DEFECTS)


def test_the_page_reaches_the_goal() -> None:
    failed = sum(int(row["a check failed"]) for row in rows().values())
    first = sum(int(row["first"]) for row in rows().values())
    assert first >= causes.FIRST_WANTED * failed
    text = (PAGES / "causes.md").read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("| no cause claimed, of healthy rigs"))
    assert float(cells(line)[2].split(" %")[0]) >= 100 * causes.NONE_WANTED


@pytest.mark.parametrize("name", ["display-draws-telemetry", "end-stop-refused"])
def test_a_cell_of_the_page_is_what_comes_out(name: str) -> None:
    options = causes.read_options(["--defects", name, "--seeds", "1", "--near", "0", "--healthy", "0"])
    told = [causes.tell(job) for job in causes.jobs_of(options)]
    row = causes.row_of(name, DEFECTS[name].plan, causes.reasons()[name], told)
    assert (row.failed, row.first) == (1, 1)
    assert rows()[name]["none"] == "0"


def test_the_readme_tells_the_numbers_of_the_page() -> None:
    page = (PAGES / "causes.md").read_text(encoding="utf-8")
    first = next(line for line in page.splitlines() if line.startswith("| true cause first"))
    healthy = next(line for line in page.splitlines() if line.startswith("| no cause claimed, of healthy"))
    unclaimed, rigs = map(int, healthy.split("(")[1].split(")")[0].split(" of "))
    readme = " ".join((PAGES.parents[1] / "README.md").read_text(encoding="utf-8").split())
    assert f"named first in {first.split('(')[1].split(')')[0]} runs" in readme
    assert f"in {rigs - unclaimed} of {rigs} runs of healthy rigs" in readme
