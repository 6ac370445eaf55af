"""Defects of the radio link itself."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from harness.clock import MS, S
from mocks.defects.model import Defect, Felt, Patch
from mocks.receiver import Receiver
from mocks.settings import MockSettings


class AppliesAgain(Receiver):
    """Applies a packet each time it hears it."""

    def takes_again(self) -> bool:
        """Return that a repeated packet is a packet."""
        return True


def in_fades(settings: MockSettings, *, loss: Fraction, mean_packets: Fraction) -> MockSettings:
    """Return settings that lose this share of packets in fades of this mean length.

    With everything lost in fades, loss = b / (b + e) and mean length = 1 / e, where b and e are the chances
    per packet that a fade begins and ends (Gilbert, Bell System Technical Journal 39:1253-1265, 1960).
    """
    ends = 1 / mean_packets
    return replace(settings, good_to_bad=ends * loss / (1 - loss), bad_to_good=ends)


def _bursts(settings: MockSettings) -> MockSettings:
    return in_fades(settings, loss=Fraction(3, 100), mean_packets=Fraction(4))


def _rare_bursts(settings: MockSettings) -> MockSettings:
    return in_fades(settings, loss=Fraction(2, 1000), mean_packets=Fraction(25, 24))


def _log_blocks(settings: MockSettings) -> MockSettings:
    """A routine of 45 ms every 4 s, before a radio that holds one packet: the second of two gets lost."""
    return replace(settings, block_every_ns=4 * S, block_for_ns=45 * MS, fifo_depth=1)


def _some_at_random(settings: MockSettings) -> MockSettings:
    """Lost packets without a rhythm, one in 500; at one in 200 two minutes cannot always rule one out."""
    return replace(settings, loss=Fraction(1, 500), retransmit_limit=0)


def _lost_acknowledgements(settings: MockSettings) -> MockSettings:
    return replace(settings, ack_loss=Fraction(1, 20))


DEFECTS = (
    Defect(
        name="burst-loss",
        felt=Felt.MISSING,
        severity="serious",
        wrong="3 % of the packets are lost, several in a row",
        cause="an antenna that the airframe shades in some attitudes",
        caught_by="delivery",
        plan="acceptance",
        near_miss="0.2 % of the packets are lost, hardly ever two in a row",
        patch=Patch(settings=_bursts),
        near_patch=Patch(settings=_rare_bursts),
    ),
    Defect(
        name="loss-in-step",
        felt=Felt.MISSING,
        severity="serious",
        wrong="one packet is lost every 4 s, always at the same moment of the receiver's loop",
        cause="a log is written while the radio can hold only one packet",
        caught_by="loss_pattern",
        plan="acceptance",
        near_miss="packets are lost at random, one in 500",
        patch=Patch(settings=_log_blocks),
        near_patch=Patch(settings=_some_at_random),
    ),
    Defect(
        name="duplicates-applied",
        felt=Felt.WRONG,
        severity="nuisance",
        wrong="a packet whose acknowledgement was lost is applied twice",
        cause="the receiver does not compare packet numbers",
        caught_by="duplicates",
        plan="first-look",
        near_miss="just as many acknowledgements are lost, and the repeated packets are dropped",
        patch=Patch(settings=_lost_acknowledgements, receiver=AppliesAgain),
        near_patch=Patch(settings=_lost_acknowledgements),
    ),
)
