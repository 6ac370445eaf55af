"""Trouble on the bench, from power to noise: the harness tells it, and never as a fault of the link."""

from dataclasses import replace

import pytest
from test_replug import failed, short, unhappy
from unplugging import Played

from harness.bench.protocol import DEVICES, Chunk, Role
from harness.bench.rig import parse_rig
from harness.chance import stream
from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from harness.errors import BenchError
from harness.verdict import Verdict

T, R = Role.TRANSMITTER, Role.RECEIVER
NOISY = parse_rig(
    "propsoff_rig: 1\nbench: mock\nmock: {loss: 2 %, usb_latency: 1 ms, bit_errors: 0.1 %}\n", "noisy.yaml"
)


class Wrapped:
    """A bench whose `advance` is somebody else's."""

    def __init__(self, inner):
        self.inner = inner

    def __getattr__(self, name):
        return getattr(self.inner, name)


# -- a device that restarts without a command ----------------------------------------------------------------


class BrownsOut(Wrapped):
    """One device loses its supply for a moment."""

    def __init__(self, inner, role, at_ns):
        super().__init__(inner)
        self.role, self.at_ns, self.done = role, at_ns, False

    def advance(self, until_ns):
        if not self.done and until_ns >= self.at_ns:
            self.done = True
            device = self.inner._devices.ports[self.role].device
            device.next_life = replace(device.life.after(), cause=m.StartCause.BROWN_OUT)
            device._go_down(None)
        return self.inner.advance(until_ns)


def browned_out(role, plan="first-look", at_ns=7 * S):
    return Played(plan, around=lambda bench: BrownsOut(bench, role, at_ns))


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_restarts_by_itself_is_told_with_its_cause(role):
    run = browned_out(role)
    assert run.end.why == "complete"
    assert any(f"the {role} restarted by itself at " in note for note in run.judgement.notes)
    assert any("(brown-out)" in note for note in run.judgement.notes)


def test_a_receiver_that_restarts_by_itself_is_a_fault_for_its_outputs_jumped():
    run = browned_out(R)
    assert set(failed(run)) == {"no_false_failsafe"}
    assert "restarted by itself" in run.results()["no_false_failsafe"][1]


def test_a_transmitter_that_restarts_by_itself_is_judged_by_the_gap_that_it_made():
    run = browned_out(T)
    assert set(failed(run)) <= {"control_gap", "packet_rate", "control_age"}
    assert "no_false_failsafe" not in failed(run)


@pytest.mark.parametrize("role", DEVICES)
def test_a_brown_out_spoils_no_clock(role):
    assert browned_out(role).results()["latency"][0] == "pass"


# -- noise on the lines --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_noise_of_one_bit_in_a_thousand_is_never_a_fault_of_the_link(seed):
    run = Played("first-look", seed=seed, rig=NOISY)
    assert not failed(run)
    verdict, reason = run.results()["bench"]
    assert verdict == "error"
    for role in DEVICES:
        assert f"the {role}'s serial line lost " in reason
    assert run.judgement.verdict is Verdict.ERROR


@pytest.mark.slow
@pytest.mark.parametrize("plan", ["regression", "acceptance"])
@pytest.mark.parametrize("seed", range(5))
def test_noise_on_longer_plans_is_never_a_fault_of_the_link(plan, seed):
    assert not failed(Played(plan, seed=seed, rig=NOISY))


# -- devices that say too little -----------------------------------------------------------------------------


class Mute(Wrapped):
    """A device that says nothing from some time on, or only who it is."""

    def __init__(self, inner, role, *, from_ns=0, identity=False):
        super().__init__(inner)
        self.role, self.from_ns, self.identity = role, from_ns, identity

    def _kept(self, chunk):
        if chunk.role is not self.role or chunk.at_ns < self.from_ns:
            return True
        return self.identity and chunk.data[1:2] == bytes([m.Identity.TYPE])

    def advance(self, until_ns):
        return [chunk for chunk in self.inner.advance(until_ns) if self._kept(chunk)]


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_never_answers_is_told_before_anything_moves(role):
    with pytest.raises(BenchError, match="no answer to identify; nothing at all arrived") as caught:
        Played("first-look", around=lambda bench: Mute(bench, role))
    assert caught.value.role == role


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_only_says_who_it_is_is_bench_trouble(role):
    run = Played(short(within=""), rig="ideal-mock", around=lambda bench: Mute(bench, role, identity=True))
    assert not failed(run)
    assert run.results()["bench"][0] == "error"
    assert run.judgement.verdict is not Verdict.PASS


@pytest.mark.parametrize("role", DEVICES)
def test_a_device_that_falls_silent_in_the_run_is_bench_trouble(role):
    run = Played("first-look", around=lambda bench: Mute(bench, role, from_ns=9 * S))
    assert not failed(run)
    assert f"the {role}'s port fell silent at " in run.results()["bench"][1]


# -- a network that stalls -----------------------------------------------------------------------------------


class Stalled(Wrapped):
    """Nothing moves on one port for a while, and then all of it at once, as over TCP."""

    def __init__(self, inner, role, at_ns, for_ns):
        super().__init__(inner)
        self.role, self.at_ns, self.to_ns = role, at_ns, at_ns + for_ns
        self.held, self.unsent = [], []

    def _stalls(self):
        return self.at_ns <= self.inner.now_ns() < self.to_ns

    def send(self, role, data):
        if role is self.role and self._stalls():
            self.unsent.append(data)
            return self.inner.now_ns()
        return self.inner.send(role, data)

    def advance(self, until_ns):
        if not self._stalls() or until_ns < self.to_ns:
            return self._moved(until_ns)
        before = self._moved(self.to_ns)
        for data in self.unsent:
            self.inner.send(self.role, data)
        self.unsent.clear()
        return before + self._moved(until_ns)

    def _moved(self, until_ns):
        chunks = list(self.inner.advance(until_ns))
        if self._stalls():
            self.held += [chunk for chunk in chunks if chunk.role is self.role]
            return [chunk for chunk in chunks if chunk.role is not self.role]
        late = [Chunk(one.role, one.data, max(self.to_ns, one.at_ns)) for one in self.held]
        self.held.clear()
        return late + chunks


def stalled(role, at_ms, for_ms):
    return Played("first-look", around=lambda bench: Stalled(bench, role, at_ms * MS, for_ms * MS))


@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("at_ms", [12_000, 28_250, 38_750])
@pytest.mark.parametrize("for_ms", [700, 2_000])
def test_a_network_that_stalls_is_no_fault_of_the_link(role, at_ms, for_ms):
    run = stalled(role, at_ms, for_ms)
    assert not failed(run)
    verdict, reason = run.results()["bench"]
    assert verdict == "inconclusive"
    assert f"nothing got through to the {role} for " in reason
    assert "it then lets go by itself" in reason


@pytest.mark.parametrize("role", DEVICES)
def test_a_network_that_stalls_too_shortly_for_a_device_to_let_go_changes_nothing(role):
    assert unhappy(stalled(role, 12_000, 200)) == {}


# -- hostile bytes in place of a device ----------------------------------------------------------------------


def mutated(chance, data):
    """Return a device's bytes with some of them changed, doubled, dropped or made up."""
    kind = chance.randrange(6)
    if kind == 0:
        return chance.randbytes(chance.randrange(300))
    if kind == 1:
        at = chance.randrange(len(data))
        return data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
    if kind == 2:
        return data * 2
    if kind == 3:
        return data[chance.randrange(len(data)) :]
    if kind == 4:  # whole frames of any type with any payload
        number = chance.randrange(65_536)
        return data + encode(chance.choice((m.Reply(1, number, 0, 0), m.Pong(number, 0))), number)
    return data


class Hostile(Wrapped):
    """Every device says who it is, and then what it likes."""

    def __init__(self, inner, seed):
        super().__init__(inner)
        self.chance = stream(seed, "hostile")

    def advance(self, until_ns):
        early = self.inner.now_ns() < 500 * MS
        return [
            chunk if early else Chunk(chunk.role, mutated(self.chance, chunk.data), chunk.at_ns)
            for chunk in self.inner.advance(until_ns)
        ]


@pytest.mark.parametrize("seed", range(6))
def test_hostile_bytes_never_raise_and_never_pass(seed):
    run = Played("first-look", seed=seed, around=lambda bench: Hostile(bench, seed))
    assert run.judgement.verdict is not Verdict.PASS
    assert run.recording.complete


def test_a_bench_without_trouble_passes_all_this():
    assert unhappy(Played("first-look")) == {}
