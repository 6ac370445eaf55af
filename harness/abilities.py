"""Can the firmware do what a step needs? Refused before anything moves, or left out and named as not shown.

What a device says of itself is not all: one that can disturb need not know every way of it. So the replies to
such commands are looked at too, and what was refused is not asked for again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple

from harness.bench.protocol import Role
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.devices.telling import Telling, from_facts
from harness.errors import BenchError
from harness.plan import model as p


class Need(NamedTuple):
    """A message that a step sends to a device; `key` is the key of the step that asks for it, if any."""

    role: Role
    kind: type[m.Message]
    key: str = ""


_TELL: Final = MappingProxyType(
    {
        m.Sticks: "sticks",
        m.Burst: "burst",
        m.Silence: "silence",
        m.Restart: "restart",
        m.Setting: "packet_rate",
    }
)
"""The rig's templates under `tell` for a device that does not speak the bench protocol."""


def _no_template(need: Need, path: str, mend: str, telling: Telling) -> str:
    """Return why a device that does not speak the bench protocol cannot do what a step needs."""
    start = f"nothing in the rig makes the {need.role}, which speaks {telling.speaks}, "
    needed = f"{_ABILITY[need.kind][1]}, which {path} needs; {mend}"
    key = _TELL.get(need.kind)
    if key is None:
        return f"{start}{needed}leave the step out: that takes firmware with the bench protocol"
    if key == "restart":
        key += "` and a pattern `started"
    other = ", name another way to cut the link in the rig (`cut: {by: ...}`)" if key == "silence" else ""
    return f"{start}{needed}add the template `{need.role}.tell.{key}`{other}, or leave the step out"


class _Asked(NamedTuple):
    """A command under way whose reply may be a refusal."""

    role: Role
    counter: int
    kind: int
    step: p.PlanStep


_ABILITY: Final = MappingProxyType(
    {
        m.Sticks: (m.Ability.STICKS, "take stick positions from the bench"),
        m.Burst: (m.Ability.BURST, "send bursts"),
        m.Silence: (m.Ability.SILENCE, "be silent for a link cut"),
        m.Disturb: (m.Ability.DISTURB, "send packets that are wrong, old or another transmitter's"),
        m.Deafen: (m.Ability.DEAFEN, "throw away what its module receives"),
        m.MuteAcks: (m.Ability.MUTE_ACKS, "leave packets unacknowledged"),
        m.Inject: (m.Ability.INJECT, "take injected telemetry"),
        m.Restart: (m.Ability.RESTART, "restart on command"),
        m.RestartAt: (m.Ability.RESTART_AT, "restart with its counters near their wraps"),
        m.Setting: (m.Ability.SET_PACKET_RATE, "change its packet rate"),
    }
)
_BY: Final = MappingProxyType(
    {
        "silence": Need(Role.TRANSMITTER, m.Silence),
        "corrupted": Need(Role.TRANSMITTER, m.Disturb, "by"),
        "foreign": Need(Role.TRANSMITTER, m.Disturb, "by"),
        "repeated": Need(Role.TRANSMITTER, m.Disturb, "by"),
        "deaf": Need(Role.RECEIVER, m.Deafen, "by"),
    }
)
_ALWAYS: Final = MappingProxyType(
    {
        p.Burst: Need(Role.TRANSMITTER, m.Burst),
        p.Fade: Need(Role.TRANSMITTER, m.Silence),
        p.Mute: Need(Role.RECEIVER, m.MuteAcks),
        p.Interfere: Need(Role.TRANSMITTER, m.Disturb),
        p.Inject: Need(Role.RECEIVER, m.Inject),
        p.FindThroughput: Need(Role.TRANSMITTER, m.Setting),
        p.FindBackToBack: Need(Role.TRANSMITTER, m.Burst),
        p.Overload: Need(Role.TRANSMITTER, m.Setting),
    }
)
REFUSABLE: Final = (m.Disturb, m.Deafen, m.RestartAt, m.MuteAcks)
"""Commands of which firmware may know some and not others."""
KEPT: Final = 16
"""Commands whose replies are still waited for; more are missing only where the serial line loses them."""
_REFUSED: Final = MappingProxyType(
    {m.Result.UNKNOWN: "does not know the command", m.Result.OUT_OF_RANGE: "does not do this"}
)


def needs_of(action: p.StepAction) -> Iterator[Need]:
    """Yield what a step needs of the devices' firmware; a `repeat` needs nothing by itself."""
    match action:
        case p.Cut() | p.Restart() if p.is_outside(action):
            return
        case p.Cut():
            yield _BY[action.by]
            if action.burst:
                yield Need(Role.TRANSMITTER, m.Burst, "burst")
            if action.packet_rate_mhz:
                yield Need(Role.TRANSMITTER, m.Setting, "packet_rate")
        case p.Restart():
            yield Need(action.device, _restart_kind(action))
            if action.silent_ns:
                yield Need(Role.TRANSMITTER, m.Silence, "silent")
        case _ if type(action) in _ALWAYS:
            yield _ALWAYS[type(action)]


def _restart_kind(action: p.Restart) -> type[m.Message]:
    counters = action.clock_wraps_in_ns, action.packets_wrap_in
    return m.Restart if counters == (None, None) else m.RestartAt


class Abilities:
    """What the devices of a conversation can do, as they say and as they reply; steps left out by path."""

    def __init__(self, talk: Conversation, say: Callable[[str], None]) -> None:
        self.talk = talk
        self._say = say
        self._out: dict[str, str] = {}
        self._told: set[str] = set()
        self._marked: set[str] = set()
        self._asked: list[_Asked] = []
        self.trouble = ""

    def require(self, steps: Sequence[p.PlanStep], port_name: Callable[[Role], str]) -> None:
        """Refuse before anything moves what the firmware says that it cannot do. Raises BenchError.

        A step with `ability: if present` is left out instead; so are injections and bursts that a device
        without the bench protocol has no words for, since the checks that they serve say so themselves.
        """
        self._require(Need(Role.TRANSMITTER, m.Sticks), "every plan", "", port_name)
        for step in {step.path: step for step in steps}.values():
            needs = tuple(needs_of(step.action))
            if p.is_optional(step.action) or self._may_go(step, needs):
                lacking = next((need for need in needs if not self._can(need)), None)
                if lacking is not None:
                    self._out[step.path] = self._lacking_words(lacking)
                continue
            for need in needs:
                path = f"{step.path} with `{need.key}`" if need.key else step.path
                mend = "write `ability: if present` there, " if hasattr(step.action, "ability") else ""
                self._require(need, path, mend, port_name)

    def _lacking_words(self, need: Need) -> str:
        words, telling = _ABILITY[need.kind][1], from_facts(self.talk.bench.facts, need.role)
        if telling is None:
            return f"the {need.role}'s firmware says that it cannot {words}"
        return f"nothing in the rig makes the {need.role}, which speaks {telling.speaks}, {words}"

    def _may_go(self, step: p.PlanStep, needs: tuple[Need, ...]) -> bool:
        """Return whether a step that a device without the bench protocol cannot do may be left out."""
        facts = self.talk.bench.facts
        translated = any(from_facts(facts, need.role) is not None for need in needs if not self._can(need))
        return translated and isinstance(step.action, p.Inject | p.Burst)

    def _require(self, need: Need, path: str, mend: str, port_name: Callable[[Role], str]) -> None:
        if self._can(need):
            return
        telling = from_facts(self.talk.bench.facts, need.role)
        if telling is not None:
            raise BenchError(
                _no_template(need, path, mend, telling), role=need.role, port=port_name(need.role)
            )
        raise BenchError(
            f"the {need.role}'s firmware says that it cannot {_ABILITY[need.kind][1]}, which {path} needs; "
            f"{mend}leave the step out or build the firmware with that ability",
            role=need.role,
            port=port_name(need.role),
        )

    def _can(self, need: Need) -> bool:
        identity = self.talk.ports[need.role].identity
        assert identity is not None
        return bool(identity.abilities & _ABILITY[need.kind][0])

    def is_out(self, step: p.PlanStep) -> bool:
        """Return whether a step, or what is left of it, is left out."""
        return step.path in self._out

    def leave_out(self, path: str, why: str) -> None:
        """Leave out a step, or what is left of it, for a reason that no firmware tells."""
        self._out.setdefault(path, why)

    def begin(self) -> None:
        """Begin to play steps: each that is left out is marked once while they are played."""
        self._marked.clear()

    def tell(self, step: p.PlanStep) -> None:
        """Mark a step that is left out as skipped, and say so once."""
        if step.path in self._marked:
            return
        self._marked.add(step.path)
        why, at_ns = self._out[step.path], self.talk.bench.now_ns()
        self.talk.writer.mark(at_ns, "skipped", path=step.path, name=step.name, why=why)
        if step.path not in self._told:
            self._told.add(step.path)
            self._say(f"{step.name} ({step.path}) is left out, so it is not shown: {why}")

    def asked(self, role: Role, counter: int, step: p.PlanStep, message: object) -> None:
        """Note a command whose reply is worth a look."""
        if isinstance(message, REFUSABLE):
            self._asked.append(_Asked(role, counter, message.TYPE, step))

    def refused(self) -> bool:
        """Look at the replies; returns whether a step that must be carried out was refused (`trouble`)."""
        waiting = []
        for asked in self._asked:
            reply = self.talk.ports[asked.role].replies.get(asked.counter)
            if reply is None or reply.command != asked.kind:
                waiting.append(asked)
            elif reply.result in _REFUSED:
                self._refuse(asked.step, f"the {asked.role} {_REFUSED[m.Result(reply.result)]}")
        self._asked = waiting[-KEPT:]
        return bool(self.trouble)

    def _refuse(self, step: p.PlanStep, why: str) -> None:
        if not p.is_optional(step.action):
            self.trouble = f"{why}; write `ability: if present` in {step.path}, or leave it out"
        elif step.path not in self._out:
            self._out[step.path] = why
            self.tell(step)
