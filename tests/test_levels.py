"""The harness weakens a link level by level, and puts it back however the run ends."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from test_pace import Told
from test_runner import Run, assert_left_safe
from test_timeline import plan_of

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import decode_piece
from harness.codec import messages as m
from harness.errors import BenchError
from harness.judge import judge
from harness.plan import model as p
from harness.recording import Direction, parse_recording
from harness.verdict import Verdict
from mocks.air import packet_bytes
from mocks.range import Range, loss_above
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

TX, RX = Role.TRANSMITTER, Role.RECEIVER
ON_A_TABLE = MockSettings(distance_mm=1_000, attenuation_x10=200)
BY_POWER = p.Margin(by="power", from_x10=0, to_x10=-300, packets=20)
BY_HAND = p.Margin(by="hand", from_x10=0, to_x10=400, packets=20)
POWER = m.SettingId.POWER_DBM_X10


def settings_of(run, setting=POWER):
    told = [part for _, part in run.to(TX) if isinstance(part, m.Setting)]
    return [part.value for part in told if part.setting == setting]


def levels_of(run, kind="level"):
    return [mark.fields["level_x10"] for mark in run.marks if mark.kind == kind]


def test_power_goes_down_until_packets_get_lost_and_up_again():
    run = Run(p.Wait(until="linked"), BY_POWER, p.Settle(), settings=ON_A_TABLE)
    assert run.end.why == "complete"
    levels = levels_of(run)
    assert levels == list(range(0, levels[-1] - 1, -20))
    assert -300 < levels[-1] < -250
    assert levels_of(run, "level end") == levels
    assert settings_of(run) == [0, *levels, 0]
    assert_left_safe(run)


def test_sticks_rest_while_the_link_is_weak():
    run = Run(
        p.Wait(until="linked"), p.Hold(for_ns=S, sticks=(("roll", 1700),)), BY_POWER, settings=ON_A_TABLE
    )
    start = next(mark.at_ns for mark in run.marks if mark.kind == "level")
    sent = [part for at, part in run.to(TX) if isinstance(part, m.Sticks) and at >= start]
    assert len(sent) > 20
    assert {part.pulses_us for part in sent} == {(1500, 1000, 1500)}


def test_a_level_lasts_as_long_as_its_packets():
    run = Run(p.Wait(until="linked"), replace(BY_POWER, packets=100), settings=ON_A_TABLE)
    at = [mark.at_ns for mark in run.marks if mark.kind in ("level", "level end")][:2]
    # 100 packets at 50 Hz, after 100 ms for the level to settle
    assert at[1] - at[0] == 2 * S + 100 * MS


def test_every_level_is_measured_where_no_packet_gets_lost():
    near = replace(ON_A_TABLE, attenuation_x10=0)
    run = Run(p.Wait(until="linked"), replace(BY_POWER, to_x10=-100), settings=near)
    assert levels_of(run) == [0, -20, -40, -60, -80, -100]
    assert settings_of(run)[-1] == 0


def test_a_power_that_the_transmitter_has_not_got_is_left_out_and_told():
    said = []
    observer = type("Told", (), {"say": lambda _, line: said.append(line), "update": lambda *_: None})()
    steps = replace(ON_A_TABLE, power_step_x10=40)
    run = Run(p.Wait(until="linked"), replace(BY_POWER, from_x10=-20, to_x10=-140, normal_x10=-20),
              settings=steps, observer=observer)  # fmt: skip
    assert levels_of(run) == [-20, -60, -100, -140]
    assert levels_of(run, "level refused") == [-40, -80, -120]
    assert said[0] == "the transmitter has no power of -4 dBm: left out"


def test_a_normal_power_that_the_transmitter_has_not_got_ends_the_run():
    run = Run(p.Wait(until="linked"), replace(BY_POWER, normal_x10=300), settings=ON_A_TABLE)
    assert run.end.why == "margin not measured"
    assert run.end.step == "steps[1]"
    assert "did not take its normal power of 30 dBm" in run.end.detail
    assert settings_of(run) == [300]
    assert_left_safe(run)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("our bug")], ids=["Ctrl-C", "bug"])
def test_power_is_back_after_a_stop(error):
    run = Run(p.Wait(until="linked"), BY_POWER, settings=ON_A_TABLE, trip=error, at_ns=6 * S)
    assert settings_of(run)[-2] < 0
    assert settings_of(run)[-1] == 0
    assert run.bench.inner.transmitter.air.signal_dbm() == -60
    assert_left_safe(run)


class DeafToPower:
    """A bench on whose line commands for the normal power get lost, from the `first` one to before `last`."""

    def __init__(self, bench, first, last):
        self.inner, self.first, self.last, self.count = bench, first, last, 0

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        message = m.parse(decode_piece(data[:-1]))
        if isinstance(message, m.Setting) and (message.setting, message.value) == (POWER, 0):
            lost = self.first <= self.count < self.last
            data = bytes([data[0], data[1] ^ lost, *data[2:]])
            self.count += 1
        return self.inner.send(role, data)


@pytest.mark.parametrize(("last", "asked"), [(4, 3), (5, 4), (8, 7), (9, 7)])
def test_a_power_that_was_not_confirmed_is_asked_for_until_the_very_end(last, asked):
    """Asked for 3 times after the step, 3 times when the run ends, and once more when all is over."""
    told = Told()
    near = replace(BY_POWER, to_x10=-200)
    run = Run(
        p.Wait(until="linked"), near, settings=ON_A_TABLE, observer=told,
        around=lambda bench: DeafToPower(bench, 2, last),
    )  # fmt: skip
    assert settings_of(run)[:3] == [0, 0, -20]
    assert settings_of(run).count(0) - 2 == asked
    assert run.bench.inner.transmitter.air.signal_dbm() == (-60 if last < 9 else -80)
    assert len(told.lines) == (last >= 5)
    assert_left_safe(run)


def test_power_is_back_when_the_receiver_goes():
    gone = BenchError("pulled", role=RX, port="x")
    run = Run(p.Wait(until="linked"), BY_POWER, settings=ON_A_TABLE, trip=gone, gone=(RX,), at_ns=6 * S)
    assert run.end.why == "port gone"
    assert settings_of(run)[-1] == 0
    assert run.bench.inner.transmitter.air.signal_dbm() == -60
    assert_left_safe(run, (TX,))


def test_nothing_is_asked_of_a_transmitter_that_is_gone():
    gone = BenchError("pulled", role=TX, port="x")
    run = Run(p.Wait(until="linked"), BY_POWER, settings=ON_A_TABLE, trip=gone, gone=(TX,), at_ns=6 * S)
    assert run.end.why == "port gone"
    assert_left_safe(run, (RX,))


def test_a_transmitter_that_restarts_gets_its_power_again(monkeypatch):
    def restarts(self, power_x10):
        if power_x10 == -100 and not self.life.restarts:
            self.world.at(self.world.now_ns + 200 * MS, lambda _: self._restart(None), None)
        return self.air.set_power(power_x10) or m.Result.DONE

    monkeypatch.setattr(Transmitter, "_set_power", restarts)
    run = Run(p.Wait(until="linked"), replace(BY_POWER, to_x10=-140, packets=50), settings=ON_A_TABLE)
    assert settings_of(run) == [0, 0, -20, -40, -60, -80, -100, -100, -120, -140, 0]


def test_a_transmitter_that_cannot_set_its_power_is_refused_in_plain_words():
    run = Run(p.Wait(until="linked"), BY_POWER)
    assert str(run.raised) == (
        "the transmitter's firmware says that it cannot set its transmit power, which steps[1] needs; write "
        "`by: hand` there and put an attenuator between the modules, leave the step out, or give the rig "
        "file's mock a range, such as `mock: {distance: 1 m}`"
    )
    assert not run.marks[1:]


def test_firmware_that_cannot_set_its_power_must_be_built_anew(monkeypatch):
    monkeypatch.setattr(Transmitter, "abilities", lambda self: self.ABILITIES)
    run = Run(p.Wait(until="linked"), BY_POWER, settings=ON_A_TABLE)
    assert str(run.raised).endswith("leave the step out, or build the firmware with that ability")


# -- by hand ---------------------------------------------------------------------------------------


def test_a_simulated_hand_turns_the_attenuator_and_puts_it_back():
    run = Run(p.Wait(until="linked"), BY_HAND, settings=ON_A_TABLE)
    levels = levels_of(run)
    assert levels == list(range(0, levels[-1] + 1, 20))
    assert 250 <= levels[-1] < 300
    assert run.bench.transmitter.air.signal_dbm() == -60
    assert settings_of(run) == []


def test_the_attenuator_is_back_after_a_stop():
    run = Run(p.Wait(until="linked"), BY_HAND, settings=ON_A_TABLE, trip=KeyboardInterrupt(), at_ns=6 * S)
    assert run.end.why == "interrupted"
    assert run.bench.inner.transmitter.air.signal_dbm() == -60


def test_without_a_hand_the_step_is_refused_in_plain_words():
    run = Run(p.Wait(until="linked"), BY_HAND)
    assert str(run.raised) == (
        "steps[1] needs somebody to turn an attenuator, and nobody is there; give the simulated rig a "
        "`distance`, which brings an attenuator with it"
    )


class SlowHand:
    """Somebody who takes their time, or never answers."""

    def __init__(self, talk, slow_ns):
        self.talk, self.slow_ns, self.asked, self.back = talk, slow_ns, [], []

    def turn(self, attenuation_x10):
        self.asked.append((self.talk.bench.now_ns(), attenuation_x10))

    def is_done(self):
        return self.talk.bench.now_ns() - self.asked[-1][0] >= self.slow_ns

    def put_back(self, attenuation_x10):
        self.back.append(attenuation_x10)


def by_slow_hand(slow_ns, monkeypatch):
    hands = []

    def simulated_hand(bench):
        hands.append(SlowHand(type("Talk", (), {"bench": bench})(), slow_ns))
        return hands[-1]

    monkeypatch.setattr("harness.levels.simulated_hand", simulated_hand)
    run = Run(p.Wait(until="linked"), replace(BY_HAND, to_x10=60, patience_ns=30 * S), settings=ON_A_TABLE)
    return run, hands[0]


def test_devices_are_kept_alive_while_somebody_turns_the_attenuator(monkeypatch):
    run, hand = by_slow_hand(20 * S, monkeypatch)
    assert run.end.why == "complete"
    assert [level for _, level in hand.asked] == levels_of(run) == [0, 20, 40, 60]
    assert hand.back == [0]
    for role in (TX, RX):
        times = [at for at, part in run.to(role) if isinstance(part, m.KeepAlive)]
        assert max(after - before for before, after in pairwise(times)) < 250 * MS
    lost = [part for _, part in run.messages(RX, Direction.TO_PC) if isinstance(part, m.OutputChange)]
    assert all(part.reason == m.OutputReason.START for part in lost)


def test_nobody_turning_the_attenuator_ends_the_run(monkeypatch):
    run, hand = by_slow_hand(31 * S, monkeypatch)
    assert run.end.why == "margin not measured"
    assert run.end.detail == "nobody said within 30 s that the attenuator is at 0 dB"
    assert hand.back == [0]
    assert_left_safe(run)


def test_steps_are_planned_with_every_stick_at_rest():
    plan = plan_of(BY_POWER)
    assert plan.steps[0].action.levels_x10 == tuple(range(0, -301, -20))
    assert BY_POWER.above_normal_db(-100) == -10
    assert replace(BY_POWER, in_line_x10=200).above_normal_db(-100) == -30
    assert BY_HAND.above_normal_db(100) == -10
    assert replace(BY_HAND, normal_x10=40).above_normal_db(0) == 4


# -- from the mock to the verdict ------------------------------------------------------------------


def judged(run, step, limit_x10):
    check = p.PlanCheck(p.LinkMargin(at_least_x10=limit_x10), "link_margin", "checks[0]")
    plan = replace(plan_of(p.Wait(until="linked"), step), checks=(check,))
    return judge(plan, parse_recording(run.data, "x")).results[0]


def true_margin_db():
    """How much weaker the mock's signal may be for 99 % of the packets to come through in 4 attempts."""
    signal, bits, wanted = Range(ON_A_TABLE).signal_dbm() + 85, 73 + 8 * packet_bytes(3), 0.01**0.25
    low, high = 0.0, 60.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if loss_above(signal - middle, bits) < wanted else (low, middle)
    return low


def test_the_margin_of_the_mock_is_the_one_that_its_radio_has():
    step = replace(BY_POWER, packets=200)
    run = Run(p.Wait(until="linked"), step, settings=ON_A_TABLE)
    found = judged(run, step, 200)
    assert found.verdict is Verdict.PASS
    assert found.interval[0] < true_margin_db() < found.interval[1]
    assert found.interval[1] - found.interval[0] < 0.6


@pytest.mark.parametrize(("over_db", "verdict"), [(-1.5, Verdict.PASS), (1.5, Verdict.FAIL)])
def test_a_limit_a_little_off_the_true_margin_is_passed_or_failed(over_db, verdict):
    """The level error of 1 dB and the interval leave half a dB to either side."""
    step = replace(BY_POWER, packets=200)
    run = Run(p.Wait(until="linked"), step, settings=ON_A_TABLE)
    assert judged(run, step, round(10 * (true_margin_db() + over_db))).verdict is verdict


def test_a_transmitter_that_takes_the_setting_and_ignores_it_has_no_margin_to_tell(monkeypatch):
    monkeypatch.setattr(Transmitter, "power_x10", lambda _self, _asked: 0)
    run = Run(p.Wait(until="linked"), BY_POWER, settings=ON_A_TABLE)
    found = judged(run, BY_POWER, 100)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason == (
        "the transmit power was lowered by 30 dB, and the receiver's reported signal did not follow: the "
        "setting had no effect"
    )
