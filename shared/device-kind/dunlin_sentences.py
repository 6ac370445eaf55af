"""A receiver that sends sentences with a checksum, which patterns in a rig cannot check.

    $RX,17,34120,1000,1000,1500,1500,1500,2000*3E      packet 17 took effect at 34120 ms
    $FS,35600,950,950,1500,1500,1500,1000*0C           failsafe

Between * and the line end stand two hexadecimal digits: all bytes between $ and * in exclusive or.
"""

from functools import reduce
from operator import xor

from harness.codec import messages as m
from harness.devices.kind import Answer, Lost, Setup
from harness.devices.telling import COUNT, START_OUTPUTS, STARTS, TELEMETRY, Telling
from harness.errors import UserError

LONGEST = 120


def make_device(setup: Setup) -> "SentenceReceiver":
    """Called by propsoff with the port's role and the rig's `options`."""
    if setup.role != "receiver":
        raise UserError(f"sentences come from a receiver, and this port leads to the {setup.role}")
    return SentenceReceiver(channels=int(setup.options.get("channels", "6")))


class SentenceReceiver:
    """What propsoff asks of a device kind: `harness.devices.kind.Device` tells of each part."""

    name = "sentences"
    packet_rate_mhz = 0
    abilities = 0
    telling = Telling(
        "sentences",
        lacks=frozenset({COUNT, STARTS, START_OUTPUTS, TELEMETRY}),
        step_us=1000,
        longest=LONGEST,
    )

    def __init__(self, channels: int) -> None:
        self.channels = channels
        self._rest = b""

    def told(self, message: m.Message, at_ns: int) -> Answer:  # noqa: ARG002
        """Nothing can be said to this receiver; commands are refused, pings stay unanswered."""
        return Answer(result=m.Result.UNKNOWN)

    def heard(self, data: bytes, at_ns: int) -> list:  # noqa: ARG002
        """Return a message for each whole sentence; one that is damaged counts as lost."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[:LONGEST]  # a device that never ends its line must not fill the memory
        return [self._read(line.strip()) for line in lines if line.startswith(b"$")]

    def _read(self, line: bytes) -> m.Message | Lost:
        body, _, check = line[1:LONGEST].partition(b"*")
        word, *fields = body.split(b",")
        try:
            numbers = [int(field) for field in fields]
            if reduce(xor, body, 0) != int(check, 16):
                return Lost()
        except ValueError:
            return Lost()
        if word == b"RX" and len(numbers) == 2 + self.channels:
            packet, ms, *pulses = numbers
            return m.Applied(packet % 65536, ms * 1000 % 2**32, m.SIGNAL_UNKNOWN, tuple(pulses))
        if word == b"FS" and len(numbers) == 1 + self.channels:
            ms, *pulses = numbers
            return m.OutputChange(ms * 1000 % 2**32, m.OutputReason.FAILSAFE, tuple(pulses))
        return Lost()
