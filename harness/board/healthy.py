"""Which rigs are healthy? As different as real ones: losses, clocks, adapters, phases, retries, a witness."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from harness.board.playing import Job, plan_of
from harness.chance import stream
from harness.plan.model import LOSING_STEPS, Delivery, every_step

SKEW_PPM: Final = 200
"""Crystals of cheap boards are within 100 ppm or so (common practice, no source); this is twice that."""
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

    In every other rig so many packets get lost, retries and all, as the plan's delivery check allows, or
    fewer. In the rest retries mend the losses, as they must where a plan searches the link's limits. Half of
    each kind have a witness.
    """
    draw = stream(seed, f"healthy/{plan}/{number}")
    allowed = allowance(plan)
    if allowed is not None and number % 2:
        retries = draw.randint(0, 1)
        loss = draw.uniform(0, float(allowed)) ** (1 / (1 + retries))
    else:
        retries = draw.randint(3, RETRIES)
        loss = draw.uniform(0, float(USUAL_LOSS))
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
        f"  witness: {'true' if number % 4 < 2 else 'false'}\n"
    )


def allowance(plan: str) -> Fraction | None:
    """Return the share of packets that a plan lets get lost; None if it looks for losses itself."""
    read = plan_of(plan)
    if any(isinstance(step.action, LOSING_STEPS) for step in every_step(read.steps)):
        return None
    shares = [check.rule.at_least for check in read.checks if isinstance(check.rule, Delivery)]
    return 1 - max(shares, default=Fraction(1))
