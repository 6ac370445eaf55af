"""The scoreboard counts what was played, says what was missed, and gives the same page again."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from soaked import by_rounds, plan_text, played

from harness.bench.mocked import list_defects
from harness.bench.rig import parse_rig
from harness.board import Job, Played, command, play, play_all, tally
from harness.board.healthy import allowance, healthy_jobs, healthy_rig
from harness.board.page import page
from harness.board.tally import Board, stated_risks
from harness.errors import StorageError, UserError
from harness.verdict import Verdict

KNOWN = {defect.name: defect for defect in list_defects("mock")}
LATE = KNOWN["failsafe-late"]
LOW_BIT = KNOWN["low-bit-lost"]


def runs(plan: str, defect: str, *verdicts: Verdict, near: bool = False, by: str = "") -> list[Played]:
    """Imaginary runs that ended so."""
    return [
        Played(
            Job(plan, seed, defect=defect, near_miss=near), verdict, (by,) if verdict is Verdict.FAIL else ()
        )
        for seed, verdict in enumerate(verdicts)
    ]


def board(*played: list[Played]) -> Board:
    return tally(
        [LATE, LOW_BIT], ("failsafe", "acceptance", "first-look"), [one for part in played for one in part]
    )


FAIL, PASS, OPEN, ERROR = Verdict.FAIL, Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.ERROR


def test_a_cell_counts_caught_runs_and_those_of_the_check_that_is_meant() -> None:
    found = board(
        runs("failsafe", LATE.name, FAIL, FAIL, by=LATE.caught_by),
        runs("failsafe", LATE.name, FAIL, by="delivery"),
        runs("failsafe", LATE.name, PASS, OPEN, ERROR),
    )
    cell = found.cells[LATE.name, "failsafe"]
    assert (cell.runs, cell.caught, cell.by_check) == (6, 4, 2)
    assert cell.verdicts == Counter({"fail": 3, "pass": 1, "inconclusive": 1, "error": 1})


@pytest.mark.parametrize(
    ("plan", "ends", "missed"),
    [
        ("failsafe", [FAIL] * 20, False),
        ("acceptance", [FAIL] * 20, False),
        ("failsafe", [FAIL] * 19 + [PASS], True),
        ("first-look", [FAIL] * 20, True),
    ],
)
def test_a_dangerous_defect_must_be_caught_in_every_run_of_failsafe_or_acceptance(
    plan: str, ends: list[Verdict], missed: bool
) -> None:
    assert LATE.severity == "dangerous"
    assert bool(board(runs(plan, LATE.name, *ends, by=LATE.caught_by)).misses()) is missed


@pytest.mark.parametrize(("slipped", "missed"), [(0, False), (1, False), (2, True)])
def test_any_other_defect_may_slip_through_once_in_a_hundred(slipped: int, missed: bool) -> None:
    assert LOW_BIT.severity != "dangerous"
    ends = [FAIL] * (100 - slipped) + [OPEN] * slipped
    assert bool(board(runs("first-look", LOW_BIT.name, *ends)).misses()) is missed


def test_a_near_miss_that_fails_is_told() -> None:
    near = runs("failsafe", LATE.name, PASS, OPEN, near=True)
    assert board(near).misses() == []
    near += runs("failsafe", LATE.name, FAIL, near=True)
    assert board(near).misses() == [
        "the near-miss of failsafe-late was not passed in 1 of 3 runs of failsafe"
    ]


@pytest.mark.parametrize(
    ("check", "wrong", "told"),
    [("delivery", 0, False), ("delivery", 9, False), ("delivery", 20, True), ("order", 1, True)],
)
def test_a_check_may_fail_healthy_rigs_as_often_as_it_says(check: str, wrong: int, told: bool) -> None:
    """Delivery says 5 %: 9 of 100 cannot be told from that, 20 can. Order judges facts, and may never."""
    ends = [FAIL] * wrong + [PASS] * (100 - wrong)
    found = board(runs("failsafe", "", *ends, by=check))
    assert bool(found.misses()) is told
    assert found.healthy[0].failed == Counter({check: wrong} if wrong else {})


def test_stated_risks_leave_out_what_judges_facts() -> None:
    risks = stated_risks("failsafe")
    assert risks == {"delivery": pytest.approx(0.05)}
    assert board(runs("failsafe", "", PASS)).healthy[0].stated == pytest.approx(0.05)


def test_a_healthy_rig_is_never_bench_trouble() -> None:
    assert board(runs("failsafe", "", *[PASS] * 99, ERROR)).misses()


@pytest.mark.parametrize("plan", command.PLANS)
def test_healthy_rigs_differ_and_can_be_read(plan: str) -> None:
    rigs = [healthy_rig(plan, 5, number) for number in range(20)]
    assert len(set(rigs)) == 20
    assert rigs == [healthy_rig(plan, 5, number) for number in range(20)]
    for text in rigs:
        settings: Any = parse_rig(text, "healthy").simulated
        assert abs(settings.transmitter_skew_ppm) <= 200
        assert 1_000_000 <= settings.usb_latency_ns <= 16_000_000
        lost = float(settings.loss) ** (1 + settings.retransmit_limit)
        assert lost <= float(allowance(plan) or settings.loss**3) + 1e-5
    assert sum(parse_rig(text, "healthy").simulated.witness for text in rigs) == 10


def test_a_soak_is_judged_by_its_rounds(tmp_path: Path) -> None:
    file = tmp_path / "short.yaml"
    file.write_text(plan_text())
    found = play(Job(str(file), 3, defect="failsafe-late"))
    judged = by_rounds(played(plan_text(), 3, defect="failsafe-late"), plan_text())
    failed = {one.kind for one in judged.results if one.verdict is Verdict.FAIL}
    assert (found.verdict, set(found.failed)) == (judged.verdict, failed)
    assert "failsafe_entry" in failed


def test_a_plan_whose_link_cannot_have_a_defect_says_nothing_of_it() -> None:
    scaled = KNOWN["telemetry-scaled"]
    unfit = play(Job("failsafe", 1, defect=scaled.name))
    assert (unfit.verdict, unfit.caught) == (Verdict.NONE, False)
    assert "needs a telemetry field" in unfit.trouble
    caught = runs("first-look", scaled.name, FAIL, by=scaled.caught_by)
    found = tally([scaled], ("failsafe", "first-look"), [unfit, *caught])
    told = page(found, seed=1, runs=2, command="nothing")
    assert f"| {scaled.name} | {scaled.severity} | {scaled.caught_by} | n/a | **1/1** (1) |" in told
    assert "\n`n/a`: the plan's link cannot have it" in told
    assert not found.misses()


def test_a_job_gives_the_same_answer_in_any_executor() -> None:
    jobs = [
        Job("first-look", 3),
        Job("first-look", 3, defect="low-bit-lost"),
        *healthy_jobs("first-look", 1, 9),
    ]
    here = list(play_all(jobs, None))
    with ThreadPoolExecutor(2) as threads:
        assert list(play_all(jobs, threads)) == here
    assert [one.verdict for one in here[:2]] == [PASS, FAIL]
    assert "fidelity" in here[1].failed


class AtOnce(Executor):
    """An executor of somebody else's making."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def test_scoreboard_plays_on_any_executor_and_writes_the_same_page_again() -> None:
    asked = command.Asked(
        seeds=1, healthy=1, plans=("first-look",), defects=("low-bit-lost",), everywhere=True
    )
    pages = []
    for executor in (AtOnce(), None):
        found, count = command.score(asked, executor)
        pages.append(command.render(asked, found, count))
    assert pages[0] == pages[1]
    assert "| low-bit-lost | nuisance | fidelity |" in pages[0]
    assert "propsoff scoreboard --rig mock --seeds 1 --healthy 1 --everywhere --plans first-look" in pages[0]
    assert "## Specificity" in pages[0]


def test_bench_trouble_is_an_answer_and_not_a_crash() -> None:
    mute = "propsoff_rig: 1\nbench: mock\nmock: {protocol_version: 9}\n"
    found = play(Job("first-look", 1, "strange", mute))
    assert found.verdict is ERROR
    assert "protocol" in found.trouble


def test_unknown_names_are_answered_with_the_nearest() -> None:
    with pytest.raises(UserError, match="did you mean failsafe-late"):
        command.jobs_of(command.Asked(defects=("failsafe-lat",)))
    with pytest.raises(UserError, match="did you mean acceptance"):
        command.require_plans(["aceptance"])


def test_each_defect_is_played_on_its_own_plan_with_its_near_miss_and_everywhere_if_asked() -> None:
    asked = command.Asked(seeds=2, healthy=0, defects=("failsafe-late",), near_misses=True)
    assert {(job.plan, job.near_miss) for job in command.jobs_of(asked)} == {
        ("failsafe", False),
        ("failsafe", True),
    }
    jobs = command.jobs_of(replace(asked, everywhere=True))
    assert {job.plan for job in jobs if not job.near_miss} == set(command.PLANS)
    assert len(jobs) == 2 * len(command.PLANS) + 2


@pytest.mark.parametrize(("runs", "told"), [(1, "1 run in all"), (2, "2 runs in all")])
def test_the_page_counts_runs_with_their_noun(runs: int, told: str) -> None:
    assert f"devices, {told}, seeds from 1 on" in page(board(), seed=1, runs=runs, command="nothing")


def test_the_page_says_for_which_defects_the_goal_was_not_judged() -> None:
    found = board(runs("first-look", LOW_BIT.name, FAIL, by=LOW_BIT.caught_by))
    told = page(found, seed=1, runs=1, command="nothing", absent=[KNOWN["memory-leaks"]])
    assert "of a plan.\n\nNot judged for memory-leaks, which was not played.\n\n## Not played\n" in told
    assert "Its plan was not asked for: memory-leaks (soak).\n" in told
    assert "Not judged" not in page(found, seed=1, runs=1, command="nothing")
    many = [defect for defect in KNOWN.values() if defect.plan == "soak"]
    assert len(many) > 2
    told = page(found, seed=1, runs=1, command="nothing", absent=many)
    assert f"Not judged for the {len(many)} defects that were not played: see below." in told
    more = [defect for defect in KNOWN.values() if defect.plan in ("soak", "limits", "regression")]
    told = page(found, seed=1, runs=1, command="nothing", absent=more)
    assert "Their plans were not asked for: 4 of soak, 7 of limits, 3 of regression." in told


def test_the_page_tells_what_was_missed_and_what_was_not_judged() -> None:
    found = board(runs("failsafe", LATE.name, PASS))
    told = page(found, seed=1, runs=1, command="nothing", absent=[LOW_BIT, KNOWN["memory-leaks"]])
    assert "- failsafe-late: dangerous, and not caught" in told
    assert "Not judged for low-bit-lost and memory-leaks, which were not played." in told


def test_the_page_tells_defects_without_a_seed_from_those_without_their_plan() -> None:
    told = page(board(), seed=1, runs=1, command="nothing", absent=[LATE, KNOWN["memory-leaks"]])
    assert "Its plan was not asked for: memory-leaks (soak).\n" in told
    assert "Not one run was asked for: failsafe-late.\n" in told
    assert "None: no goal was judged." in told


def test_a_defect_played_on_other_plans_only_is_told_and_not_judged() -> None:
    leaks = KNOWN["memory-leaks"]
    found = tally([leaks], ("failsafe", "first-look"), runs("failsafe", leaks.name, PASS))
    assert not found.misses()
    told = page(found, seed=1, runs=1, command="nothing")
    assert "Not judged, for their plans were not asked for: memory-leaks (soak).\n" in told


def test_a_folder_is_no_page_and_is_refused_before_anything_is_played(tmp_path: Path) -> None:
    with (
        pytest.raises(StorageError, match="this is a folder; name a file in it"),
        command.open_page(tmp_path),
    ):
        pass


def test_the_page_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "board.md"
    with pytest.raises(ZeroDivisionError), command.open_page(file) as write:
        write("half" * (1 // 0))
    assert list(tmp_path.iterdir()) == []
    with command.open_page(file) as write:
        write(page(board(), seed=1, runs=0, command="nothing"))
    assert file.read_text(encoding="utf-8").startswith("# Scoreboard")
    with pytest.raises(Exception, match="cannot write the page"), command.open_page(tmp_path / "no" / "b.md"):
        pass
