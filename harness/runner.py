"""Carries out a timeline on any bench and leaves a recording: the one reactive part.

It waits until devices answer, waits for the link, stops early when a wait is missed, and always ends with
the throttle closed and the devices released: at the end, on Ctrl-C, on any exception, with a port gone.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Final, Protocol

from harness.abilities import Abilities
from harness.awake import AsleepError, ClockError, Wakefulness
from harness.bench.identify import check_identity
from harness.bench.protocol import Bench, Role, WithLineErrors, extra
from harness.clock import MS
from harness.codec import messages as m
from harness.conversation import LINKED_FOR_NS, Conversation
from harness.devices.telling import cautions
from harness.ending import End, call_anyway, no_collector
from harness.errors import BenchError, StorageError
from harness.holding import HoldToRun
from harness.lateness import MARK as LATENESS
from harness.lateness import Lateness
from harness.levels import Levels
from harness.measure.asleep import ASLEEP
from harness.outside import Outside
from harness.pace import PacketRate
from harness.plan import model as p
from harness.playing import (
    IN_A_ROW,
    Condition,
    begin_of_pass,
    condition,
    cut_word,
    missed,
    superseded,
    with_next,
)
from harness.recording import RecordingWriter
from harness.replug import Replug
from harness.showing import Observer, Showing
from harness.timeline import Due, Segment, Timeline
from harness.trials import Trials
from harness.unattended import OwnThrottleError, RestartWatch, refuse_open_throttle, release_watched
from harness.watch import OWN_STICKS, ThrottleWatch

PINGS_AT_ENDS: Final = 8
PING_EVERY_NS: Final = 40 * MS
LAST_BYTES_NS: Final = 60 * MS
"""Time for the last frames, 30 bytes, to leave at 9 600 baud, and a little more."""
QUIET_NS: Final = 300 * MS
"""Time at rest before the devices are released, for the last packets and reports to come in."""

COMMANDS: Final = ("cut", "mute", "interfere", "restart")
"""Marks of the messages that do what a step is about: none is sent again once a device refused one."""


class Rounds(Protocol):
    """Whoever decides, after each round of steps, whether there is another."""

    def __call__(self, runner: Runner) -> Iterable[Sequence[Segment]]:
        """Return the rounds, each made only when the one before was played."""
        ...


class Runner:
    """One run of one plan on one bench. The bench stays open; who opened it closes it."""

    def __init__(self, bench: Bench, writer: RecordingWriter, plan: p.Plan, observer: Observer) -> None:
        self.talk = Conversation(bench, writer)
        self.bench = bench
        self.writer = writer
        self.plan = plan
        self.link = plan.link
        self.observer = observer
        self.talk.linked_for_ns = max(LINKED_FOR_NS, 3 * plan.link.packet_period_ns)
        self.sets = 0
        self.cuts = 0
        self.step = ""
        self.note = ""
        self.late = Lateness()
        self.showing = Showing(self.talk, observer, plan, lambda: self.late)
        self._at = 0
        self._throttle: ThrottleWatch | None = None
        self.abilities = Abilities(self.talk, observer.say)
        self.rate = PacketRate(self.talk, plan.link.packet_rate_mhz, observer.say)
        self.trials = Trials(self.talk, plan.link, self.rate)
        self.levels = Levels(self.talk, writer, plan.link, observer.say)
        self.outside = Outside(self.talk, writer, self.abilities, observer.say, self._send_sticks)
        self.replug = Replug(self, observer.say)
        self.hold: HoldToRun | None = None
        self._awake: Wakefulness | None = None
        self._restarts: RestartWatch | None = None

    # -- the whole run -------------------------------------------------------------------------------

    def run(self, timeline: Timeline, rounds: Rounds | None = None) -> End:
        """Carry out `timeline` from identification to release and return how it ended.

        With `rounds`, these are played in place of the timeline's own steps, whose needs are the same.
        Raises BenchError if a device cannot be identified; whatever happens later is told by the End and by
        the recording. An exception that is our own fault goes on after the devices are safe.
        """
        self.require_witness()
        self.trials.seed = timeline.seed
        with no_collector():
            self.connect([segment.step for segment in timeline.segments])
            end = End("error", "the harness stopped by itself")
            try:
                end = self._play_rounds([timeline.segments] if rounds is None else rounds(self))
            except (KeyboardInterrupt, BenchError) as error:
                end = self.ended_by(error)
            finally:
                end = self.finish(end)
        return end

    def ended_by(self, error: KeyboardInterrupt | BenchError) -> End:
        """Return how a run ends that is stopped by this."""
        if isinstance(error, AsleepError | ClockError):
            self.talk.chores_anew()
            if isinstance(error, AsleepError):
                self.writer.mark(self.bench.now_ns(), ASLEEP, passed_ns=error.passed_ns)
            return End("PC asleep" if isinstance(error, AsleepError) else "error", str(error), self.step)
        if isinstance(error, OwnThrottleError):
            self._throttle = error.watch
            return End("throttle not at rest", str(error), self.step)
        if isinstance(error, BenchError):
            self.replug.note_gone(error, self.step)
            return End("port gone", str(error), self.step, error.role, error.port)
        return End("interrupted", str(error) or "stopped from the keyboard or by a signal", self.step)

    def _begin_watching(self) -> None:
        """Look after what only a real bench can do: sleep, or open a throttle that nobody commanded."""
        if not self.bench.is_virtual:
            self._awake = Wakefulness(self.bench.now_ns)
            self.talk.watchers.append(self._awake.look)
        if self.bench.is_hardware:
            self._restarts = RestartWatch(self.talk, self.plan)
            self.talk.watchers.append(self._restarts.check)
        if self.hold is not None:
            self.talk.watchers.append(self.hold.look)

    def awake(self) -> None:
        """Count the time without a look at the ports from now on: a script did something else meanwhile."""
        if self._awake is not None:
            self._awake.begin()

    def connect(self, steps: Sequence[p.PlanStep] = ()) -> None:
        """Identify the devices, set the packet rate, map the clocks, put the sticks to rest.

        Raises BenchError in plain words if a device does not answer as it must.
        """
        self.writer.mark(self.bench.now_ns(), "begin")
        self._begin_watching()
        try:
            for role in self.talk.ports:
                self.identify(role)
            for words in cautions(self.bench.facts):
                self.observer.say(words)
            self.require(steps)
            if self.bench.is_hardware:
                refuse_open_throttle(self.talk, self.plan, self.port_name(Role.TRANSMITTER))
            self.talk.keeps_alive = True
            self._set_packet_rate()
            self.talk.on_start = self._set_up_again
            self.talk.ping_round(PINGS_AT_ENDS, PING_EVERY_NS)
            self.rest()
        except BaseException:
            self.let_go()
            raise

    def finish(self, end: End) -> End:
        """Close the throttle, give it time to reach the outputs, release the devices, write the end mark.

        After a throttle opened on its own stick, that is what the run ended for, whatever came since.
        Returns the End that the mark tells: a port may go only now.
        """
        self._stop_watching()  # this is the stop
        watch = self._throttle
        try:
            if watch is not None and watch.found:
                if end.why != "error":
                    end = End("throttle not at rest", watch.found, self.step)
                watch.hold(self.rest, self.observer.say)
            end = self._closed(end)
            if self.bench.is_hardware and not (watch and watch.found):
                end = self._released(end)
        finally:
            self.let_go()
            self.talk.finish()
            self._tell_line_errors()
            self.writer.mark(
                self.bench.now_ns(), "end",
                why=end.why, detail=end.detail, step=end.step, role=end.role, port=end.port,
            )  # fmt: skip
        return end

    def _tell_line_errors(self) -> None:
        """Write down what the system counted as gone wrong on each line, zeros too."""
        counting = extra(self.bench, WithLineErrors)
        if counting is not None:
            for role, counts in counting.line_errors().items():
                if counts:
                    self.writer.mark(self.bench.now_ns(), "line errors", role=role, counts=dict(counts))

    def _stop_watching(self) -> None:
        self.talk.stop_requested = lambda: False
        self.talk.watchers.clear()
        self.hold = None

    def _released(self, end: End) -> End:
        """Release the transmitter, and take its sticks back for a while if its own throttle stick is open."""
        try:
            if Role.TRANSMITTER in self.talk.alive:
                release_watched(self.talk, self.plan, self.rest, self.observer.say)
        except (BenchError, KeyboardInterrupt) as error:
            stopped = self.ended_by(error)
            end = stopped if end.why == "complete" else end
        return end

    def _closed(self, end: End) -> End:
        """Put the sticks to rest, with keep-alives, until they must have reached the outputs; then ping."""
        quiet_ns = max(QUIET_NS, 3 * self.link.packet_period_ns)
        for _ in self.talk.ports:  # each port can go once
            try:
                if Role.TRANSMITTER in self.talk.alive:
                    self.rest()
                self.levels.put_back()
                self.outside.put_back(self.rest)
                if Role.TRANSMITTER in self.talk.alive:
                    self.rate.restore()
                self.talk.advance(self.bench.now_ns() + quiet_ns)
                self.talk.ping_round(PINGS_AT_ENDS, PING_EVERY_NS)
            except (BenchError, KeyboardInterrupt) as error:
                stopped = self.ended_by(error)
                end = stopped if end.why == "complete" else end
            else:
                break
        return end

    def let_go(self) -> None:
        """Put the sticks to rest and release every device; no lost port, full disk or Ctrl-C stops it.

        A device that was not accepted gets no sticks, only the release. Raises StorageError at the very end.
        """
        accepted = self.talk.keeps_alive and Role.TRANSMITTER not in self.replug.refused
        rest: list[Callable[[], object]] = [self.rest, self._own_rate] if accepted else []
        self.talk.keeps_alive = False
        self._stop_watching()
        last_calls: list[Callable[[], object]] = [
            *rest,
            *self.levels.last_calls(),
            *self.outside.last_calls(),
            *(partial(self.talk.send, role, m.Release()) for role in self.talk.ports),
            lambda: self.talk.advance(self.bench.now_ns() + LAST_BYTES_NS),
        ]
        troubles: list[StorageError] = []
        with contextlib.ExitStack() as stack:  # makes them all, also after a fault of our own
            for call in reversed(last_calls):
                stack.callback(call_anyway, call, troubles)
        if troubles:
            raise troubles[-1]

    # -- connecting ----------------------------------------------------------------------------------

    def identify(self, role: Role) -> None:
        """Ask a device who it is until it says so. Raises BenchError if it does not, or does not fit."""
        name = self.port_name(role)
        problem = check_identity(self.talk.introduce(role, name), role, self.link)
        if problem:
            where = "" if name == str(role) else f"{role} port {name}: "
            raise BenchError(where + problem, role=role, port=name)

    def port_name(self, role: Role) -> str:
        """The port's name as the bench knows it."""
        return self.bench.facts.get(f"{role} port", str(role))

    def require_witness(self) -> None:
        """Refuse a bench without a witness if a check of the plan cannot do without. Raises BenchError."""
        rules = [check.rule for check in self.plan.checks]
        if Role.WITNESS in self.bench.baud or not any(
            isinstance(rule, p.Pins) and rule.witness == "required" for rule in rules
        ):
            return
        raise BenchError(
            "the plan's check pins needs a witness and the rig has none; add `witness:` to the rig, "
            "or write `pins: {witness: if present}`",
            role=Role.WITNESS,
        )

    def require(self, steps: Sequence[p.PlanStep]) -> None:
        """Refuse before anything moves what the firmware says that it cannot do."""
        self.levels.require(steps, self.port_name(Role.TRANSMITTER))
        self.abilities.require(steps, self.port_name)
        self.outside.require(steps, self.port_name)

    def _set_packet_rate(self) -> None:
        identity = self.talk.ports[Role.TRANSMITTER].identity
        assert identity is not None
        rate = self.link.packet_rate_mhz
        if identity.packet_rate_mhz == rate or not identity.abilities & m.Ability.SET_PACKET_RATE:
            return
        reply = self.talk.ask(Role.TRANSMITTER, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate))
        if reply is None or reply.result != m.Result.DONE:
            told = "did not reply" if reply is None else "refused"
            raise BenchError(
                f"the transmitter {told} when asked for {rate / 1000:g} packets a second; "
                f"it sends {identity.packet_rate_mhz / 1000:g}: set link.packet_rate to that",
                role=Role.TRANSMITTER,
                port=self.port_name(Role.TRANSMITTER),
            )

    def _set_up_again(self, role: Role) -> None:
        """A restarted transmitter has forgotten its packet rate and power: ask for them again."""
        self.outside.started_again(role)
        self.rate.started_again(role)
        self.levels.started_again(role)
        if self._restarts is not None:
            self._restarts.started(role)

    def set_up_again(self, roles: Sequence[Role]) -> None:
        """Give devices whose ports are back what they may have forgotten, and map their clocks anew."""
        if Role.TRANSMITTER in roles:
            self._set_packet_rate()
        for role in roles:
            self.levels.started_again(role)
            if self._restarts is not None:  # it let go meanwhile: its own sticks ruled
                self._restarts.started(role)
        self.rate.restore()
        self.rest()
        self.outside.put_back(self.rest)
        self.talk.ping_round(PINGS_AT_ENDS, PING_EVERY_NS)

    def _own_rate(self) -> None:
        """Ask once more for the link's own packet rate where it was never confirmed."""
        if not self.rate.is_own:
            self.rate.want(self.link.packet_rate_mhz)

    def rest(self) -> None:
        """Put every stick at rest: throttles closed."""
        self._send_sticks(self.link.rest_us)

    def pause(self) -> None:
        """Put the sticks to rest, with keep-alives, until they must have reached the outputs; then ping."""
        self.rest()
        self.talk.advance(self.bench.now_ns() + max(QUIET_NS, 3 * self.link.packet_period_ns))
        self.talk.ping_round(PINGS_AT_ENDS, PING_EVERY_NS)

    def _send_sticks(self, pulses: tuple[int, ...]) -> None:
        self._may_open(pulses)
        self.sets = self.sets % 0xFFFF + 1
        self.talk.send(Role.TRANSMITTER, m.Sticks(self.sets, pulses))

    def _may_open(self, pulses: tuple[int, ...]) -> int:
        """Wait until somebody holds the space bar, if that is asked for and needed; returns for how long."""
        return 0 if self.hold is None else self.hold.before(pulses)

    # -- playing -------------------------------------------------------------------------------------

    def _play_rounds(self, rounds: Iterable[Sequence[Segment]]) -> End:
        """Play rounds as long as each is complete and another follows."""
        end = End()
        for segments in rounds:
            end = self.play(segments)
            if end.why != "complete":
                break
            self.step = ""
        return end

    def play(self, segments: Sequence[Segment]) -> End:
        """Carry out segments in order; ends early when a wait is missed.

        After an outage that the plan allows, the step that was under way is played again from its start.
        """
        self.awake()
        state = self.showing
        state.begin(segments, self._live_note)
        self.abilities.begin()
        self._at = 0
        while True:
            try:
                return self._play_from(self._at, segments, state)
            except BenchError as error:
                self.replug.survive(error, segments[self._at].step)
                self._at = begin_of_pass(segments, self._at)

    def _play_from(self, first: int, segments: Sequence[Segment], state: Showing) -> End:
        path: str | None = None
        try:
            for index, segment in enumerate(segments[first:], first):
                self._at = index
                if self.abilities.is_out(segment.step):
                    self._end_step(path)
                    path = None
                    self.abilities.tell(segment.step)
                    continue
                if segment.step.path != path or segment.step.action.WORD not in IN_A_ROW:
                    self._end_step(path)
                    path = segment.step.path
                    self._begin_step(segment)
                state.enter(segment, index)
                if not self._play_segment(segment):
                    return self._ended_early(segment)
        finally:
            self._end_step(path)
        return End()

    def _live_note(self) -> str:
        return self.levels.note or self.outside.note or self.trials.note or self.note

    def _ended_early(self, segment: Segment) -> End:
        if self.abilities.trouble:
            return End("step refused", self.abilities.trouble, segment.step.path)
        if self.outside.trouble:
            return End("not switched", self.outside.trouble, segment.step.path)
        if isinstance(segment.step.action, p.Margin):
            return End("margin not measured", self.levels.trouble, segment.step.path)
        if segment.wait is not None:
            return End("wait missed", missed(segment.wait), segment.step.path)
        return End("throttle not at rest", self._throttle.found if self._throttle else "", segment.step.path)

    def _begin_step(self, segment: Segment) -> None:
        step = segment.step
        self.step = step.path
        self.writer.mark(
            self.bench.now_ns(), "step",
            path=step.path, kind=step.action.WORD, name=step.name, title=segment.title,
        )  # fmt: skip

    def _end_step(self, path: str | None) -> None:
        if path is not None:
            self._tell_lateness(path)
            self.writer.mark(self.bench.now_ns(), "step end", path=path)
            self.writer.flush()

    def _tell_lateness(self, path: str) -> None:
        """Write down how late a step's messages left; a virtual bench is never late."""
        late, self.late = self.late, Lateness()
        if late.count + late.left_out and not self.bench.is_virtual:
            self.writer.mark(self.bench.now_ns(), LATENESS, path=path, **late.fields())

    def _play_segment(self, segment: Segment) -> bool:
        """Send a segment's messages at their times; returns False if the run must end here."""
        if segment.own_sticks:
            return self._play_own_sticks(segment)
        if isinstance(segment.step.action, p.LIMIT_STEPS):
            return self._play_trials(segment)
        if isinstance(segment.step.action, p.Margin):
            return self.levels.carry_out(segment.step, self.rest)
        if p.is_outside(segment.step.action):
            return self.outside.carry_out(segment) and not self.abilities.refused()
        start = self.bench.now_ns()
        happened = condition(self.talk, segment.wait)
        for due, following in with_next(segment.due(self.sets)):
            if self._pass_time(start + due.at_ns, segment, happened):
                break
            if self.bench.is_virtual or not superseded(due, following, self.bench.now_ns() - start):
                if type(due.message) is m.Sticks:
                    start += self._may_open(due.message.pulses_us)
                self._send_due(due, segment.step, start)
            else:
                self.late.left_out += 1
        if self._pass_time(start + segment.length_ns, segment, happened) or segment.wait is None:
            return not self.abilities.refused()
        self.writer.mark(
            self.bench.now_ns(), "missed",
            path=segment.step.path, until=segment.wait.until, deadline_ns=segment.wait.deadline_ns,
        )  # fmt: skip
        return False

    def _play_trials(self, segment: Segment) -> bool:
        """Carry out trials one after the other, each decided by the one before; the sticks stay."""
        still = next(segment.due(self.sets)).message.pulses_us
        self.trials.carry_out(segment.step, partial(self._send_sticks, still))
        return True

    def _play_own_sticks(self, segment: Segment) -> bool:
        """Let the transmitter use its own sticks; take them back at once, and return False, if one opens."""
        if self.bench.is_hardware:
            self.observer.say(OWN_STICKS)
        start = self.bench.now_ns()
        watch = self._throttle = ThrottleWatch(self.talk, self.plan)
        try:
            for due in segment.due(self.sets):
                if self.talk.wait_for(watch.tripped, until_ns=start + due.at_ns):
                    break
                self._send_due(due, segment.step, start)
                if due.mark == "release":
                    watch.begin()
            self.talk.wait_for(watch.tripped, until_ns=start + segment.length_ns)
        finally:
            self.talk.on_applied = None
        self.rest()
        return not watch.found  # the end of the run holds the sticks where they are

    def _pass_time(self, until_ns: int, segment: Segment, happened: Condition) -> bool:
        """Advance to `until_ns`; for a wait stop as soon as it is over and return True.

        A run that is late still listens and keeps the devices alive: it never only sends.
        """
        if segment.wait is None:
            if until_ns > self.bench.now_ns() or not self.bench.is_virtual:
                self.talk.advance(until_ns)
            return False
        return self.talk.wait_for(happened, until_ns=until_ns)

    def _send_due(self, due: Due, step: p.PlanStep, start_ns: int) -> None:
        message = due.message
        if due.mark in COMMANDS:
            self.abilities.refused()
            if self.abilities.is_out(step):
                return
        if type(message) is m.Sticks:
            self.sets = message.set_number
        if type(message) is m.Setting and message.setting == m.SettingId.PACKET_RATE_MHZ:
            self.rate.want(message.value)
        else:
            counter = self.talk.send(due.role, message)
            self.abilities.asked(due.role, counter, step, message)
            self.late.note(self.talk.sent_at_ns - start_ns - due.at_ns)
        if due.mark == "cut":
            self.cuts += 1
            self.writer.mark(
                self.bench.now_ns(), "cut",
                number=self.cuts, delay_us=message.delay_us, duration_us=message.duration_us,
                way=cut_word(step.action), path=step.path,
            )  # fmt: skip
        elif due.mark == "restart":
            self.writer.mark(self.bench.now_ns(), "restart", role=due.role)
