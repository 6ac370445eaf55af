"""The harness says that it is not the link where the bench is to blame, and looks at the air where it is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.board import Job
from harness.board.playing import judge_whole
from harness.verdict import Judgement, Verdict


def judged(settings: str) -> Judgement:
    rig = f"propsoff_rig: 1\nbench: mock\nmock:\n  {settings}\n"
    judgement = judge_whole(Job("first-look", 5, settings, rig))
    return replace(judgement, causes=tuple(one for one in judgement.causes if not one.by_design))


@pytest.mark.parametrize("settings", ["receiver_message_loss: 2 %", "bit_errors: 0.01 %"])
def test_a_serial_line_that_loses_messages_is_not_the_link(settings: str) -> None:
    judgement = judged(settings)
    (cause,) = judgement.causes
    assert judgement.verdict is Verdict.ERROR
    assert cause.key == "serial-line"
    assert cause.title.startswith("Not your link: ")
    assert "bench" in cause.explains
    left_open = {one.name for one in judgement.results if one.verdict is Verdict.INCONCLUSIVE}
    assert left_open <= set(cause.explains)


def test_attempts_that_fail_singly_ask_for_another_repetition() -> None:
    (cause,) = judged("{retransmit_limit: 0, loss: 4 %}".strip("{}").replace(", ", "\n  ")).causes
    assert cause.key == "repetitions"
    assert cause.title == "Each packet is tried once at most, and 9.1 % of the attempts fail"
    assert cause.speaks_against


def test_lost_acknowledgements_that_do_no_harm_are_no_cause() -> None:
    judgement = judged("ack_loss: 30 %")
    assert (judgement.verdict, judgement.causes) == (Verdict.PASS, ())
