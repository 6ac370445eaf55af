"""Which lots are held against each other in `units.py`? Units of the mock that differ as bought ones do."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any, Final

from harness.bench.rig import parse_rig
from harness.chance import stream
from harness.kept import KeptRun
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.recording import parse_recording
from harness.report.document import to_json, verdict_document
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, judge_recording, open_for, timeline_for, writer_for
from harness.units.figures import MORE, Subject
from harness.units.lots import Joined, Lot, Unit
from harness.verdict import Verdict

PLAN: Final = "first-look"
BENCH: Final = {
    "loss": "2 %",
    "receiver_loop": "500 us",
    "usb_latency": "1 ms",
    "distance": "1 m",
    "attenuation": "20 dB",
}
"""One bench for all units, as in a club's evening; 20 dB in the antenna line leave some 25 dB of margin."""


def rig_of(name: str, chance: Random, bench: dict[str, str]) -> str:
    """Return a rig with one unit of a healthy lot: clocks, loop and sensitivity differ a little."""
    own = {
        "unit_serial": name,
        "start_phase": f"{chance.randint(0, 19_999)} us",
        "transmitter_skew_ppm": chance.randint(-50, 50),
        "receiver_skew_ppm": chance.randint(-50, 50),
        "sensitivity": f"{-85 + chance.randint(-15, 15) / 10} dBm",
    }
    words = ", ".join(f"{key}: {value}" for key, value in (BENCH | own | bench).items())
    return f"propsoff_rig: 1\nbench: mock\nmock: {{{words}}}\n"


def document_of(rig: str, seed: int, defect: str | None = None, plan: str = PLAN) -> dict[str, Any]:
    """Run a plan on a rig and return what its verdict.json holds."""
    request = Request(
        plan=load_plan(find_plan(plan)), file=plan, rig=parse_rig(rig, "unit.yaml"), seed=seed, defect=defect
    )
    bench, file = open_for(request), io.BytesIO()
    writer = writer_for(request, bench, file)
    Runner(bench, writer, request.plan, Quiet()).run(timeline_for(request))
    writer.close()
    outcome = judge_recording(parse_recording(file.getvalue(), "unit"))
    found: dict[str, Any] = json.loads(to_json(verdict_document(outcome)))
    wanted = {(section, name) for section, name, _ in MORE}
    for section in found["sections"]:
        figures = [one for one in section["figures"] if (section["key"], one["name"]) in wanted]
        section["figures"] = figures  # the rest is never looked at, and there is much of it
    return found


def pool(
    kind: str, count: int, bench: dict[str, str], *, defect: str | None = None, plan: str = PLAN
) -> list[dict[str, Any]]:
    """Return so many units' documents; each unit and each run is drawn from its own stream."""
    found = []
    for number in range(count):
        chance = stream(number, f"unit/{kind}")
        found.append(document_of(rig_of(f"{kind}-{number}", chance, bench), number, defect, plan))
    return found


def runs_of(documents: Sequence[dict[str, Any]]) -> list[KeptRun]:
    """Return documents as kept runs, each of a unit of its own."""
    runs = []
    for number, document in enumerate(documents):
        rig = document["rig"] | {"facts": document["rig"]["facts"] | {"unit": f"unit {number}"}}
        runs.append(KeptRun(Path(f"unit-{number}"), document | {"rig": rig}, 0))
    return runs


def drawn_lot(values: dict[str, list[float]], uncertainty: float = 0.0) -> Lot:
    """Return a lot whose figures are these numbers, one for each unit, with no interval."""
    subjects = tuple(Subject(key, key, "section", "even", "ms", "at most") for key in values)
    count = len(next(iter(values.values())))
    units = []
    for number in range(count):
        found = {
            key: Joined(row[number], None, None, None, uncertainty, (row[number],))
            for key, row in values.items()
        }
        units.append(Unit(f"{number}", f"{number}", (), Verdict.PASS, (), found))
    return Lot(PLAN, "", "simulated", "50 Hz", subjects, tuple(units), count, (), ())
