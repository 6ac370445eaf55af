"""What tests of single defects share: conversations with a defect and its near-miss, sticks, telemetry."""

from __future__ import annotations

import struct

from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS
from harness.codec import messages as m
from harness.plan.model import Link
from mocks.bench import VirtualBench
from mocks.defects import find_defect
from mocks.receiver import Pulses, Receiver
from mocks.settings import DUNLIN


def opened(name: str, near_miss: bool = False, link: Link = DUNLIN) -> tuple[Talk, VirtualBench]:
    """Open a bench with a defect, or with its near-miss."""
    return virtual(link, seed=1, defect=find_defect(name), near_miss=near_miss)


def talks(name: str, link: Link = DUNLIN) -> tuple[Talk, Talk]:
    """Return conversations with the defect and with its near-miss."""
    return opened(name, link=link)[0], opened(name, near_miss=True, link=link)[0]


def receivers(name: str, link: Link = DUNLIN) -> tuple[Receiver, Receiver]:
    """Return the receivers of the defect and of its near-miss."""
    one, two = (opened(name, near_miss=near_miss, link=link)[1] for near_miss in (False, True))
    return one.receiver, two.receiver  # type: ignore[attr-defined]


def played(
    talk: Talk, *sticks: Pulses, each_ns: int = 60 * MS, first: int = 1
) -> list[tuple[Pulses, Pulses]]:
    """Put the sticks there, one set after the other; return sticks and outputs of every packet with them."""
    before = len(talk.heard)
    for number, pulses in enumerate(sticks, first):
        talk.tell(TX, m.Sticks(number, pulses))
        talk.run(each_ns)
    heard = [one.message for one in talk.heard[before:]]
    sets = {one.packet: one.set_number for one in heard if isinstance(one, m.Sent)}
    applied = [one for one in heard if isinstance(one, m.Applied)]
    return [
        (sticks[sets[one.packet] - first], one.outputs_us)
        for one in applied
        if sets.get(one.packet, 0) >= first
    ]


def wrong(talk: Talk, *sticks: Pulses, each_ns: int = 60 * MS, first: int = 1) -> list[tuple[Pulses, Pulses]]:
    """Do the same; return only the packets whose outputs are not the sticks."""
    return [
        (wanted, shown)
        for wanted, shown in played(talk, *sticks, each_ns=each_ns, first=first)
        if wanted != shown
    ]


def telemetry_for(talk: Talk, *values: dict[int, int], wait_ns: int = 110 * MS) -> list[bytes]:
    """Inject sets of raw values by field number; return the payload that is there some packets later."""
    payloads = []
    for one in values:
        talk.tell(RX, m.Inject(tuple(one.items())))
        talk.run(wait_ns)
        payloads.append(talk.last(m.Telemetry).payload)
    return payloads


def single(number: float) -> int:
    """Return a number's bits as an IEEE 754 single, as an injection carries them."""
    bits: int = struct.unpack("<i", struct.pack("<f", number))[0]
    return bits
