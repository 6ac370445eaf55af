from dataclasses import fields, replace
from fractions import Fraction

import pytest
from mock_talk import Talk

from harness.bench.rig import parse_rig
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.errors import RigError, UserError
from harness.plan.kinds import Key
from mocks.bench import open_virtual
from mocks.settings import DUNLIN, MockSettings, describe_settings, fitted_link

RIG = """
propsoff_rig: 1
bench: mock
mock:
  loss: 1.5 %
  good_to_bad: 1 %
  bad_to_good: 25 %
  retransmit_delay: 500 us
  packet_rate: 100 Hz
  failsafe_after: 480 ms
  failsafe: [1500 us, 1500 us, 1000 us, 1500 us, 1500 us, 1000 us]
  receiver_skew_ppm: -30
  transmitter_clock_us: 4294000000
  banner: hello
  swapped_ports: true
  usb_latency: 16 ms
  lacks: [disturb, restart at]
"""


def test_mock_settings_are_read_from_a_rig_file() -> None:
    assert parse_rig(RIG, "rig.yaml").simulated == MockSettings(
        loss=Fraction(15, 1000),
        good_to_bad=Fraction(1, 100),
        bad_to_good=Fraction(1, 4),
        retransmit_delay_ns=500 * US,
        packet_rate_mhz=100_000,
        failsafe_after_ns=480 * MS,
        failsafe_us=(1500, 1500, 1000, 1500, 1500, 1000),
        receiver_skew_ppm=-30,
        transmitter_clock_us=4_294_000_000,
        banner="hello",
        swapped_ports=True,
        usb_latency_ns=16 * MS,
        lacks=("disturb", "restart at"),
    )


def test_mock_settings_that_do_not_exist_are_refused_with_their_place() -> None:
    with pytest.raises(RigError, match=r"rig.yaml:4:3: mock.los: .*loss"):
        parse_rig("propsoff_rig: 1\nbench: mock\nmock:\n  los: 1 %\n", "rig.yaml")


def test_mock_can_only_lack_what_there_is() -> None:
    with pytest.raises(RigError, match=r"rig.yaml:4:11: mock.lacks.*write one of .*deafen"):
        parse_rig("propsoff_rig: 1\nbench: mock\nmock:\n  lacks: [telepathy]\n", "rig.yaml")


def test_every_mock_setting_is_declared_and_explained() -> None:
    for item in fields(MockSettings):
        declared = item.metadata["key"]
        assert isinstance(declared, Key)
        assert declared.about.endswith(".")


def test_mock_faults_are_all_off_by_default() -> None:
    plain = MockSettings()
    for name in ("loss", "ack_loss", "good_to_bad", "loss_in_good", "bit_errors"):
        assert getattr(plain, name) == 0
    assert (plain.transmitter_message_loss, plain.receiver_message_loss, plain.block_for_ns) == (0, 0, 0)
    assert describe_settings(plain) == "ideal"
    assert describe_settings(replace(plain, loss=Fraction(1, 50), baud=57_600)) == "loss=1/50 baud=57600"


def test_mock_link_has_the_channels_and_rate_that_the_settings_ask_for() -> None:
    fewer = fitted_link(DUNLIN, MockSettings(channels=2, packet_rate_mhz=25_000))
    assert [channel.name for channel in fewer.channels] == ["roll", "pitch"]
    assert fewer.packet_rate_mhz == 25_000
    more = fitted_link(DUNLIN, MockSettings(channels=8))
    assert [channel.name for channel in more.channels[6:]] == ["spare 7", "spare 8"]
    assert fitted_link(DUNLIN, MockSettings()) == DUNLIN


def test_mock_claims_the_channels_and_version_it_is_set_to() -> None:
    talk = Talk(open_virtual(settings=MockSettings(channels=4, protocol_version=9)))
    for role in talk.counters:
        talk.tell(role, m.Identify())
    talk.run(50 * MS)
    assert {(part.channels, part.protocol) for part in talk.all(m.Identity)} == {(4, 9)}


CONTRADICTIONS = [
    (MockSettings(block_for_ns=S, block_every_ns=S), "block_for must be shorter than block_every"),
    (MockSettings(block_for_ns=MS), "block_for must be shorter"),
    (MockSettings(failsafe_us=(1500,)), "failsafe has 1 pulses, but the devices have 6 channels"),
    (MockSettings(unit_serial="\u00e4" * 13), "unit_serial takes more than 24 bytes"),
]


@pytest.mark.parametrize(("settings", "words"), CONTRADICTIONS)
def test_mock_refuses_settings_that_contradict_each_other(settings: MockSettings, words: str) -> None:
    with pytest.raises(UserError, match=words):
        open_virtual(settings=settings)
