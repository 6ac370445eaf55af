"""How is a link weakened level by level, and put back? By the transmitter's power, or by a hand.

The sticks are at rest all the while, and the devices are kept alive, also while somebody turns an attenuator.
A power that the transmitter has not got is left out. However the step ends, the transmitter is asked for its
normal power again, and a hand to put the attenuator back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Protocol

from harness.bench.protocol import WITHOUT_POWER, Attenuated, Bench, Role, extra
from harness.clock import S
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.plan import model as p
from harness.plan.extent import LEVEL_SETTLE_NS, level_ns
from harness.plan.units import format_decibel
from harness.recording import RecordingWriter
from harness.timeline import REFRESH_NS

BUSY_TRIES: Final = 5
BUSY_FOR_NS: Final = S // 5


class Hand(Protocol):
    """Somebody who turns an attenuator."""

    def turn(self, attenuation_x10: int) -> None:
        """Ask for an attenuation, in tenths of a dB."""
        ...

    def is_done(self) -> bool:
        """Return whether it was turned as asked."""
        ...

    def put_back(self, attenuation_x10: int) -> None:
        """Ask for it a last time, without waiting for it."""
        ...


class SimulatedHand:
    """Turns a simulated attenuator at once."""

    def __init__(self, bench: Attenuated) -> None:
        self._bench = bench

    def turn(self, attenuation_x10: int) -> None:
        """Turn it."""
        self._bench.turn_attenuator(attenuation_x10)

    put_back = turn

    def is_done(self) -> bool:
        """Return True: it was turned at once."""
        return True


class Levels:
    """Carries out margin steps on the bench of a conversation."""

    def __init__(
        self, talk: Conversation, writer: RecordingWriter, link: p.Link, say: Callable[[str], None]
    ) -> None:
        self.talk = talk
        self.writer = writer
        self.link = link
        self.say = say
        self.hand: Hand | None = simulated_hand(talk.bench)
        self.note = ""
        self.trouble = ""
        self._power_x10: int | None = None
        self._undo: p.Margin | None = None
        self._told = False

    def require(self, steps: Sequence[p.PlanStep], port: str) -> None:
        """Refuse a margin step that this bench cannot carry out. Raises BenchError."""
        for step in steps:
            if isinstance(step.action, p.Margin):
                self._require(step.action, step.path, port)

    def _require(self, action: p.Margin, path: str, port: str) -> None:
        identity = self.talk.ports[Role.TRANSMITTER].identity
        assert identity is not None
        if action.by == "power" and not identity.abilities & m.Ability.SET_POWER:
            mend = self.talk.bench.facts.get(WITHOUT_POWER, "build the firmware with that ability")
            raise BenchError(
                "the transmitter's firmware says that it cannot set its transmit power, which "
                f"{path} needs; write `by: hand` there and put an attenuator between the modules, leave the "
                f"step out, or {mend}",
                role=Role.TRANSMITTER,
                port=port,
            )
        if action.by == "hand" and self.hand is None:
            why = "run it from a terminal, where Enter can be pressed after each turn"
            if self.talk.bench.is_virtual:
                why = "give the simulated rig a `distance`, which brings an attenuator with it"
            raise BenchError(
                f"{path} needs somebody to turn an attenuator, and nobody is there; {why}",
                role=Role.TRANSMITTER,
                port=port,
            )

    def carry_out(self, step: p.PlanStep, rest: Callable[[], None]) -> bool:
        """Go through the levels of a margin step; `rest` puts every stick at rest.

        Returns False, with `trouble` in words, if the transmitter has not got the normal power, or nobody
        turned the attenuator in time.
        """
        action = step.action
        assert isinstance(action, p.Margin)
        self.trouble = ""
        if action.by == "power" and self._ask(action.normal) is not m.Result.DONE:
            normal = format_decibel(action.normal, "dBm")
            self.trouble = f"the transmitter did not take its normal power of {normal}; write one that it has"
            return False
        self._undo = action
        try:
            for level_x10 in action.levels_x10:
                if not self._take(step.path, action, level_x10, rest):
                    if self.trouble:
                        return False
                    continue
                if self._measure(step.path, action, level_x10, rest) < action.until_under:
                    break
            self.put_back()
        finally:
            self.note = ""
        return True

    def put_back(self) -> None:
        """Bring the link back to its normal level, if a step weakened it.

        A power that was not confirmed stays to be put back: it is asked for again at the end of the run.
        """
        action = self._undo
        if action is None:
            return
        self._power_x10 = None
        if action.by == "hand":
            if self.hand is not None:
                self.hand.put_back(action.normal)
            self._undo = None
        elif Role.TRANSMITTER in self.talk.alive:
            if self._ask(action.normal) is m.Result.DONE:
                self._undo = None
            elif not self._told:
                self._told = True
                self.say(f"the transmitter did not confirm {self._words(action, action.normal)}: restart it")

    def last_calls(self) -> list[Callable[[], object]]:
        """Return what to send, without waiting, when everything else is over and the link is still weak."""
        action = self._undo
        if action is None:
            return []
        if action.by == "hand":
            return [self.put_back]
        message = m.Setting(m.SettingId.POWER_DBM_X10, action.normal)
        return [lambda: self.talk.send(Role.TRANSMITTER, message)]

    def started_again(self, role: Role) -> None:
        """Give a transmitter that restarted its power again."""
        if role is Role.TRANSMITTER and self._power_x10 is not None:
            self.talk.send(role, m.Setting(m.SettingId.POWER_DBM_X10, self._power_x10))

    # -- one level -----------------------------------------------------------------------------------

    def _take(self, path: str, action: p.Margin, level_x10: int, rest: Callable[[], None]) -> bool:
        """Bring the link to a level; returns False if it cannot be had, with `trouble` if nobody did it."""
        self.note = self._words(action, level_x10)
        if action.by == "hand":
            assert self.hand is not None
            self.hand.turn(level_x10)
            until_ns = self.talk.bench.now_ns() + action.patience_ns
            if self._pass_time(until_ns, rest, self.hand.is_done):
                return True
            waited = f"{action.patience_ns / S:g} s"
            self.trouble = f"nobody said within {waited} that the attenuator is at {level_x10 / 10:g} dB"
            return False
        result = self._ask(level_x10)
        if result is m.Result.DONE:
            self._power_x10 = level_x10
            return True
        self.writer.mark(self.talk.bench.now_ns(), "level refused", path=path, level_x10=level_x10)
        why = "did not reply when asked for" if result is None else "has no power of"
        self.say(f"the transmitter {why} {format_decibel(level_x10, 'dBm')}: left out")
        return False

    def _measure(self, path: str, action: p.Margin, level_x10: int, rest: Callable[[], None]) -> float:
        """Stay at a level for its packets, and return the share of them that came through, roughly."""
        start_ns = self.talk.bench.now_ns()
        self.writer.mark(
            start_ns, "level", path=path, by=action.by, level_x10=level_x10, settle_ns=LEVEL_SETTLE_NS
        )
        self._pass_time(start_ns + LEVEL_SETTLE_NS, rest)
        sent, applied = self.talk.sent, self.talk.applied
        self._pass_time(start_ns + level_ns(action, self.link), rest)
        self.writer.mark(self.talk.bench.now_ns(), "level end", path=path, level_x10=level_x10)
        sent, applied = self.talk.sent - sent, self.talk.applied - applied
        return applied / sent if sent else 1.0

    def _pass_time(
        self, until_ns: int, rest: Callable[[], None], happened: Callable[[], bool] = lambda: False
    ) -> bool:
        """Let time pass with the sticks at rest, sent again and again; returns whether it happened."""
        while True:
            rest()
            slice_ns = min(self.talk.bench.now_ns() + REFRESH_NS, until_ns)
            if self.talk.wait_for(happened, until_ns=slice_ns, slice_ns=REFRESH_NS // 10):
                return True
            if self.talk.bench.now_ns() >= until_ns:
                return False

    def _ask(self, power_x10: int) -> m.Result | None:
        """Ask the transmitter for a power; returns DONE, OUT_OF_RANGE, or None if it never says either."""
        for _ in range(BUSY_TRIES):
            reply = self.talk.ask(Role.TRANSMITTER, m.Setting(m.SettingId.POWER_DBM_X10, power_x10))
            if reply is None:
                return None
            if reply.result in (m.Result.DONE, m.Result.OUT_OF_RANGE):
                return m.Result(reply.result)
            self.talk.advance(self.talk.bench.now_ns() + BUSY_FOR_NS)
        return None

    @staticmethod
    def _words(action: p.Margin, level_x10: int) -> str:
        what = "attenuator at" if action.by == "hand" else "transmit power"
        return f"{what} {format_decibel(level_x10, action.unit)}"


def simulated_hand(bench: Bench) -> Hand | None:
    """Return the hand of a simulated bench that has an attenuator."""
    attenuated = extra(bench, Attenuated)
    if attenuated is not None and attenuated.has_attenuator:
        return SimulatedHand(attenuated)
    return None
