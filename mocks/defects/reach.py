"""Defects that cost range: a link that works on the table and fails in the air."""

from __future__ import annotations

from dataclasses import replace

from mocks.defects.model import Defect, Felt, Patch
from mocks.settings import MockSettings

ON_A_TABLE_MM = 1_000
IN_THE_LINE_X10 = 200


def deaf(settings: MockSettings, *, by_x10: int) -> MockSettings:
    """Return settings whose radios need a signal stronger by so many tenths of a dB.

    Where nothing is said of the distance, the modules are a metre apart with 20 dB in the antenna line.
    """
    if settings.distance_mm is None:
        settings = replace(settings, distance_mm=ON_A_TABLE_MM, attenuation_x10=IN_THE_LINE_X10)
    return replace(settings, sensitivity_x10=settings.sensitivity_x10 + by_x10)


def _deaf(settings: MockSettings) -> MockSettings:
    return deaf(settings, by_x10=120)


def _hard_of_hearing(settings: MockSettings) -> MockSettings:
    return deaf(settings, by_x10=40)


DEFECTS = (
    Defect(
        name="receiver-deaf",
        felt=Felt.REACH,
        severity="serious",
        wrong="the receiver needs a signal 12 dB stronger than others of its kind",
        cause="a torn antenna, a bad solder joint at its feed, or a module that is no original",
        caught_by="link_margin",
        plan="margin",
        near_miss="it is 4 dB worse than others: poor, but with the margin that the plan asks for",
        patch=Patch(settings=_deaf),
        near_patch=Patch(settings=_hard_of_hearing),
    ),
)
