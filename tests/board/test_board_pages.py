"""The pages that say what is caught fit the catalogue and the plans; commands in DEVELOPERS.md write them."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.bench.mocked import list_defects
from harness.board import Job, play
from harness.board.command import PLANS
from harness.board.playing import plan_of
from harness.plan.model import Settle, Wait

PAGES = Path(__file__).parents[1] / "evidence"
WRITTEN = {
    "scoreboard": [one for one in list_defects("mock") if one.plan != "soak"],
    "scoreboard_everywhere": list_defects("mock"),
    "scoreboard_soak": [one for one in list_defects("mock") if one.plan == "soak"],
    "scoreboard_avr": list_defects("avr"),
}


def rows(text: str, head: str) -> list[dict[str, str]]:
    """Return the rows of all tables whose first column is called so."""
    found: list[dict[str, str]] = []
    names: list[str] = []
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if not line.startswith("|"):
            names = []
        elif not names:
            names = cells
        elif not cells[0].startswith("---") and names[0] == head:
            found.append(dict(zip(names, cells, strict=True)))
    return found


def page(name: str) -> str:
    return (PAGES / f"{name}.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", WRITTEN)
def test_the_page_has_every_defect_of_the_catalogue_and_misses_none(name: str) -> None:
    text = page(name)
    found = {row["defect"]: row for row in rows(text, "defect")}
    assert {row["defect"]: (row["severity"], row["caught by"]) for row in found.values()} == {
        one.name: (str(one.severity), one.caught_by) for one in WRITTEN[name]
    }
    for one in WRITTEN[name]:
        assert found[one.name].get(one.plan, "**").startswith("**"), one.name
    assert text.split("## Missed\n")[1].strip().startswith("None: ")


@pytest.mark.parametrize("defect", ["low-bit-lost", "channels-swapped", "end-stop-refused"])
def test_a_cell_of_the_page_is_what_comes_out(defect: str) -> None:
    row = next(row for row in rows(page("scoreboard"), "defect") if row["defect"] == defect)
    known = next(one for one in list_defects("mock") if one.name == defect)
    assert row[known.plan] == "**20/20** (20)"
    assert known.caught_by in play(Job(known.plan, 20, defect=defect)).failed


def test_the_healthy_rigs_are_a_thousand_and_none_was_bench_trouble() -> None:
    healthy = rows(page("scoreboard"), "plan")
    assert [row["plan"] for row in healthy] == list(PLANS)
    assert sum(int(row["runs"]) for row in healthy) == 1000
    assert {row["error"] for row in healthy} == {"·"}


def test_every_step_of_every_plan_is_for_something() -> None:
    sections = page("step_worth").split("\n## ")[1:]
    assert [section.split("\n")[0] for section in sections] == list(PLANS)
    for plan, section in zip(PLANS, sections, strict=True):
        steps = [step for step in plan_of(plan).steps if not isinstance(step.action, Settle | Wait)]
        found = rows(section, "step")
        titles = [step.name if step.name != step.path else step.action.WORD for step in steps]
        assert [row["step"] for row in found] == titles
        assert all(row["slips through without it"] or row["not settled"] for row in found), plan
