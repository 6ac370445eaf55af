"""One invented outcome with every verdict in it, for the tests in this folder."""

import math

from harness.bench.protocol import Role
from harness.codec.messages import Identity
from harness.findings import Figure, Grid, Section
from harness.likely import Likely
from harness.recording import Header
from harness.report.document import Outcome
from harness.report.text import replay_commands
from harness.verdict import CheckResult, Judgement, Verdict

INFINITE = float("inf")
HEADER = Header(
    plan_name="first-look",
    plan_text="propsoff: 1\n",
    rig_name="mock",
    rig_text="",
    seed=7,
    versions=(("propsoff", "0.1.0"), ("protocol", "1"), ("python", "3.11.2")),
    clock="virtual",
    wall_seconds=0,
    hardware=False,
    baud={Role.TRANSMITTER: 115_200, Role.RECEIVER: 115_200},
    facts={"transmitter.port": "simulated", "receiver.port": "simulated"},
)
RESULTS = (
    CheckResult(
        name="delivery",
        kind="delivery",
        verdict=Verdict.PASS,
        reason="all of the interval is at or above the limit",
        value=99.931972789,
        unit="%",
        interval=(99.753271, 99.991764),
        confidence=0.95,
        uncertainty=0.0,
        limit=99.0,
        side="at least",
        samples=2940,
        sample_unit="packets",
        counts={"sent": 2940, "applied": 2938},
    ),
    CheckResult(
        name="latency",
        kind="latency",
        verdict=Verdict.PASS,
        reason="the 95th percentile is in time",
        value=12_412_345.0,
        unit="ns",
        interval=(11_904_500.0, 12_840_000.0),
        confidence=0.95,
        uncertainty=2_000.0,
        limit=20_000_000.0,
        side="at most",
        samples=2940,
        sample_unit="packets",
    ),
    CheckResult(
        name="failsafe entry",
        kind="failsafe_entry",
        verdict=Verdict.FAIL,
        reason="3 of 50 cuts took longer than 500 ms",
        value=525_123_456.0,
        unit="ns",
        interval=(521_000_000.0, INFINITE),
        confidence=0.95,
        uncertainty=1_000.0,
        limit=500_000_000.0,
        side="at most",
        samples=50,
        sample_unit="cuts",
        counts={"cuts": 50, "late": 3},
        examples=("cut 7, 21.340 s into the run: 525.1 ms after the last applied packet",),
        advice=(
            "read the failsafe timer in the receiver's firmware: does only a packet restart it?",
            "look at the recording around 21.340 s",
        ),
    ),
    CheckResult(
        name="failsafe exit",
        kind="failsafe_exit",
        verdict=Verdict.FAIL,
        reason="control never came back after cut 9",
        value=INFINITE,
        unit="ns",
        limit=1_000_000_000.0,
        side="at most",
        samples=50,
        sample_unit="cuts",
    ),
    CheckResult(
        name="telemetry value",
        kind="telemetry_value",
        verdict=Verdict.INCONCLUSIVE,
        reason="1 sample is too few",
        value=0.0,
        unit="values",
        limit=0.0,
        side="at most",
        samples=1,
        sample_unit="sets",
        needed=58,
        advice=("inject more sets of values",),
    ),
    CheckResult(
        name="bench",
        kind="bench",
        verdict=Verdict.ERROR,
        reason="the transmitter's port lost 12 of 5880 messages",
        value=0.204,
        unit="%",
        limit=0.0,
        side="at most",
        samples=5880,
        sample_unit="messages",
        counts={"received": 5868, "lost": 12},
        advice=("lower the load on the line, or raise its baud rate",),
    ),
)
SECTIONS = (
    Section(
        "clocks",
        "Clocks and uncertainty",
        figures=(
            Figure("receiver's clock fast by", 40.2, "ppm", (39.7, 40.9), 0.95, "RFC 5905 section 8"),
            Figure("pings answered", 74, "pings"),
        ),
        grids=(
            Grid(
                "Uncertainty of a latency",
                ("component", "half width (us)", "standard (us)"),
                (("transmitter's clock map", 310.0, 178.98), ("stamps of both", 1.0, 0.5774)),
                note="combined by root sum of squares (JCGM 100, 5.1.2)",
            ),
        ),
        notes=("Verdicts use the bound, which is never smaller than the expanded uncertainty.",),
    ),
    Section("losses", "Pattern of losses", figures=(Figure("period of losses", None, "ms", note="none"),)),
)
CAUSE = Likely(
    "slow-loop", "The receiver looks for packets only every 45 ms.", ("latency",), 0.95,
    ("Packets took effect on a grid.",), ("None.",), "Time the loop.",
)  # fmt: skip
JUDGEMENT = Judgement(
    results=RESULTS,
    link_seconds=58.8,
    packets_sent=2940,
    packets_applied=2938,
    devices={"transmitter": "dunlin-tx 1.4.0, unit 0042", "receiver": "dunlin-rx 1.4.1, unit 0043"},
    notes=("stopped early: every check was settled",),
    sections=SECTIONS,
    units={"transmitter": Identity(1, 1, 6, 50_000, 0, "dunlin-tx", "1.4.0", "unit 0042")},
)
OUTCOME = Outcome(JUDGEMENT, HEADER, "Dunlin on the bench: a first look at the link")
REPLAY = replay_commands(HEADER, "propsoff-runs/first-look-7/recording.pcapng")

HOSTILE = "\x1b]0;x\x07\x1b[2J[bold]a[/bold] <b>&amp;]]>\r\nPASS\u202e\ud800\ufffe\x00:smile:\x9b31m"
"""Terminal commands, two kinds of markup, line ends, a turned reading direction, what XML forbids."""


def hostile():
    """Return an outcome in which every piece of foreign text is hostile."""
    result = CheckResult(
        name=HOSTILE,
        kind=HOSTILE,
        verdict=Verdict.FAIL,
        reason=HOSTILE,
        value=1.0,
        unit=HOSTILE,
        samples=3,
        sample_unit=HOSTILE,
        counts={HOSTILE: 1},
        examples=(HOSTILE,),
        advice=(HOSTILE,),
    )
    header = Header(
        plan_name=HOSTILE, plan_text=HOSTILE, rig_name=HOSTILE, rig_text=HOSTILE, seed=1,
        versions=((HOSTILE, HOSTILE),), clock=HOSTILE, wall_seconds=0, hardware=True,
        baud=HEADER.baud, facts={HOSTILE: HOSTILE, "defect": HOSTILE},
    )  # fmt: skip
    judgement = Judgement(
        results=(result,), link_seconds=1.0, packets_sent=1, packets_applied=1,
        devices={HOSTILE: HOSTILE}, notes=(HOSTILE,),
        units={HOSTILE: Identity(1, 1, 6, 0, 0, HOSTILE, HOSTILE, HOSTILE)},
        sections=(
            Section(
                "fidelity",
                HOSTILE,
                (Figure(HOSTILE, math.inf, HOSTILE, (math.nan, None), 0.95, HOSTILE),),
                (Grid(HOSTILE, (HOSTILE, "n"), ((HOSTILE, math.nan), (None, 3)), HOSTILE),),
                (HOSTILE,),
            ),
        ),
        causes=(Likely(HOSTILE, HOSTILE, (HOSTILE,), 0.5, (HOSTILE,), (HOSTILE,), HOSTILE),),
    )  # fmt: skip
    return Outcome(judgement, header, HOSTILE)
