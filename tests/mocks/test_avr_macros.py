"""Macros for the reference firmwares: those that their sources leave open, every mistake with its place."""

from __future__ import annotations

import pytest

from harness.bench.rig import parse_rig
from harness.errors import RigError
from mocks.avr.defects import CATALOGUE
from mocks.avr.macros import known_macros, read_macro

RIG = "propsoff_rig: 1\nbench: avr\navr:\n  receiver_defines: [{}]\n"


def test_the_firmware_says_which_macros_it_leaves_open():
    known = known_macros()
    assert {
        "FAULT_FAILSAFE_NEVER",
        "FAILSAFE_AFTER_MS",
        "BENCH_BAUD",
        "CLOCK_START_US",
        "FIRST_PACKET",
    } <= known
    assert not {name for name in known if name.endswith("_H")}, "include guards are no macros"
    assert not {"BENCH_DISABLED", "F_CPU"} & known


def test_every_defect_switches_on_what_the_firmware_knows():
    for defect in CATALOGUE:
        used = {**defect.receiver, **defect.transmitter, **defect.near_receiver, **defect.near_transmitter}
        assert used.keys() <= known_macros(), defect.name


@pytest.mark.parametrize(
    ("text", "macro"),
    [
        ("FAULT_FAILSAFE_NEVER", ("FAULT_FAILSAFE_NEVER", 1)),
        ("FAILSAFE_AFTER_MS=490", ("FAILSAFE_AFTER_MS", 490)),
        ("CLOCK_START_US=4294967295", ("CLOCK_START_US", 2**32 - 1)),
    ],
)
def test_a_macro_is_a_name_with_a_whole_number(text, macro):
    assert read_macro(text) == macro


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("A B", "my.yaml:4:22: avr.receiver_defines[0]: 'A B' is no macro; write NAME or NAME=NUMBER"),
        ("X=1.5", "'X=1.5' is no macro"),
        ("FAULT_FAILSAFE_NEVR", "did you mean FAULT_FAILSAFE_NEVER?"),
        ("failsafe_after_ms=3", "did you mean FAILSAFE_AFTER_MS?"),
        ("FAILSAFE_AFTER_MS=99999999999", "99999999999 is too large for the firmware"),
        (
            "PACKET_RATE_MHZ, BENCH_BAUDD=1",
            "my.yaml:4:39: avr.receiver_defines[1]: the firmware has no",
        ),
    ],
)
def test_a_rig_places_every_macro_that_cannot_be_used(text, words):
    with pytest.raises(RigError) as caught:
        parse_rig(RIG.format(text), "my.yaml")
    assert words in str(caught.value)
