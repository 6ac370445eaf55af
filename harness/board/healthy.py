"""Which rigs are healthy? As different as real ones: losses, clocks, serial adapters, phases, retries."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from harness.board.playing import Job, plan_of
from harness.chance import stream
from harness.plan.model import LOSING_STEPS, Delivery, every_step

SKEW_PPM: Final = 200
"""Crystals of 50 ppm and resonators of 0.5 % are both met; past 200 ppm a resonator is worth a look."""
LATENCY_MS: Final = (1, 16)
"""Latency timers of USB serial adapters: 16 ms as they come, 1 ms at the least (common practice)."""
RETRIES: Final = 15
USUAL_LOSS: Final = Fraction(2, 100)


def healthy_jobs(plan: str, count: int, seed: int) -> list[Job]:
    """Return so many jobs with healthy rigs, each different, each repeatable: the rig goes with the job."""
    return [
        Job(plan, seed + number, f"healthy-{number}", healthy_rig(plan, seed, number))
        for number in range(count)
    ]


def healthy_rig(plan: str, seed: int, number: int) -> str:
    """Return the text of one healthy rig.

    Losses go up to what the plan's delivery check allows, with any number of retries; a plan that searches
    the link's limits allows none, so there losses are such that retries mend them.
    """
    draw = stream(seed, f"healthy/{plan}/{number}")
    allowed = allowance(plan)
    retries = draw.randint(0, RETRIES) if allowed is not None else draw.randint(3, RETRIES)
    loss = draw.uniform(0, float(USUAL_LOSS if allowed is None or retries >= 3 else allowed))
    return (
        "propsoff_rig: 1\n"
        "bench: mock\n"
        "mock:\n"
        f"  loss: {100 * loss:.4f} %\n"
        f"  retransmit_limit: {retries}\n"
        f"  retransmit_delay: {draw.randint(250, 1500)} us\n"
        f"  transmitter_skew_ppm: {draw.randint(-SKEW_PPM, SKEW_PPM)}\n"
        f"  receiver_skew_ppm: {draw.randint(-SKEW_PPM, SKEW_PPM)}\n"
        f"  usb_latency: {draw.randint(*LATENCY_MS)} ms\n"
        f"  start_phase: {draw.randint(0, 19_999)} us\n"
        f"  packet_number_start: {draw.randint(0, 65_535)}\n"
        f"  transmitter_clock_us: {draw.randint(0, 2**32 - 1)}\n"
        f"  receiver_clock_us: {draw.randint(0, 2**32 - 1)}\n"
        "  distance: 1 m\n"
        "  attenuation: 20 dB\n"
        "  witness: true\n"
    )


def allowance(plan: str) -> Fraction | None:
    """Return the share of packets that a plan lets get lost; None if it looks for losses itself."""
    read = plan_of(plan)
    if any(isinstance(step.action, LOSING_STEPS) for step in every_step(read.steps)):
        return None
    shares = [check.rule.at_least for check in read.checks if isinstance(check.rule, Delivery)]
    return 1 - max(shares, default=Fraction(1))
