"""The harness takes the sticks back at once when a throttle opens on the transmitter's own sticks."""

from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from itertools import pairwise

import pytest
from test_pace import Spoilt
from test_runner import Run, Trip, assert_left_safe
from test_timeline import LINK, plan_of

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import decode_piece
from harness.codec import messages as m
from harness.errors import BenchError, StorageError
from harness.outline import outline
from harness.plan import model as p
from harness.recording import Direction
from harness.report.live import Quiet
from harness.timeline import build_timeline
from harness.watch import own_throttle_spans
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
STEPS = (p.Wait(until="linked"), p.Corners(), p.OwnSticks(for_ns=2 * S), p.Settle(for_ns=S))


@pytest.fixture(autouse=True)
def opened_later(monkeypatch):
    """Somebody put the throttle stick up after the run began: before, the run would have been refused."""
    monkeypatch.setattr("harness.runner.refuse_open_throttle", lambda *_: None)


def own(share, **more):
    return Run(*STEPS, settings=MockSettings(own_throttle=Fraction(share), **more))


def release_ns(run):
    return next(at for at, message in run.to(TX) if isinstance(message, m.Release))


def packets_on_own_sticks(run):
    sent = [
        message
        for at, message in run.messages(TX, Direction.TO_PC)
        if isinstance(message, m.Sent) and at > release_ns(run)
    ]
    return sum(message.set_number == m.NO_SET for message in sent)


def test_the_transmitter_uses_its_own_sticks_for_as_long_as_the_step_asks():
    run = own("0")
    assert run.end.why == "complete"
    assert packets_on_own_sticks(run) == pytest.approx(100, abs=3)
    releases = [at for at, message in run.to(TX) if isinstance(message, m.Release)]
    assert len(releases) == 3 + 1
    assert_left_safe(run)


def test_the_sticks_are_at_rest_before_they_are_let_go():
    """The corners before had the throttle up; the watch must not take that for its own stick."""
    run = own("0")
    release = release_ns(run)
    sticks = [message for at, message in run.to(TX) if isinstance(message, m.Sticks) and at < release]
    assert sticks[-1].pulses_us == LINK.rest_us


def test_keep_alives_go_on_meanwhile():
    run = own("0")
    alive = [at for at, message in run.to(TX) if isinstance(message, m.KeepAlive)]
    assert max(after - before for before, after in pairwise(alive)) < 200 * MS


@pytest.mark.parametrize(("share", "why"), [("0.25", "complete"), ("0.26", "throttle not at rest")])
def test_an_open_throttle_ends_the_run_at_once(share, why):
    """The plan allows a quarter of the travel, 1250 us."""
    run = own(share)
    assert run.end.why == why
    if why == "complete":
        return
    assert "throttle went to 1260 us" in run.end.detail
    assert "low end" in run.end.detail
    release = release_ns(run)
    back = next(at for at, message in run.to(TX) if isinstance(message, m.Sticks) and at > release)
    opened = next(
        at
        for at, message in run.messages(RX, Direction.TO_PC)
        if isinstance(message, m.Applied) and message.outputs_us[1] > 1250 and at > release
    )
    assert 0 <= back - opened <= 5 * MS
    assert_left_safe(run)


class Real(Trip):
    """A virtual bench that calls itself hardware."""

    is_hardware = True


class Heard(Quiet):
    """Keeps what was said."""

    def __init__(self):
        self.lines = []

    def say(self, line):
        self.lines.append(line)


@pytest.mark.parametrize(("share", "held"), [("0.2", 0), ("0.3", 10)])
def test_on_hardware_an_open_throttle_is_held_closed_until_somebody_closed_it(monkeypatch, share, held):
    """At the end every device is released: its own throttle stick rules again."""
    monkeypatch.setattr("test_runner.Trip", Real)
    heard = Heard()
    run = Run(
        *STEPS, settings=MockSettings(own_throttle=Fraction(share)), observer=heard, at_ns=10**18,
        trip=RuntimeError(),
    )  # fmt: skip
    assert heard.lines[0].startswith("the transmitter now uses its own sticks")
    assert any("released in 10 s" in line for line in heard.lines) == bool(held)
    if held:
        taken_back = next(
            at for at, part in run.to(TX) if isinstance(part, m.Sticks) and at > release_ns(run)
        )
        assert run.to(TX)[-1][0] - taken_back >= held * S
    assert_left_safe(run)


def test_nobody_watching_ends_the_run_too(monkeypatch):
    """With reports 20 ms apart, 5 ms without one is what a second is on a bench whose port falls silent."""
    monkeypatch.setattr("harness.watch.BLIND_NS", 5 * MS)
    run = own("0")
    assert (run.end.why, "nobody watched" in run.end.detail) == ("throttle not at rest", True)
    assert_left_safe(run)


class Reports:
    """A bench whose receiver's reports are rewritten on the way, from a time on."""

    def __init__(self, bench, rewrite):
        self.inner, self.rewrite = bench, rewrite

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        return [(role, self._rewritten(data), at) for role, data, at in self.inner.advance(until_ns)]

    def _rewritten(self, data):
        *pieces, rest = data.split(b"\0")
        return b"\0".join([self._piece(piece) for piece in pieces] + [rest])

    def _piece(self, piece):
        frame = decode_piece(piece)
        if getattr(frame, "type", None) != m.Applied.TYPE:
            return piece
        return m.encode(self.rewrite(m.parse(frame)), frame.counter)[:-1]


class Torn(m.Applied):
    """A report with whole framing and half a body."""

    def pack(self):
        return super().pack()[:9]


REWRITES = {
    "short": lambda applied: replace(applied, outputs_us=applied.outputs_us[:1]),
    "unparsable": lambda applied: Torn(applied.packet, applied.at_us, -60, applied.outputs_us),
}


@pytest.mark.parametrize("rewrite", REWRITES.values(), ids=REWRITES)
def test_reports_without_the_throttle_are_no_watch(rewrite):
    """The throttle is wide open, and nobody could tell from what is reported."""
    run = Run(
        *STEPS, settings=MockSettings(own_throttle=Fraction(1)), around=lambda bench: Reports(bench, rewrite)
    )
    assert run.end.why == "throttle not at rest"
    assert "nobody watched the throttle" in run.end.detail
    assert packets_on_own_sticks(run) == pytest.approx(50, abs=5)
    assert_left_safe(run)


def test_reports_of_every_throttle_are_a_watch_even_if_other_channels_are_missing():
    def short(applied):
        return replace(applied, outputs_us=applied.outputs_us[:2])

    run = Run(*STEPS, settings=MockSettings(own_throttle=Fraction(0)), around=lambda b: Reports(b, short))
    assert run.end.why == "complete"


def back_ns(run):
    return next(at for at, part in run.to(TX) if isinstance(part, m.Sticks) and at > release_ns(run))


def own_on_hardware(monkeypatch, **more):
    monkeypatch.setattr("test_runner.Trip", Real)
    more = {"trip": RuntimeError(), "at_ns": 10**18, "observer": Heard(), **more}
    return Run(*STEPS, settings=MockSettings(own_throttle=Fraction("0.3")), **more)


def assert_held(run, for_ns=10 * S):
    """The sticks rest and the devices are kept alive until the transmitter is released."""
    assert run.end is None or run.end.why == "throttle not at rest"
    back = back_ns(run)
    told = [(at, part) for at, part in run.to(TX) if at >= back]
    release = next(at for at, part in told if isinstance(part, m.Release))
    assert release - back >= for_ns
    assert {part.pulses_us for _, part in told if isinstance(part, m.Sticks)} == {LINK.rest_us}
    for kind, most_ns in ((m.KeepAlive, 300 * MS), (m.Sticks, S)):
        times = [back, *(at for at, part in told if isinstance(part, kind)), release]
        assert max(after - before for before, after in pairwise(times)) < most_ns


def test_a_stop_while_an_open_throttle_is_held_closed_shortens_nothing(monkeypatch):
    back = back_ns(own_on_hardware(monkeypatch))
    run = own_on_hardware(monkeypatch, stop_at_ns=back + S)
    assert "throttle went to 1300 us" in run.end.detail
    assert run.marks[-1].fields["why"] == "throttle not at rest"
    assert_held(run)


def test_a_stop_at_the_very_moment_loses_neither_the_hold_nor_the_words(monkeypatch):
    back = back_ns(own_on_hardware(monkeypatch))
    run = own_on_hardware(monkeypatch, stop_at_ns=back)
    assert "throttle went to 1300 us" in run.end.detail
    assert_held(run, 9 * S)


def test_a_port_that_goes_at_the_very_moment_does_not_lose_the_words(monkeypatch):
    class Goes(Spoilt):
        def send(self, role, data):
            if role is TX and self.inner.now_ns() >= back:
                raise BenchError("pulled", role=TX, port="x")
            return self.inner.send(role, data)

    back = back_ns(own_on_hardware(monkeypatch))
    run = own_on_hardware(monkeypatch, around=lambda bench: Goes(bench, []))
    assert run.end.why == "throttle not at rest"
    assert "throttle went to 1300 us" in run.end.detail


def test_only_a_signal_that_insists_shortens_the_hold(monkeypatch):
    back = back_ns(own_on_hardware(monkeypatch))
    run = own_on_hardware(monkeypatch, trip=KeyboardInterrupt(), at_ns=back + S)
    assert run.end.why == "throttle not at rest"
    assert run.to(TX)[-1][0] - back < 3 * S
    assert_left_safe(run)


def test_the_receivers_port_gone_while_the_throttle_is_held_closed_shortens_nothing(monkeypatch):
    back = back_ns(own_on_hardware(monkeypatch))
    gone = BenchError("pulled", role=RX, port="x")
    run = own_on_hardware(monkeypatch, trip=gone, gone=(RX,), at_ns=back + S)
    assert "throttle went to 1300 us" in run.end.detail
    assert_held(run)


def test_a_transmitter_that_is_gone_cannot_be_held(monkeypatch):
    back = back_ns(own_on_hardware(monkeypatch))
    gone = BenchError("pulled", role=TX, port="x")
    run = own_on_hardware(monkeypatch, trip=gone, gone=(TX,), at_ns=back + S)
    assert run.end.why == "throttle not at rest"
    assert run.to(RX)[-1][0] - back < 3 * S


def test_a_full_disk_while_the_throttle_is_held_closed_shortens_nothing(monkeypatch):
    class Full(BytesIO):
        full = False

        def write(self, data):
            if self.full:
                raise OSError(28, "No space left on device")
            return super().write(data)

    class Watched(Heard):
        def say(self, line):
            super().say(line)
            disk.full = disk.full or "released in" in line

    sent = []

    class Keeps(Spoilt):
        def send(self, role, data):
            sent.append((self.inner.now_ns(), role, m.parse(decode_piece(data[:-1]))))
            return self.inner.send(role, data)

    disk = Full()
    run = own_on_hardware(monkeypatch, observer=Watched(), file=disk, around=lambda bench: Keeps(bench, []))
    assert isinstance(run.raised, StorageError)
    released = [at for at, role, part in sent if isinstance(part, m.Release) and role is TX]
    taken_back = next(at for at, _, part in sent if isinstance(part, m.Sticks) and at > released[0])
    assert released[-1] - taken_back >= 10 * S


def test_the_cap_is_the_plans_and_never_below_a_twentieth():
    plan = plan_of(p.Settle())
    assert own_throttle_spans(plan)[0][::2] == (1, 1250)
    for share, top in ((Fraction(0), 1050), (Fraction(1, 2), 1500)):
        capped = replace(plan, safety=p.Safety(throttle_up_to=share))
        assert own_throttle_spans(capped)[0][2] == top


def test_a_reversed_throttle_is_capped_on_its_other_side():
    throttle = replace(LINK.channels[1], direction="reversed")
    plan = replace(plan_of(p.Settle()), link=replace(LINK, channels=(throttle,)))
    ((_, low, high),) = own_throttle_spans(plan)
    assert low == 1750
    assert high >= 2000


def test_the_outline_warns_of_own_sticks():
    baud = dict.fromkeys((TX, RX), 115_200)
    check = p.PlanCheck(p.BenchHealth(), "bench", "checks[0]")
    warned = outline(build_timeline(replace(plan_of(p.OwnSticks()), checks=(check,)), 0), baud)
    assert "own stick at its low end" in warned
    assert "own stick" not in outline(build_timeline(replace(plan_of(p.Settle()), checks=(check,)), 0), baud)
