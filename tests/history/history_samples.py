"""Run folders for the tests in this folder: real documents of invented outcomes, written where runs lie."""

import os
from dataclasses import replace

from harness.bench.protocol import Role
from harness.codec.messages import Identity
from harness.recording import Header
from harness.report.document import Outcome, to_json, verdict_document
from harness.verdict import CheckResult, Judgement, Verdict

DAY_S = 86_400
FIRST_S = 1_793_523_600
"""2026-11-01T09:00:00Z (`date -u -d @1793523600`)."""


def check(name="failsafe_entry", value=480.0, verdict=Verdict.PASS, **more):
    given = {
        "kind": name, "unit": "ms", "limit": 500.0, "side": "at most", "confidence": 0.95,
        "interval": None if value is None else (value - 1, value + 1), "samples": 8, "sample_unit": "cuts",
    }  # fmt: skip
    return CheckResult(name=name, verdict=verdict, reason="so it was", value=value, **{**given, **more})


def outcome(
    *results,
    unit="left wing",
    module="",
    version="1.0",
    plan="first-look",
    at_s=FIRST_S,
    seed=7,
    devices=None,
):
    facts = {"unit": unit, "module": module}
    header = Header(
        plan_name=plan, plan_text="propsoff: 1\n", rig_name="bench", rig_text="", seed=seed,
        versions=(("propsoff", "0.5.0"),), clock="monotonic" if at_s else "virtual", wall_seconds=at_s,
        hardware=bool(at_s), baud={Role.TRANSMITTER: 115_200, Role.RECEIVER: 115_200},
        facts={name: words for name, words in facts.items() if words},
    )  # fmt: skip
    identity = Identity(1, 1, 6, 50_000, 0, "dunlin-tx", version, "0042")
    units = {
        "transmitter": identity,
        "receiver": replace(identity, role=2, firmware="dunlin-rx", serial="0043"),
    }
    judgement = Judgement(
        results=results or (check(),), link_seconds=44.1, packets_sent=1951, packets_applied=1950,
        devices={"receiver": "dunlin-rx", "transmitter": "dunlin-tx"}, notes=(),
        units=units if devices is None else devices,
    )  # fmt: skip
    return Outcome(judgement, header, "A title")


def document(*results, **given):
    return verdict_document(outcome(*results, **given))


def write(folder, text, modified_s=None):
    """Write verdict.json as text (or a document), maybe with a time of writing."""
    folder.mkdir(parents=True)
    file = folder / "verdict.json"
    file.write_text(text if isinstance(text, str) else to_json(text))
    if modified_s is not None:
        os.utime(file, (modified_s, modified_s))
    return file


def wings(root, count=5, **given):
    """Write runs of one wing, a day apart, whose failsafe time grows by 1 ms each."""
    for number in range(count):
        entry = check(value=480.0 + number)
        write(root / f"run-{number}", document(entry, at_s=FIRST_S + number * DAY_S, **given))
