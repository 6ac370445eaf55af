"""What if a port goes away in the middle of a run? It is marked, and with `safety.replug_within` waited for.

Meanwhile the sticks are at rest through the transmitter's port, or by its dead-man if that is the one that is
gone. A port that comes back by its own name is opened again; the device on it must be the same. What was
under way is then played again from the start of its step; `harness.measure.outages` excuses the gap.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Protocol

from harness.bench.protocol import Bench, Replugged, Role, extra
from harness.clock import MS, S
from harness.codec.messages import Identity
from harness.conversation import Conversation
from harness.errors import BenchError
from harness.plan import model as p
from harness.recording import RecordingWriter

TRY_EVERY_NS: Final = 250 * MS
"""A name is looked for so often; a USB adapter takes about a second to be there again (common practice)."""
LINK_BACK_NS: Final = 5 * S
"""A link that was up may take so long to be up again before the step is played again all the same."""
NOT_AGAIN: Final = (*p.LIMIT_STEPS, p.Margin, p.OwnSticks)
"""Steps that search, or leave the sticks to somebody: they are not played again."""
SAME: Final = ("role", "firmware", "version", "serial", "channels", "protocol")
"""What must be as before in the identity of a device that is back."""


class Playing(Protocol):
    """What is asked of the runner while a port is away."""

    talk: Conversation
    bench: Bench
    writer: RecordingWriter
    plan: p.Plan

    def identify(self, role: Role) -> None:
        """Ask a device who it is; raises BenchError."""
        ...

    def rest(self) -> None:
        """Put every stick at rest."""
        ...

    def set_up_again(self, roles: Sequence[Role]) -> None:
        """Give devices that are back what they may have forgotten, and ping them."""
        ...


class Replug:
    """Waits for ports that are gone. `refused` are ports on which another device came back."""

    def __init__(self, runner: Playing, say: Callable[[str], None]) -> None:
        self._runner = runner
        self._say = say
        self.refused: set[Role] = set()
        self._away: set[Role] = set()

    def survive(self, error: BenchError, step: p.PlanStep) -> None:
        """Mark that a port is gone and wait until it is back.

        Raises the error if the plan or the bench cannot wait, BenchError if the port does not come back in
        time or leads to another device.
        """
        role = self.note_gone(error, step.path)
        within_ns = self._runner.plan.safety.replug_within_ns
        ports = extra(self._runner.bench, Replugged)
        if role is None or within_ns is None or ports is None:
            raise error
        if isinstance(step.action, NOT_AGAIN):
            raise _again(error, f"and a {step.action.WORD} step is not played again") from error
        self._say(f"{error}; the run goes on if it is back within {within_ns / S:g} s")
        waiting = _Waiting(self._runner, ports, self.refused, self.note_gone, step.path)
        waiting.wait(role, error, within_ns)
        self._away.clear()
        self._say(f"every port is back, with the same devices: {step.path} is played again")

    def note_gone(self, error: BenchError, path: str) -> Role | None:
        """Mark that a port is gone, once each time; returns whose, None if nobody knows."""
        roles = [role for role in self._runner.talk.ports if role == error.role]
        if not roles:
            return None
        self._runner.talk.alive.discard(roles[0])
        if roles[0] in self._away:
            return roles[0]
        self._away.add(roles[0])
        now_ns = self._runner.bench.now_ns()
        self._runner.writer.mark(
            now_ns, "port gone", role=error.role, port=error.port, detail=str(error), path=path
        )
        self._runner.writer.flush()
        return roles[0]


class _Waiting:
    """One wait, for one port or several."""

    def __init__(
        self,
        runner: Playing,
        ports: Replugged,
        refused: set[Role],
        note_gone: Callable[[BenchError, str], Role | None],
        path: str,
    ) -> None:
        self._runner = runner
        self._talk = runner.talk
        self._ports = ports
        self._refused = refused
        self._note_gone = note_gone
        self._path = path
        self._missing: dict[Role, BenchError] = {}
        self._known = {role: port.identity for role, port in self._talk.ports.items()}

    def wait(self, role: Role, error: BenchError, within_ns: int) -> None:
        """Return when every port is back and everything is set up again; raises BenchError."""
        was_linked = self._talk.applied_at_ns is not None
        until_ns = self._runner.bench.now_ns() + within_ns
        self._missing[role] = error
        back: list[Role] = []
        while self._missing:
            if self._runner.bench.now_ns() >= until_ns:
                raise self._too_late(within_ns)
            try:
                self._pass_time()
                back += [one for one in list(self._missing) if self._is_back(one)]
                if not self._missing:
                    self._go_on(back, linked=was_linked)
            except BenchError as other:
                self._lost_too(other)

    def _pass_time(self) -> None:
        until_ns = self._runner.bench.now_ns() + TRY_EVERY_NS
        if self._talk.stop_requested():
            raise KeyboardInterrupt
        if not self._talk.alive:
            self._ports.wait(until_ns)
            self._talk.watch()
            return
        if Role.TRANSMITTER in self._talk.alive:
            self._runner.rest()
        self._talk.advance(until_ns)

    def _lost_too(self, error: BenchError) -> None:
        """Wait for another port, or again for one that came back for a moment."""
        if self._refused:
            raise error
        known = error.role in self._missing
        role = Role(error.role) if known else self._note_gone(error, self._path)
        if role is None:
            raise error
        self._talk.alive.discard(role)
        self._missing[role] = error

    def _is_back(self, role: Role) -> bool:
        """Open a port again and ask its device who it is; returns whether it is the one from before."""
        try:
            self._ports.reopen(role)
            self._talk.come_back(role)
            self._runner.identify(role)
        except BenchError as error:
            if error.role != role:
                raise
            self._talk.alive.discard(role)
            self._missing[role] = error
            return False
        self._require_same(role)
        del self._missing[role]
        return True

    def _require_same(self, role: Role) -> None:
        before, now = self._known[role], self._talk.ports[role].identity
        assert before is not None
        assert now is not None
        other = [word for word in SAME if getattr(before, word) != getattr(now, word)]
        if not other:
            return
        self._refused.add(role)
        self._talk.alive.discard(role)
        error = self._missing[role]
        raise _again(error, f"and what came back is another device: {_differences(before, now, other)}")

    def _go_on(self, back: Sequence[Role], *, linked: bool) -> None:
        """Set everything up, let the link come up again, and mark which ports are back."""
        self._runner.set_up_again(back)
        bench = self._runner.bench
        if linked:
            until_ns = bench.now_ns() + LINK_BACK_NS
            self._talk.wait_for(lambda: self._talk.link_state == "linked", until_ns=until_ns)
        for role in dict.fromkeys(back):
            self._runner.writer.mark(bench.now_ns(), "port back", role=role, path=self._path)
        self._runner.writer.flush()

    def _too_late(self, within_ns: int) -> BenchError:
        error = next(iter(self._missing.values()))
        return _again(error, f"and it did not come back within {within_ns / S:g} s (safety.replug_within)")


def _again(error: BenchError, words: str) -> BenchError:
    return BenchError(f"{error}; {words}", role=error.role, port=error.port, at_ns=error.at_ns)


def _differences(before: Identity, now: Identity, words: Sequence[str]) -> str:
    """Tell what differs; strings of devices are cut and escaped."""
    return ", ".join(f"{word} {_told(before, word)} was, {_told(now, word)} is" for word in words)


def _told(identity: Identity, word: str) -> str:
    return ascii(getattr(identity, word))[:40]
