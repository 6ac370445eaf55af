"""The harness tells each classic trouble of a link from its traces, with the numbers that were set."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from why_devices import Fades, keys, run, told, with_text

from harness.account.failsafe import account
from harness.board import Job
from harness.board.playing import judge_whole
from harness.clock import MS
from harness.likely import Likely
from harness.verdict import Judgement, Verdict
from harness.why.packets import packets_of
from mocks.air import Packet
from mocks.defects import find_defect
from mocks.receiver import Receiver

NUMBER = re.compile(r"\d+(?:\.\d+)?")


def of_defect(name: str) -> Judgement:
    return judge_whole(Job(find_defect(name).plan, 7, defect=name))


def numbers(text: str) -> list[float]:
    return [float(one) for one in NUMBER.findall(text)]


def first(judgement: Judgement, key: str) -> Likely:
    assert keys(judgement)[:1] == [key], keys(judgement)
    return told(judgement, key)


@pytest.mark.parametrize(("every_ms", "for_ms"), [(730, 130), (1310, 170)])
def test_a_blocking_routine_by_its_period_its_length_and_its_phase(every_ms: int, for_ms: int) -> None:
    judgement, _ = run("acceptance", block_every_ns=every_ms * MS, block_for_ns=for_ms * MS)
    cause = first(judgement, "blocking-routine")
    length, period = numbers(cause.title)
    assert period == pytest.approx(every_ms / 1000, rel=0.002)
    assert for_ms - 20 <= length <= for_ms + 1  # a packet comes up to a period after the routine begins
    assert any("do not set it off" in one for one in cause.speaks_against)  # the phase against telemetry


def test_a_blocking_routine_in_step_with_telemetry_or_a_display() -> None:
    cause = first(of_defect("display-draws-telemetry"), "blocking-on-telemetry")
    hits, of = numbers(next(one for one in cause.speaks_for if "new values" in one))[:2]
    assert hits >= 0.9 * of


def test_losses_in_step_with_throttle_come_of_the_supply() -> None:
    cause = first(of_defect("loss-with-throttle"), "supply")
    low, high = numbers(cause.title)
    assert low < 1
    assert 15 <= high <= 40  # 0 at 30 % of the travel, 40 % at its end


def test_restarts_as_the_throttle_opens_come_of_the_supply() -> None:
    cause = first(of_defect("brown-out-at-throttle"), "supply")
    assert "restarts by itself" in cause.title
    starts, said = numbers(cause.speaks_for[0])
    assert starts == said > 0
    assert numbers(cause.speaks_for[1])[0] == starts


def test_losses_in_step_with_power_come_of_a_signal_that_falls() -> None:
    defect = find_defect("power-drops-when-warm")
    judgement, _ = run("margin", transmitter=defect.patch.transmitter, distance_mm=1000, attenuation_x10=200)
    assert numbers(first(judgement, "power-drops").title) == [pytest.approx(15, abs=1)]


def test_losses_with_a_byte_come_of_framing_and_damage_that_gets_through_of_a_checksum() -> None:
    assert "0x7E" in first(of_defect("flag-byte-lost"), "framing").title
    assert numbers(first(of_defect("corrupted-packets-applied"), "checksum").title)[0] >= 2


def test_losses_by_the_time_of_a_burst_come_of_interference() -> None:
    """Bursts of four packets in the mean, 3 % lost: Gilbert, Bell System Technical Journal 39:1253, 1960."""
    ends, lost = Fraction(1, 4), Fraction(3, 100)
    judgement, evidence = run("acceptance", good_to_bad=ends * lost / (1 - lost), bad_to_good=ends)
    bursts = numbers(first(judgement, "interference").title)[0]
    expected = float(len(evidence.sent) * ends * lost)
    assert bursts == pytest.approx(expected, rel=0.5)


@pytest.mark.parametrize("name", ["packets-queued", "queue-never-empties"])
def test_delay_that_goes_with_the_packet_rate_without_losses_comes_of_a_queue(name: str) -> None:
    cause = first(of_defect(name), "queue")
    assert "A fixed delay does not do that." in cause.speaks_for[0]
    assert "at 25 Hz and at 100 Hz" in cause.next_step


def test_a_fixed_delay_is_no_queue() -> None:
    judgement, _ = run("regression", receiver_loop_ns=33 * MS)
    assert "queue" not in keys(judgement)


def test_telemetry_one_packet_old_is_by_design_and_two_is_not() -> None:
    (by_design,) = [one for one in run("first-look")[0].causes if one.by_design]
    assert (by_design.key, by_design.explains) == ("telemetry-one-old", ())
    assert "is 2 packets old" in first(of_defect("telemetry-stale"), "telemetry-queued").title


@pytest.mark.parametrize(
    ("name", "key", "words"),
    [
        ("telemetry-scaled", "telemetry-scaled", "100 times"),
        ("telemetry-fields-swapped", "telemetry-fields-swapped", ""),
        ("telemetry-bytes-turned", "telemetry-byte-order", ""),
        ("telemetry-float-cut", "telemetry-float-cut", ""),
        ("telemetry-sign-lost", "telemetry-sign", ""),
    ],
)
def test_telemetry_that_is_scaled_swapped_or_cut(name: str, key: str, words: str) -> None:
    assert words in first(of_defect(name), key).title


LATE = with_text("failsafe", ("within: 500 ms", "within: 490 ms"))


def test_a_failsafe_that_scatters_by_one_packet_period_counts_frames() -> None:
    judgement, _ = run(LATE, failsafe_by="frames", failsafe_after_ns=500 * MS)
    cause = first(judgement, "counts-frames")
    assert numbers(cause.title) == [pytest.approx(20, rel=0.001)]
    assert cause.explains == ("failsafe_entry",)


def test_a_failsafe_that_counts_frames_and_is_in_time_is_a_remark_and_the_section_says_the_same() -> None:
    judgement, evidence = run("failsafe", failsafe_by="frames", receiver_skew_ppm=80)
    assert (judgement.verdict, keys(judgement)) == (Verdict.PASS, [])
    (remark,) = [one for one in judgement.causes if one.key == "counts-frames"]
    assert (remark.by_design, remark.explains) == (True, ())
    section = account(evidence)
    assert section is not None
    assert "counts its own frames of 20 ms" in section.notes[0]


@pytest.mark.parametrize("tick_ms", [23, 40, 60])
def test_a_failsafe_that_scatters_by_the_receivers_tick_is_a_timer(tick_ms: int) -> None:
    within_ns = 500 * MS
    judgement, _ = run(
        "failsafe", failsafe_tick_ns=tick_ms * MS, failsafe_after_ns=within_ns - tick_ms * MS // 2
    )
    cause = first(judgement, "timer-tick")
    assert numbers(cause.title) == [pytest.approx(tick_ms, rel=0.001)]
    assert cause.explains == ("failsafe_entry",)


def test_a_tick_that_is_borne_is_a_remark() -> None:
    judgement, _ = run("failsafe", failsafe_tick_ns=60 * MS, failsafe_after_ns=420 * MS)
    assert (judgement.verdict, keys(judgement)) == (Verdict.PASS, [])
    assert [one.key for one in judgement.causes] == ["timer-tick"]


def test_a_plain_timer_leaves_nothing_to_remark() -> None:
    assert run("failsafe")[0].causes == ()


def test_a_failsafe_that_follows_the_packet_rate_counts_packets() -> None:
    judgement, _ = run("failsafe", failsafe_by="packets")
    cause = first(judgement, "counts-packets")
    assert numbers(cause.title) == [480, 50, 960, 25]
    assert set(cause.explains) == {"failsafe_entry", "no_false_failsafe"}


class Discards(Receiver):
    """Throws one packet in 25 away after it was acknowledged."""

    def believed(self, packet: Packet) -> bool:
        return super().believed(packet) and self.chance.random() >= 0.04


def test_packets_acknowledged_and_not_applied_come_of_a_starved_receiver() -> None:
    judgement, _ = run("acceptance", receiver=Discards)
    assert numbers(first(judgement, "starved-receiver").title) == [pytest.approx(4, abs=0.8)]


def test_more_repetitions_and_fine_delivery_are_a_margin_that_goes() -> None:
    judgement, evidence = run("first-look", transmitter=Fades, distance_mm=1000, attenuation_x10=340)
    assert not [one for one in judgement.results if one.verdict is Verdict.FAIL]
    share = numbers(told(judgement, "margin-going").title)[0]
    again = packets_of(evidence).attempts > 1
    assert share == pytest.approx(100 * again[-len(again) // 4 :].mean(), rel=0.2)


def test_repetitions_that_stay_as_they_are_are_no_margin_that_goes() -> None:
    assert keys(run("acceptance", loss=0.2, retransmit_limit=9)[0]) == []


def test_trouble_on_a_serial_line_is_not_the_link() -> None:
    judgement, _ = run("first-look", receiver_message_loss=0.02)
    lost, of = numbers(first(judgement, "serial-line").title)
    assert lost / of == pytest.approx(0.02, rel=0.3)
    assert judgement.verdict is Verdict.ERROR
