"""How is the link cut, or a device restarted, by something beside the devices? Power, or the antenna path.

The sticks are sent and the devices kept alive all the while, also one without power. What was switched off is
switched on again on every way out, after the throttle was put to rest: a bench is left as it was found.
What happened when is marked in the recording, and judged from there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final, Protocol

from harness.abilities import Abilities
from harness.bench.protocol import Bench, Moment, Role, Switched, Target, extra
from harness.clock import MS, S
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.plan import model as p
from harness.recording import RecordingWriter
from harness.timeline import REFRESH_NS, Segment

LOOK_NS: Final = MS
"""How often is looked whether something was switched: the answer's stamp is so much late at most."""
HAND_NS: Final = 120 * S
"""How long is waited for somebody to do what was asked (common practice, no source)."""
FED: Final[Mapping[Target, Role]] = {
    "transmitter power": Role.TRANSMITTER,
    "receiver power": Role.RECEIVER,
}
TAKE: Final[Mapping[Target, str]] = {
    "transmitter power": "take the transmitter's power away",
    "receiver power": "take the receiver's power away",
    "antenna": "open the antenna path",
}
GIVE: Final[Mapping[Target, str]] = {
    "transmitter power": "give the transmitter its power back",
    "receiver power": "give the receiver its power back",
    "antenna": "close the antenna path again",
}

Sticks = tuple[int, ...]


class Hand(Protocol):
    """Somebody at the bench."""

    def ask(self, words: str) -> None:
        """Ask for something, without waiting for it."""
        ...


def target_of(action: p.Cut | p.Restart) -> Target:
    """Return what a step switches off."""
    if isinstance(action, p.Cut):
        return "transmitter power" if action.by == "power" else "antenna"
    return "transmitter power" if action.device is Role.TRANSMITTER else "receiver power"


class Outside:
    """Carries out cuts and restarts from outside on the bench of a conversation."""

    def __init__(
        self,
        talk: Conversation,
        writer: RecordingWriter,
        abilities: Abilities,
        say: Callable[[str], None],
        send_sticks: Callable[[Sticks], None],
    ) -> None:
        self.talk = talk
        self.writer = writer
        self.hand: Hand | None = None
        self.note = ""
        self.trouble = ""
        self._abilities = abilities
        self._say = say
        self._send = send_sticks
        self._bench = switched_bench(talk.bench)
        self._off: list[Target] = []
        self._starts = dict.fromkeys(Role, 0)

    def require(self, steps: Sequence[p.PlanStep], port_name: Callable[[Role], str]) -> None:
        """Leave out, or refuse, what nothing on this bench can switch. Raises BenchError."""
        for step in {step.path: step for step in steps}.values():
            action = step.action
            if not isinstance(action, p.Cut | p.Restart) or not p.is_outside(action):
                continue
            why = self._lacks(target_of(action))
            if why and p.is_optional(action):
                self._abilities.leave_out(step.path, why)
            elif why:
                rig = "give the rig a `line`, a `switch` or `by_hand` for it"
                mend = (
                    rig
                    if self.talk.bench.is_hardware
                    else "use a rig that can: the mock with `switches: true`"
                )
                raise BenchError(
                    f"{why}, which {step.path} needs; write `ability: if present` there, leave the step out, "
                    f"or {mend}",
                    role=Role.TRANSMITTER,
                    port=port_name(Role.TRANSMITTER),
                )

    def _lacks(self, target: Target) -> str:
        means = self._bench.means.get(target) if self._bench is not None else None
        if means is None:
            return f"nothing on this rig can {TAKE[target]}"
        if means == "hand" and self.hand is None:
            return f"somebody must {TAKE[target]}, and nobody is at a terminal to be asked"
        return ""

    def started_again(self, role: Role) -> None:
        """Note that a device started."""
        self._starts[role] += 1

    # -- steps ---------------------------------------------------------------------------------------

    def carry_out(self, segment: Segment) -> bool:
        """Carry out one cut, or all restarts of a step; returns False, with `trouble`, if nobody made it."""
        action = segment.step.action
        sticks = [due.message.pulses_us for due in segment.due(0)]
        self.trouble = ""
        try:
            if isinstance(action, p.Cut):
                lead_ns = segment.length_ns - action.duration_ns - action.after_ns
                return self._once(segment.step, (sticks[0], sticks[-1]), lead_ns, action.duration_ns)
            assert isinstance(action, p.Restart)
            one = partial(self._once, segment.step, (sticks[0], sticks[0]), action.before_ns)
            return all(one(action.unpowered_ns) for _ in range(action.times))
        finally:
            self.note = ""

    def _once(self, step: p.PlanStep, sticks: tuple[Sticks, Sticks], lead_ns: int, off_ns: int) -> bool:
        """Switch off and on once, with the sticks elsewhere from the middle on."""
        action, (before, after) = step.action, sticks
        assert isinstance(action, p.Cut | p.Restart)
        if self._abilities.is_out(step):
            return True
        target = target_of(action)
        self._show(before, lead_ns)
        if not self._switch(step, target, before, on=False):
            return self._left_out(step)
        self._show(before, off_ns // 2)
        self._show(after, off_ns - off_ns // 2)
        if target in FED:
            self.talk.end_piece(FED[target])  # what it was saying as its power went
        starts = dict(self._starts)
        if not self._switch(step, target, after, on=True):
            return self._left_out(step)
        self._await_boot(target, after, starts)
        self._show(after, action.after_ns)
        return True

    def _left_out(self, step: p.PlanStep) -> bool:
        """Leave out the rest of a step that may be missing; any other ends the run."""
        if not p.is_optional(step.action):
            return False
        self._abilities.leave_out(step.path, self.trouble)
        self._abilities.tell(step)
        self.trouble = ""
        return True

    def _show(self, sticks: Sticks, for_ns: int, happened: Callable[[], bool] = lambda: False) -> bool:
        """Hold the sticks for a time, sent again and again; returns whether it happened meanwhile."""
        until_ns = self.talk.bench.now_ns() + for_ns
        while True:
            self._send(sticks)
            slice_ns = min(self.talk.bench.now_ns() + REFRESH_NS, until_ns)
            if self.talk.wait_for(happened, until_ns=slice_ns):
                return True
            if self.talk.bench.now_ns() >= until_ns:
                return False

    def _await_boot(self, target: Target, sticks: Sticks, starts: Mapping[Role, int]) -> None:
        """Give a device that has power again the time that the rig says to boot."""
        role = FED.get(target)
        if role is not None and self._bench is not None:
            self._show(sticks, self._bench.boots_ns, lambda: self._starts[role] > starts[role])

    # -- switching -----------------------------------------------------------------------------------

    def _switch(self, step: p.PlanStep, target: Target, sticks: Sticks, *, on: bool) -> bool:
        """Switch, wait for it, and mark when; returns False, with `trouble`, if nobody did it."""
        assert self._bench is not None
        by_hand = self._bench.means[target] == "hand"
        moment = self._by_hand(target, sticks, on=on) if by_hand else self._by_bench(target, on=on)
        if moment is None:
            return False
        self._mark(step.path, step.action.WORD, target, moment, on=on)
        if on and target in self._off:
            self._off.remove(target)
        return True

    def _mark(self, path: str, kind: str, target: Target, moment: Moment, *, on: bool) -> None:
        assert self._bench is not None
        now_ns = self.talk.bench.now_ns()
        self.writer.mark(
            now_ns, "switched",
            path=path, step=kind, what=target, means=self._bench.means[target], on=on,
            earliest_ago_ns=now_ns - moment.earliest_ns, latest_ago_ns=now_ns - moment.latest_ns,
            boots_ns=self._bench.boots_ns,
        )  # fmt: skip

    def _by_bench(self, target: Target, *, on: bool) -> Moment | None:
        bench = self._bench
        assert bench is not None
        if not on and target not in self._off:
            self._off.append(target)
        bench.switch(target, on=on)
        found: list[Moment] = []

        def happened() -> bool:
            moment = bench.switched(target)
            found.extend([moment] if moment is not None else [])
            return bool(found)

        until_ns = self.talk.bench.now_ns() + bench.patience_ns
        if not self.talk.wait_for(happened, until_ns=until_ns, slice_ns=LOOK_NS):
            self.trouble = f"the bench did not say that it could {(GIVE if on else TAKE)[target]}"
        return found[0] if found else None

    def _by_hand(self, target: Target, sticks: Sticks, *, on: bool) -> Moment | None:
        """Ask for it, and wait for what the data show of it."""
        assert self.hand is not None
        words = (GIVE if on else TAKE)[target]
        asked_ns = self.talk.bench.now_ns()
        starts = self._starts.copy()
        if not on:
            self._off.append(target)
        self.note = words
        self.hand.ask(f"{words}, propellers still off")
        seen = partial(self._is_back, target, asked_ns, starts) if on else partial(self._is_gone, asked_ns)
        if self._show(sticks, HAND_NS, seen):
            return Moment(asked_ns, self.talk.bench.now_ns())
        self.trouble = f"asked to {words}, and the data showed nothing of it within {HAND_NS // S} s"
        return None

    def _is_gone(self, asked_ns: int) -> bool:
        """Whether no packet has come for a while, all of it since it was asked for."""
        last_ns = max(asked_ns, self.talk.applied_at_ns or 0)
        return self.talk.bench.now_ns() - last_ns >= self.talk.linked_for_ns

    def _is_back(self, target: Target, asked_ns: int, starts: Mapping[Role, int]) -> bool:
        last_ns, role = self.talk.applied_at_ns, FED.get(target)
        started = role is not None and self._starts[role] > starts[role]
        return started or (last_ns is not None and last_ns > asked_ns)

    # -- the way out ---------------------------------------------------------------------------------

    def put_back(self, rest: Callable[[], None]) -> None:
        """Switch on again what a step left off, and give devices time to boot, with the sticks at rest."""
        for target in self._off.copy():
            starts = dict(self._starts)
            self.blindly(target)
            if target in self._off or self._bench is None:
                continue
            self._confirm(target)
            if target in FED:
                role, until_ns = FED[target], self.talk.bench.now_ns() + self._bench.boots_ns
                while self._starts[role] <= starts[role] and self.talk.bench.now_ns() < until_ns:
                    rest()
                    self.talk.advance(min(until_ns, self.talk.bench.now_ns() + REFRESH_NS))

    def _confirm(self, target: Target) -> None:
        """Wait until something is on again, and mark when; says so if that is not confirmed."""
        bench = self._bench
        assert bench is not None
        if bench.means[target] == "hand":
            return
        found: list[Moment] = []

        def happened() -> bool:
            try:
                moment = bench.switched(target)
            except BenchError as error:
                self._say_not_back(target, error)
                return True
            found.extend([moment] if moment is not None else [])
            return bool(found)

        until_ns = self.talk.bench.now_ns() + bench.patience_ns
        self.talk.wait_for(happened, until_ns=until_ns, slice_ns=LOOK_NS)
        if found:
            self._mark("", "end", target, found[0], on=True)

    def _say_not_back(self, target: Target, error: BenchError) -> None:
        self._say(f"the bench could not {GIVE[target]}: {error}; do it by hand")

    def blindly(self, target: Target) -> None:
        """Switch something on without waiting for it; says so if that cannot be done."""
        assert self._bench is not None
        try:
            if self._bench.means[target] == "hand":
                if self.hand is not None:
                    self.hand.ask(GIVE[target])
            else:
                self._bench.switch(target, on=True)
        except BenchError as error:
            self._say_not_back(target, error)
        else:
            self._off.remove(target)

    def last_calls(self) -> list[Callable[[], object]]:
        """Return what to do, without waiting, when everything else is over and something is still off."""
        return [partial(self.blindly, target) for target in self._off]


def switched_bench(bench: Bench) -> Switched | None:
    """Return the bench as one on which something can be switched, None if it is not."""
    switched = extra(bench, Switched)
    return switched if switched is not None and switched.means else None
