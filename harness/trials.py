"""Carries out trials at a link's limits, each decided by the one before: throughput, bursts, overload.

What is heard here only decides which trial comes next. The figures come from the recording, in which marks
tell each trial's number, rate or burst, beginning and end (`harness.measure.trials`).
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any, Final

from harness.bench.protocol import DEVICES, Role
from harness.chance import stream
from harness.codec import messages as m
from harness.codec.frames import Frame
from harness.conversation import Conversation
from harness.load import BUSY_IN_OVERLOAD, highest_rate_mhz, longest_burst
from harness.pace import PacketRate
from harness.plan import model as p
from harness.plan.trials import (
    BURST_PACKET_NS,
    FINALS,
    SLOWER,
    SPARES,
    Method,
    Outcome,
    fewest,
    method_of,
    outcome,
    overload_for_ns,
    rates_mhz,
    repeats_of,
)
from harness.search import NONE_GOOD, highest_good
from harness.timeline import REFRESH_NS

STEADY: Final = 10
"""So many packets in a row must come through before a trial begins."""
PENDING: Final = 2
"""The newest packets sent, whose reports from the receiver may still be on their way."""
RESTARTED: Final = 1 << 16
SLOWEST_MHZ: Final = 1_000
Refresh = Callable[[], None]
"""Sends the stick positions once more."""


class Tally:
    """What both devices reported since `clear`: packets sent and applied, and messages that are missing."""

    def __init__(self) -> None:
        self._next: dict[Role, int] = {}
        self.clear()

    def clear(self) -> None:
        """Begin anew; the message counters go on."""
        self.sent: list[int] = []
        self.burst: list[int] = []
        self.applied: set[int] = set()
        self.missing = 0

    def take(self, role: Role, frame: Frame) -> None:
        """Count one frame. A device that started by itself spoils whatever is under way."""
        if role not in DEVICES:
            return
        due = self._next.get(role, frame.counter)
        self._next[role] = (frame.counter + 1) & 0xFFFF
        self.missing += RESTARTED if frame.type == m.Started.TYPE else (frame.counter - due) & 0xFFFF
        if frame.type in (m.Sent.TYPE, m.Applied.TYPE):
            message = m.parse(frame)
            if isinstance(message, m.Sent):
                self.sent.append(message.packet)
                if message.flags & m.SENT_IN_BURST:
                    self.burst.append(len(self.sent) - 1)
            elif isinstance(message, m.Applied):
                self.applied.add(message.packet)

    def lost(self, first: int, last: int) -> int:
        """Return how many of the sent packets from place `first` up to `last` were not applied."""
        return sum(number not in self.applied for number in self.sent[first:last])

    def is_steady(self) -> bool:
        """Return whether packets come through one after the other."""
        done = self.sent[: len(self.sent) - PENDING][-STEADY:]
        return len(done) == STEADY and self.applied.issuperset(done)


class Trials:
    """The trials of one run: `throughput_mhz` is the latest one found, `note` tells what is under way."""

    def __init__(self, talk: Conversation, link: p.Link, rate: PacketRate) -> None:
        self.talk = talk
        self.link = link
        self.rate = rate
        self.seed = 0
        self.throughput_mhz: int | None = None
        self.note = ""
        self._tally = Tally()
        self._number = 0
        self._repeat = 0
        self._replied = True
        self._spares = SPARES
        self._path = ""
        self._refresh: Refresh = lambda: None
        self._refresh_due = 0

    def carry_out(self, step: p.PlanStep, refresh: Refresh) -> None:
        """Carry out a step's trials; `refresh` sends the sticks, which stay where they are.

        However it ends, the transmitter is asked for the link's own packet rate again.
        """
        self._path, self._refresh, self._refresh_due = step.path, refresh, self.talk.bench.now_ns()
        self.talk.on_frame = self._tally.take
        self._spares = SPARES
        action = step.action
        try:
            self._settle(method_of(action))  # type: ignore[arg-type]
            if isinstance(action, p.FindThroughput):
                self._find_throughput(action)
            elif isinstance(action, p.FindBackToBack):
                self._find_back_to_back(action)
            elif isinstance(action, p.Overload):
                self._overload(action)
        finally:
            self.talk.on_frame, self.note = None, ""
            if not self.rate.is_own and Role.TRANSMITTER in self.talk.alive:
                self.rate.want(self.link.packet_rate_mhz)

    # -- searches ------------------------------------------------------------------------------------

    def _find_throughput(self, action: p.FindThroughput) -> None:
        """Search with short trials, then confirm with one of full length, lower if that loses packets."""
        self.throughput_mhz = None
        most = highest_rate_mhz(self.link, self.talk.bench.baud)
        rates = rates_mhz(action, self.link.packet_rate_mhz, most)
        self._mark("search", what="throughput", rates=len(rates), bench_mhz=most)
        best = highest_good(len(rates), lambda place: self._carries(action, rates[place], action.trial_ns))
        for turn in range(FINALS):
            if best <= NONE_GOOD:
                return
            if self._carries(action, rates[best], method_of(action).final_ns, final=True):
                self.throughput_mhz = rates[best]
                return
            best -= 1 << turn

    def _carries(self, action: p.FindThroughput, rate_mhz: int, for_ns: int, *, final: bool = False) -> bool:
        what = "final" if final else "search"
        return self._is_good(lambda: self._rate_trial(method_of(action), rate_mhz, for_ns, action.loss, what))

    def _is_good(self, trial: Callable[[], Outcome]) -> bool:
        """Carry out a trial, and once more if the serial line spoilt it and the step has spares left."""
        found = trial()
        if found is Outcome.VOID and self._spares:
            self._spares -= 1
            found = trial()
        return found is Outcome.GOOD

    def _find_back_to_back(self, action: p.FindBackToBack) -> None:
        """Search again and again, each burst at a phase of the packet period drawn from the seed."""
        most = min(action.up_to, longest_burst(self.link, self.talk.bench.baud))
        self._mark("search", what="back_to_back", up_to=most)
        for _ in range(repeats_of(action)):
            self._repeat += 1
            highest_good(
                most, lambda place: self._is_good(lambda: self._burst_trial(method_of(action), place + 1))
            )

    def _overload(self, action: p.Overload) -> None:
        """Send too fast for a while, then at half that rate, and go on listening."""
        rate_mhz = action.rate_mhz or int((self.throughput_mhz or 0) * action.share)
        rate_mhz = min(rate_mhz, highest_rate_mhz(self.link, self.talk.bench.baud, BUSY_IN_OVERLOAD))
        for _ in range(action.times if rate_mhz >= SLOWEST_MHZ else 0):
            if self._begin("overload", rate_mhz, 0) is not None:
                continue
            self._pass(overload_for_ns(action))
            self._mark("reduced", number=self._number)
            self._ask_rate(max(SLOWEST_MHZ, rate_mhz // SLOWER))
            self._pass(action.after_ns)
            self._mark("trial end", number=self._number)
            self.rate.restore()
            self._settle(method_of(action))

    # -- one trial -----------------------------------------------------------------------------------

    def _rate_trial(
        self, method: Method, rate_mhz: int, for_ns: int, allowed: Fraction, what: str
    ) -> Outcome:
        ended = self._begin(what, rate_mhz, method.before_ns)
        if ended is not None:
            return ended
        tally = self._tally
        first = len(tally.sent)
        self._pass(for_ns)
        self._mark("trial end", number=self._number)
        last = len(tally.sent)
        self.rate.restore()
        self._pass(method.residual_ns)
        lost, least = tally.lost(first, last), fewest(rate_mhz, for_ns)
        found = self._judged(last - first, least, lost, allowed)
        self._settle(method)
        return found

    def _begin(self, what: str, rate_mhz: int, before_ns: int) -> Outcome | None:
        """Ask for a rate, let `before_ns` pass and mark the trial's beginning.

        Returns what the trial came to if the rate was not granted, so that there is none.
        """
        self._number += 1
        self.note = f"{what} at {rate_mhz / 1000:g} Hz"
        self._tally.clear()
        granted = self._ask_rate(rate_mhz)
        self._pass(before_ns if granted else 0)
        self._mark("trial", number=self._number, what=what, rate_mhz=rate_mhz)
        if granted:
            return None
        self._mark("trial end", number=self._number)
        self.rate.restore()
        return self._told(Outcome.REFUSED if self._replied else Outcome.VOID)

    def _burst_trial(self, method: Method, count: int) -> Outcome:
        self._number += 1
        self.note = f"burst of {count} packets, search {self._repeat}"
        period_ns = self.link.packet_period_ns
        self._pass(stream(self.seed, f"trials/{self._number}").randrange(period_ns))
        tally = self._tally
        tally.clear()
        self._mark("trial", number=self._number, what="burst", count=count, repeat=self._repeat)
        reply = self.talk.ask(Role.TRANSMITTER, m.Burst(count, 0), tries=1)
        if reply is not None and reply.result == m.Result.DONE:
            self._until(lambda: len(tally.burst) >= count, count * BURST_PACKET_NS + period_ns)
        self._pass(method.residual_ns)
        self._mark("trial end", number=self._number)
        if reply is None or reply.result != m.Result.DONE:
            return self._told(Outcome.VOID if reply is None else Outcome.REFUSED)
        lost = tally.lost(tally.burst[0], tally.burst[-1] + 1) if tally.burst else 0
        found = self._judged(len(tally.burst), count, lost, Fraction(0))
        self._settle(method)
        return found

    def _judged(self, sent: int, least: int, lost: int, allowed: Fraction) -> Outcome:
        unknown = self._tally.missing
        certain = max(0, lost - unknown)
        found = outcome(sent=sent, least=least, lost=certain, unknown=unknown, allowed=allowed)
        return self._told(found, sent=sent, lost=lost)

    def _told(self, found: Outcome, **counts: int) -> Outcome:
        """Put into the recording what this trial seemed to be while it ran."""
        self._mark("trial result", number=self._number, outcome=found.value, **counts)
        return found

    # -- the bench -----------------------------------------------------------------------------------

    def _ask_rate(self, rate_mhz: int) -> bool:
        """Ask the transmitter for a packet rate; returns whether it agreed."""
        reply = self.rate.ask(rate_mhz)
        self._replied = reply is not None
        return reply is not None and reply.result == m.Result.DONE

    def _settle(self, method: Method) -> None:
        """Let the link come to rest at its usual rate: for a time, or until packets come through again."""
        self._tally.clear()
        self._pass(method.rest_ns)
        self._until(self._tally.is_steady, method.rest_most_ns - method.rest_ns)

    def _pass(self, for_ns: int) -> None:
        self._until(None, for_ns)

    def _until(self, happened: Callable[[], bool] | None, most_ns: int) -> None:
        """Let `most_ns` pass, less if something has happened; the sticks are sent again meanwhile."""
        bench = self.talk.bench
        end = bench.now_ns() + max(0, most_ns)
        while bench.now_ns() < end and not (happened and happened()):
            if bench.now_ns() >= self._refresh_due:
                self._refresh()
                self._refresh_due = bench.now_ns() + REFRESH_NS
            stop = min(end, self._refresh_due)
            if happened is None:
                self.talk.advance(stop)
            else:
                self.talk.wait_for(happened, until_ns=stop)

    def _mark(self, kind: str, **fields: Any) -> None:
        self.talk.writer.mark(self.talk.bench.now_ns(), kind, path=self._path, **fields)


__all__ = ["Tally", "Trials"]
