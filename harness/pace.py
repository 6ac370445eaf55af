"""Did the transmitter take the packet rate that it was asked for? It is asked until it says so.

One damaged command must not leave a transmitter at the wrong rate: a rate is asked for until it is confirmed,
a bounded number of times, and what was never confirmed is told.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.conversation import Conversation

AGAIN_NS: Final = 100 * MS
"""A command without a reply for so long is sent once more."""
ASKS: Final = 10
"""So often without waiting for the reply."""
RESTORES: Final = 3
"""Rounds of asking for the link's own rate and waiting for the reply."""
BUSY_FOR_NS: Final = S // 5


class PacketRate:
    """The transmitter's packet rate in a conversation; rates are in packets per 1000 s (mHz).

    `wanted_mhz` is the rate that it should be at, and is asked for again after it restarted.
    """

    def __init__(self, talk: Conversation, own_mhz: int, say: Callable[[str], None]) -> None:
        self.talk = talk
        self.own_mhz = own_mhz
        self.wanted_mhz = own_mhz
        self._say = say
        self._sure = True
        self._asked: list[int] = []
        self._asked_ns = 0
        self._told = False
        talk.on_alive = self._again

    @property
    def is_own(self) -> bool:
        """Whether the transmitter is known to be at the link's own rate."""
        self._look()
        return self._sure and self.wanted_mhz == self.own_mhz

    def want(self, rate_mhz: int) -> None:
        """Ask for a rate without waiting, and again with the keep-alives until it is confirmed."""
        self.wanted_mhz, self._sure, self._asked = rate_mhz, False, []
        self._send()

    def ask(self, rate_mhz: int) -> m.Reply | None:
        """Ask for a rate and wait for the reply; None if none came, and nobody knows the rate then."""
        self._look()
        before, self._sure, self._asked = self._sure, False, []
        reply = self.talk.ask(Role.TRANSMITTER, _setting(rate_mhz))
        if reply is not None and reply.result == m.Result.DONE:
            self.wanted_mhz, self._sure = rate_mhz, True
        elif reply is not None:
            self._sure = before
        return reply

    def restore(self) -> bool:
        """Bring the link's own rate back and wait for it; returns whether the transmitter confirmed it."""
        if self._asked and self.wanted_mhz == self.own_mhz:  # the reply may be on its way
            self.talk.wait_for(lambda: self.is_own, until_ns=self._asked_ns + AGAIN_NS)
        for _ in range(RESTORES):
            if self.is_own:
                return True
            reply = self.ask(self.own_mhz)
            if reply is not None and reply.result == m.Result.BUSY:
                self.talk.advance(self.talk.bench.now_ns() + BUSY_FOR_NS)
        if not self.is_own:
            self._tell(self.own_mhz)
        return self.is_own

    def started_again(self, role: Role) -> None:
        """Ask a transmitter that restarted, and is back at the rate it starts with, for the wanted one."""
        identity = self.talk.ports[role].identity
        if role is Role.TRANSMITTER and identity and identity.packet_rate_mhz != self.wanted_mhz:
            self.want(self.wanted_mhz)

    def _send(self) -> None:
        self._asked_ns = self.talk.bench.now_ns()
        self._asked.append(self.talk.send(Role.TRANSMITTER, _setting(self.wanted_mhz)))

    def _again(self) -> None:
        """Send a command once more whose reply is overdue."""
        self._look()
        overdue = self.talk.bench.now_ns() - self._asked_ns >= AGAIN_NS
        if not self._asked or not overdue or Role.TRANSMITTER not in self.talk.alive:
            return
        if len(self._asked) < ASKS:
            self._send()
        else:
            self._asked = []
            self._tell(self.wanted_mhz)

    def _look(self) -> None:
        """Take in the reply to what was asked without waiting."""
        replies = self.talk.ports[Role.TRANSMITTER].replies
        for counter in self._asked:
            reply = replies.get(counter)
            if reply is None or reply.command != m.Setting.TYPE or reply.result == m.Result.BUSY:
                continue
            self._asked = []
            self._sure = reply.result == m.Result.DONE
            if not self._sure:
                self._tell(self.wanted_mhz)
            return

    def _tell(self, rate_mhz: int) -> None:
        """Note, and say once, that a rate was never confirmed."""
        self.talk.writer.mark(self.talk.bench.now_ns(), "packet rate not confirmed", rate_mhz=rate_mhz)
        if not self._told:
            self._told = True
            self._say(
                f"the transmitter did not confirm {rate_mhz / 1000:g} packets a second: "
                "restart it after the run, for it may go on at another rate"
            )


def _setting(rate_mhz: int) -> m.Setting:
    return m.Setting(m.SettingId.PACKET_RATE_MHZ, rate_mhz)
