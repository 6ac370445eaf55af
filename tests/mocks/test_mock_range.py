"""The mock's packets arrive as strong as power and path say, and get lost when that is too weak."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from mock_talk import TX, virtual

from harness.clock import S
from harness.codec import messages as m
from mocks import range as radio
from mocks.range import Range, bit_error_ratio, free_space_loss_db, loss_above, packet_error_ratio
from mocks.settings import DUNLIN, MockSettings

ON_A_TABLE = MockSettings(distance_mm=1_000, attenuation_x10=200)


# Recommendation ITU-R P.525, section 2.3, exact form 20 log10(4 pi d f / c) at 2440 MHz (read in a secondary
# copy, recomputed).
@pytest.mark.parametrize(
    ("distance_m", "loss_db"), [(1, 40.1956), (10, 60.1956), (100, 80.1956), (1000, 100.1956)]
)
def test_free_space_loses_what_p525_says(distance_m, loss_db):
    assert free_space_loss_db(distance_m, 2.44e9) == pytest.approx(loss_db, abs=0.001)


# IEEE Std 802.15.4-2006, Annex E.4.1.8 (formula read in a secondary copy; values computed from it).
BER = [
    (-4, 0.0391634599), (-3, 0.0164186378), (-2, 0.00519699957), (-1, 0.00114894372), (0, 0.000161526688),
    (1, 1.29118663e-05),
]  # fmt: skip
PER_20 = [0.998325359, 0.929263019, 0.565555967, 0.168011517, 0.0255151997, 0.00206377941]
PER_133 = [1.0, 0.999999978, 0.99608925, 0.705706859, 0.157918333, 0.0136443744]


@pytest.mark.parametrize(("snr_db", "ber"), BER)
def test_bits_fail_as_ieee_802_15_4_says(snr_db, ber):
    assert bit_error_ratio(10 ** (snr_db / 10)) == pytest.approx(ber, rel=1e-6)


def test_bits_are_guessed_without_a_signal():
    assert bit_error_ratio(0) == pytest.approx(0.5)


@pytest.mark.parametrize(("size", "ratios"), [(20, PER_20), (133, PER_133)])
def test_packets_fail_when_one_of_their_bits_does(size, ratios):
    found = [packet_error_ratio(bit_error_ratio(10 ** (snr_db / 10)), 8 * size) for snr_db, _ in BER]
    assert found == pytest.approx(ratios, rel=1e-6)


def test_at_the_sensitivity_a_thousandth_of_the_bits_is_wrong():
    assert loss_above(0.0, 1) == pytest.approx(1e-3, rel=1e-6)
    assert loss_above(10.0, 1000) == 0
    assert loss_above(-20.0, 1000) == pytest.approx(1)


def test_a_signal_is_power_less_path_and_attenuators():
    way = Range(ON_A_TABLE)
    assert way.signal_dbm() == pytest.approx(-60.1956, abs=0.001)
    way.power_x10, way.turned_x10 = -105, 30
    assert way.signal_dbm() == pytest.approx(-60.1956 - 10.5 - 3, abs=0.001)
    assert way.reported_dbm() == -74


def test_a_reported_signal_fits_its_byte():
    way = Range(replace(ON_A_TABLE, distance_mm=10**8, attenuation_x10=1_500))
    assert way.reported_dbm() == -127


def test_without_a_distance_nothing_is_known_and_no_power_can_be_set():
    talk, bench = virtual(DUNLIN)
    talk.tell(TX, m.Identify())
    talk.tell(TX, m.Setting(m.SettingId.POWER_DBM_X10, -100))
    talk.run(S)
    assert not talk.last(m.Identity).abilities & m.Ability.SET_POWER
    assert talk.last(m.Reply).result == m.Result.UNKNOWN
    assert {part.signal_dbm for part in talk.all(m.Applied)} == {m.SIGNAL_UNKNOWN}
    assert not bench.has_attenuator


def test_a_strong_signal_changes_nothing_but_its_report():
    """No chance is drawn for it: with the same seed the same packets get lost."""
    lossy = MockSettings(loss=Fraction(1, 10), ack_loss=Fraction(1, 20))
    near = replace(lossy, distance_mm=1_000)
    runs = []
    for settings in (lossy, near):
        talk, _ = virtual(DUNLIN, settings, seed=4)
        talk.run(20 * S)
        runs.append(
            ([part.pack() for part in talk.all(m.Sent)], [part.packet for part in talk.all(m.Applied)])
        )
    assert runs[0] == runs[1]


def test_power_is_set_in_the_steps_that_the_transmitter_has():
    talk, _ = virtual(DUNLIN, ON_A_TABLE)
    told = {}
    for power in (-300, -301, -295, 100, 110, -310, 0):
        talk.tell(TX, m.Setting(m.SettingId.POWER_DBM_X10, power))
        talk.run(S // 2)
        told[power] = talk.last(m.Reply).result
    refused, done = m.Result.OUT_OF_RANGE, m.Result.DONE
    assert told == {
        -300: done, -301: refused, -295: refused, 100: done, 110: refused, -310: refused, 0: done,
    }  # fmt: skip


def lost_share(talk):
    before = len(talk.all(m.Sent)), len(talk.all(m.Applied))
    talk.run(10 * S)
    sent, applied = len(talk.all(m.Sent)) - before[0], len(talk.all(m.Applied)) - before[1]
    return 1 - applied / sent


def test_low_power_loses_packets_and_a_restart_brings_it_back():
    talk, _ = virtual(DUNLIN, replace(ON_A_TABLE, retransmit_limit=0), seed=2)
    assert lost_share(talk) == 0
    talk.tell(TX, m.Setting(m.SettingId.POWER_DBM_X10, -260))
    # four standard deviations of a share of 500 packets
    share = loss_above(-86.1956 + 85, 73 + 8 * 11)
    assert lost_share(talk) == pytest.approx(share, abs=4 * (share * (1 - share) / 500) ** 0.5)
    assert talk.last(m.Applied).signal_dbm == -86
    talk.tell(TX, m.Restart())
    talk.run(S)
    assert lost_share(talk) == 0


def test_an_attenuator_weakens_acknowledgements_too():
    talk, bench = virtual(DUNLIN, ON_A_TABLE, seed=2)
    assert bench.has_attenuator
    bench.turn_attenuator(400)
    talk.run(S)
    assert talk.last(m.Sent).flags & m.SENT_ACKED == 0
    bench.turn_attenuator(0)
    talk.run(S)
    assert talk.last(m.Sent).flags & m.SENT_ACKED


def test_the_sensitivity_rests_on_the_published_curve():
    assert radio.snr_at_sensitivity_db() == pytest.approx(-0.95, abs=0.05)
    assert bit_error_ratio(10 ** (radio.snr_at_sensitivity_db() / 10)) == pytest.approx(1e-3, rel=1e-9)


def test_acknowledgements_come_at_the_receivers_own_power():
    loud = Range(replace(ON_A_TABLE, receiver_power_x10=200))
    loud.turned_x10 = 300
    quiet = Range(ON_A_TABLE)
    quiet.turned_x10 = 300
    assert loud.packet_loss(200) == quiet.packet_loss(200) > 0.99
    assert loud.answer_loss(73) == 0
    assert quiet.answer_loss(73) > 0.99
