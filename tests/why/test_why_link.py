"""The harness names the true cause of what it finds wrong with a link, and none where nothing is wrong."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from harness.bench.mocked import list_defects
from harness.board import Job
from harness.board.healthy import healthy_jobs
from harness.board.playing import judge_whole
from harness.likely import Likely
from harness.verdict import Verdict
from mocks.defects.reasons_link import REASONS

PLANS = {one.name: one.plan for one in list_defects("mock")}
SHORT = [name for name in REASONS if PLANS[name] == "first-look" and name != "role-wrong"]
OTHERS = [
    "flag-byte-lost", "loss-with-throttle", "number-zero-dropped", "burst-loss", "retry-missing",
    "queue-never-empties", "restart-slow", "number-refused-after-restart", "receiver-deaf",
    "power-drops-when-warm",
]  # fmt: skip


def played(name: str, *, near: bool = False) -> tuple[Verdict, Sequence[Likely]]:
    judgement = judge_whole(Job(PLANS[name], 7, defect=name, near_miss=near))
    return judgement.verdict, [one for one in judgement.causes if not one.by_design]


@pytest.mark.parametrize("name", SHORT + OTHERS)
def test_the_true_cause_is_named_first(name: str) -> None:
    verdict, causes = played(name)
    assert verdict in (Verdict.FAIL, Verdict.ERROR)
    assert causes[0].key in REASONS[name]
    first = causes[0]
    assert first.explains
    assert not first.title.endswith(".")
    assert all(words.endswith(".") for words in (first.next_step, *first.speaks_for, *first.speaks_against))


@pytest.mark.parametrize("name", ["display-blocks", "slow-loop", "telemetry-first", "packet-rate-low"])
def test_no_cause_is_named_of_what_stays_within_the_limits(name: str) -> None:
    verdict, causes = played(name, near=True)
    assert (verdict, list(causes)) == (Verdict.PASS, [])


def test_no_cause_is_named_of_healthy_rigs() -> None:
    for job in healthy_jobs("first-look", 4, 7):
        assert [one.title for one in judge_whole(job).causes if not one.by_design] == []


def test_causes_are_told_with_this_runs_numbers() -> None:
    blocked = played("display-blocks")[1][0]
    assert blocked.title == "The receiver stands still for 174 ms every 1 s"
    assert set(blocked.explains) == {"delivery", "latency", "control_gap"}
    queue = played("queue-never-empties")[1][0]
    assert queue.title.startswith("The receiver stays 3 packets behind, after a burst of packets,")
    assert "power" in played("power-drops-when-warm")[1][0].speaks_for[0]


@pytest.mark.parametrize(
    ("plan", "settings", "key", "title"),
    [
        ("acceptance", "block_every: 730 ms\n  block_for: 130 ms", "blocking-routine", "130 ms every 0.73 s"),
        ("acceptance", "receiver_loop: 33 ms", "slow-loop", "only every 33 ms"),
        ("limits", "turn_round: 9 ms", "acknowledgement-late", "9."),
    ],
)
def test_what_no_defect_of_the_catalogue_does_is_named_too(
    plan: str, settings: str, key: str, title: str
) -> None:
    rig = f"propsoff_rig: 1\nbench: mock\nmock:\n  {settings}\n"
    first = judge_whole(Job(plan, 5, settings, rig)).causes[0]
    assert first.key == key
    assert title in first.title
