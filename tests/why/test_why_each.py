"""The harness has a run that makes each suspect speak, and one close by on which it keeps silent."""

from __future__ import annotations

import ast
import importlib.util
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from why_devices import Fades, keys, run, told, with_text

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec.messages import StartCause
from harness.plan.model import TelemetryField
from harness.verdict import Verdict
from mocks.air import Packet
from mocks.defects import CATALOGUE
from mocks.defects.readings import EachField
from mocks.defects.reasons_devices import REASONS as OF_DEVICES
from mocks.defects.reasons_link import REASONS as OF_LINK
from mocks.device import Life, Surroundings
from mocks.receiver import Pulses, Receiver
from mocks.witness import Witness

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))
from unplugging import Played, Pulled  # noqa: E402

METRE = {"distance_mm": 1000, "attenuation_x10": 200}


class Hung(Receiver):
    """Does nothing more from 8 s on; its serial interrupt goes on answering."""

    def start(self) -> None:
        super().start()
        self.world.at(self.world.now_ns + 8 * S, self._hang, None)

    def _hang(self, _: None) -> None:
        self.alive = False


class Bitten(Receiver):
    """Is started anew by its watchdog at every 701st packet."""

    AT = 700

    def _apply(self, packet: Packet) -> None:
        super()._apply(packet)
        if packet.number % 701 == self.AT:
            self.next_life = replace(self.life.after(), cause=StartCause.WATCHDOG)
            self._go_down(None)


class Patted(Bitten):
    """Pats its watchdog in time."""

    AT = 701


class Gain(Receiver):
    """Moves one output by 0.9 us for each us of its stick."""

    GAIN = 0.9

    def shown(self, pulses: Pulses) -> Pulses:
        outputs = super().shown(pulses)
        return (*outputs[:2], 1500 + round(self.GAIN * (outputs[2] - 1500)), *outputs[3:])


class UnitGain(Gain):
    """Reckons with a gain of nearly one, which whole us do not show."""

    GAIN = 0.9995


class Behind(Receiver):
    """Drives the outputs of the packet before."""

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._old: Pulses | None = None

    def shown(self, pulses: Pulses) -> Pulses:
        now = super().shown(pulses)
        old, self._old = self._old or now, now
        return self.kept(old, now)

    def kept(self, old: Pulses, now: Pulses) -> Pulses:
        return old


class NotBehind(Behind):
    """Keeps the packet before, and drives the new one."""

    def kept(self, old: Pulses, now: Pulses) -> Pulses:
        return now


class LowByte(EachField):
    """Sends the low byte of each whole number."""

    MASK = 0xFF

    def read(self, field: TelemetryField, raw: int) -> int:
        return raw & self.MASK if field.type == "u16" else raw


class BothBytes(LowByte):
    """Sends both bytes."""

    MASK = 0xFFFF


class Less40(EachField):
    """Takes its zero point off once more."""

    OFF = 40

    def read(self, field: TelemetryField, raw: int) -> int:
        return raw if field.type == "f32" else raw - self.OFF


class LessNothing(Less40):
    """Takes off a zero point of 0."""

    OFF = 0


class ShortPayload(Receiver):
    """Leaves the last field out of the payload."""

    CUT = 4

    def payload(self) -> bytes:
        whole = super().payload()
        return whole[: len(whole) - self.CUT]


class WholePayload(ShortPayload):
    """Leaves nothing out."""

    CUT = 0


class ElevonHoldsFailsafeOff(Receiver):
    """Has no failsafe while the right elevon is beyond 1700 us."""

    def failsafe_due_ns(self) -> int | None:
        due = super().failsafe_due_ns()
        return self.put_off(due) if self.outputs[3] > 1700 else due

    def put_off(self, due: int | None) -> int | None:
        return None


class ElevonDelaysFailsafe(ElevonHoldsFailsafeOff):
    """Is 10 ms later then, and in time."""

    def put_off(self, due: int | None) -> int | None:
        return None if due is None else due + 10 * MS


class Stands(Receiver):
    """Stands still for 170 ms at one packet in 120, by chance."""

    FOR_NS = 170 * MS

    def __init__(self, around: Surroundings, life: Life) -> None:
        super().__init__(around, life)
        self._prompt, self._until_ns = False, 0

    def _queue(self, packet: Packet) -> bool:
        if self.world.now_ns >= self._until_ns and self.chance.random() < 1 / 120:
            self._until_ns = self.world.now_ns + self.FOR_NS
        return super()._queue(packet)

    def _next_round_ns(self) -> int:
        return max(self.world.now_ns, self._until_ns)


class StandsShortly(Stands):
    """Stands still for 30 ms."""

    FOR_NS = 30 * MS


class FadesLittle(Fades):
    """Gets weaker by 4 dB."""

    DB_X10 = 40


NO_DISTANCE = with_text("margin", ("      distance: 1 m\n", ""))
PAIRS = {
    "weak-transmitter": ("margin", {**METRE, "attenuation_x10": 350}, {**METRE, "attenuation_x10": 230}),
    "weak-link": (NO_DISTANCE, {**METRE, "sensitivity_x10": -730}, {**METRE, "sensitivity_x10": -810}),
    "weak-way-back": ("first-look", {"ack_loss": 0.9}, {"ack_loss": 0.6}),
    "margin-going": (
        "first-look",
        {"transmitter": Fades, "distance_mm": 1000, "attenuation_x10": 340},
        {"transmitter": FadesLittle, "distance_mm": 1000, "attenuation_x10": 320},
    ),
    "air-at-rate": (
        "limits",
        {"receiver_loop_ns": 10 * MS, "fifo_depth": 1, "retransmit_limit": 0},
        {"receiver_loop_ns": 3 * MS, "fifo_depth": 1, "retransmit_limit": 6},
    ),
    "air-at-any-rate": ("limits", {"loss": 0.03, "retransmit_limit": 0}, {"loss": 0.03}),
    "exchange-long": ("limits", {"air_rate_bit_s": 40_000}, {"air_rate_bit_s": 80_000}),
    "counts-packets": ("acceptance", {"failsafe_by": "packets"}, {"failsafe_by": "frames"}),
    "timer-tick": ("acceptance", {"failsafe_tick_ns": 60 * MS}, {"failsafe_tick_ns": 4 * MS}),
    "device-hangs": ("first-look", {"receiver": Hung}, {}),
    "watchdog": ("first-look", {"receiver": Bitten}, {"receiver": Patted}),
    "receiver-stalls": ("acceptance", {"receiver": Stands}, {"receiver": StandsShortly}),
    "output-scaled": ("first-look", {"receiver": Gain}, {"receiver": UnitGain}),
    "one-packet-behind": ("first-look", {"receiver": Behind}, {"receiver": NotBehind}),
    "telemetry-truncated": ("first-look", {"receiver": LowByte}, {"receiver": BothBytes}),
    "telemetry-offset": ("first-look", {"receiver": Less40}, {"receiver": LessNothing}),
    "telemetry-payload-short": ("first-look", {"receiver": ShortPayload}, {"receiver": WholePayload}),
    "failsafe-by-output": (
        "acceptance", {"receiver": ElevonHoldsFailsafeOff}, {"receiver": ElevonDelaysFailsafe},
    ),
    "receiver-clock-off": (
        "first-look",
        {"witness": True, "receiver_skew_ppm": 5000},
        {"witness": True, "receiver_skew_ppm": 900},
    ),
}  # fmt: skip
"""By key: the plan, settings of a run that has the cause, and of one that nearly has it."""
ODD = {"margin-going"}
"""Told though nothing failed."""
ELSEWHERE = {
    "counts-frames": "test_why_classics",
    "serial-line": "test_why_bench",
    "memory-leak": "test_why_hours",
    "loss-drift": "test_why_hours",
    "latency-drift": "test_why_hours",
    "telemetry-drift": "test_why_hours",
    "telemetry-one-old": "test_why_devices",
    "port-gone": "here",
    "pin-dead": "here",
}


@pytest.mark.parametrize("key", PAIRS)
def test_a_suspect_speaks_of_its_cause_and_is_silent_close_by(key: str) -> None:
    plan, there, near = PAIRS[key]
    judgement, _ = run(plan, **there)
    assert keys(judgement)[0] == key or key == "air-at-rate", keys(judgement)
    cause = told(judgement, key)
    assert bool(cause.explains) == (key not in ODD)
    assert re.search(r"\d", " ".join((cause.title, *cause.speaks_for)))
    assert cause.next_step.endswith(".")
    assert not cause.by_design
    judgement, _ = run(plan, **near)
    assert judgement.verdict is not Verdict.FAIL
    assert keys(judgement) == []


@pytest.mark.parametrize("role", [Role.TRANSMITTER, Role.RECEIVER])
def test_a_plug_that_is_pulled_is_not_the_link_and_one_put_back_in_time_is_no_cause(role: Role) -> None:
    gone = Played("first-look", Pulled(role, 8 * S, 100 * S)).judgement
    assert keys(gone) == ["port-gone"]
    assert (
        told(gone, "port-gone").title == f"Not your link: the {role}'s port went away and did not come back"
    )
    back = Played("first-look", Pulled(role, 8 * S, 3 * S), within_ns=10 * S).judgement
    assert (back.verdict, keys(back)) == (Verdict.PASS, [])


@pytest.mark.parametrize(("dead_ms", "found"), [(2000, ["pin-dead"]), (60, [])])
def test_a_pin_without_pulses_is_told_once_it_is_longer_than_a_pulse_missed(
    dead_ms: int, found: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    note = Witness.note_pulse

    def without(self: Witness, channel: int, ended_ns: int, width_ns: int) -> None:
        if channel != 2 or not 10 * S < ended_ns < 10 * S + dead_ms * MS:
            note(self, channel, ended_ns, width_ns)

    monkeypatch.setattr(Witness, "note_pulse", without)
    judgement, _ = run("first-look", witness=True)
    assert keys(judgement) == found
    if found:
        assert told(judgement, "pin-dead").title.startswith("left elevon had no pulse for 2019 ms")


def test_losses_that_last_are_not_laid_to_the_throttle_that_happened_to_stand_there() -> None:
    judgement, _ = run("acceptance", transmitter=Fades, distance_mm=1000, attenuation_x10=350)
    assert keys(judgement) == ["power-drops"]
    assert "delivery" in told(judgement, "power-drops").explains


def test_every_cause_that_a_suspect_can_name_is_named_by_some_run() -> None:
    in_table = {names[0] for table in (OF_LINK, OF_DEVICES) for names in table.values()}
    assert keys_in_code() - in_table - set(PAIRS) - set(ELSEWHERE) == set()
    assert {"framing", "supply", "queue", "watchdog"} <= keys_in_code()


def keys_in_code() -> set[str]:
    """Return every key that stands in the suspects' code: `key="..."`, and every other word with a hyphen."""
    found = set()
    for file in Path(importlib.util.find_spec("harness.why").submodule_search_locations[0]).glob("*.py"):  # type: ignore[union-attr, index]
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                given = [word.value for word in node.keywords if word.arg == "key"]
                found |= {one.value for one in given if isinstance(one, ast.Constant)}
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found |= {node.value} if re.fullmatch(r"[a-z]+(-[a-z]+)+", node.value) else set()
    return {key for key in found if isinstance(key, str)}


def test_no_defect_is_made_up_for_what_the_catalogue_has() -> None:
    assert not {one.name for one in CATALOGUE} & set(PAIRS)
