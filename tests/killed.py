"""A harness that is killed: from one moment on nothing more is sent, and nobody says goodbye."""

from __future__ import annotations

import contextlib
import io
from dataclasses import replace
from fractions import Fraction

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import Frame, decode_piece, parse
from harness.codec import messages as m
from harness.plan import model as p
from harness.recording import RecordingWriter
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import header_for
from harness.timeline import build_timeline

TX, RX = Role.TRANSMITTER, Role.RECEIVER
AFTER_NS = 1500 * MS


class Killed(BaseException):
    """What no part of the harness catches, as it cannot catch SIGKILL."""


class Mortal:
    """A bench whose harness is killed at `at_ns`, or that loses the transmitter's port then.

    What a port's line carries from then on is nothing. `last_alive_ns` is when the last keep-alive left.
    """

    def __init__(self, bench, at_ns, *, only_transmitter=False):
        self.inner, self.at_ns, self.only_transmitter = bench, at_ns, only_transmitter
        self.last_alive_ns = 0
        self.chunks = []
        self.killed = False

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        dead = self.now_ns() >= self.at_ns and (role is TX or not self.only_transmitter)
        if dead:
            return self.now_ns()
        if role is TX and isinstance(parse(decode_piece(data[:-1])), m.KeepAlive):
            self.last_alive_ns = self.now_ns()
        return self.inner.send(role, data)

    def advance(self, until_ns):
        if not self.only_transmitter and not self.killed and self.now_ns() >= self.at_ns:
            self.killed = True
            raise Killed
        chunks = self.inner.advance(until_ns)
        self.chunks += chunks
        return chunks


def plan_with_open_throttle(plan):
    """The plan with nothing but its first throttle open, as far as the cap lets it."""
    name = next(channel.name for channel in plan.link.channels if channel.role == "throttle")
    steps = (p.Wait(until="linked"), p.Hold(for_ns=20 * S, sticks=((name, 2000),)))
    placed = tuple(p.PlanStep(step, step.WORD, f"steps[{n}]") for n, step in enumerate(steps))
    return replace(plan, steps=placed, checks=(), extend=None)


def reports_after_death(request, bench, at_ns, **how):
    """Kill a run at `at_ns`; return the mortal bench, and (ns, outputs) of all reports until 1.5 s later."""
    plan = plan_with_open_throttle(request.plan)
    mortal = Mortal(bench, at_ns, **how)
    runner = Runner(mortal, RecordingWriter(io.BytesIO(), header_for(request, mortal), 0), plan, Quiet())
    runner.talk.stop_requested = lambda: mortal.only_transmitter and mortal.now_ns() >= at_ns + AFTER_NS
    with contextlib.suppress(Killed):
        runner.run(build_timeline(plan, 7, throttle_share=Fraction(1, 4)))
    if mortal.killed:
        mortal.chunks += bench.advance(at_ns + AFTER_NS)
    stream, reports = b"", []
    for chunk in mortal.chunks:
        if chunk.role is RX:
            *pieces, stream = (stream + chunk.data).split(b"\0")
            items = [decode_piece(piece) for piece in pieces if piece]
            messages = [parse(item) for item in items if isinstance(item, Frame)]
            reports += [(chunk.at_ns, one.outputs_us) for one in messages if hasattr(one, "outputs_us")]
    return mortal, reports


def closed_after_ns(request, bench, at_ns, **how):
    """Return how long after the last keep-alive the first report of a closed throttle came, in ns."""
    mortal, reports = reports_after_death(request, bench, at_ns, **how)
    channels = request.plan.link.channels
    index = next(n for n, channel in enumerate(channels) if channel.role == "throttle")
    rest = channels[index].rest_us
    opened = [at for at, outputs in reports if outputs[index] > rest + 50]
    assert opened, "the throttle was never open"
    closed = min((at for at, outputs in reports if at > opened[-1] and outputs[index] <= rest), default=None)
    assert closed is not None, "the throttle was never closed again"
    return closed - mortal.last_alive_ns
