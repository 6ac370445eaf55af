"""The pictures show the same numbers as the checks, and those of reference libraries."""

import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))

from seen import CUTS, at_index, by_key, evidence_of, fates_of, plot_of, series_of, slow_at, strip_of

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, TX, Reset, Scenario, drop_every, plan_for

from harness.account.age import account as age_account
from harness.account.latency import account as latency_account
from harness.clock import MS, S
from harness.judge.delivery import judge_delivery
from harness.judge.failsafe import judge_failsafe_entry
from harness.judge.rules import judge_evidence
from harness.lateness import Lateness
from harness.measure.delivery import count_delivery, packet_fates
from harness.measure.latency import packet_delays
from harness.plan import model as p
from harness.plots.distributions import BINS_LEAST, BINS_MOST, bins, within

LOST, LATE, BELIEVED = "lost", "applied too late", "lost, yet acknowledged"
APPLIED = ("applied", "applied after retransmission", "applied, not acknowledged", "applied more than once")


def test_a_run_with_one_lost_packet_shows_exactly_one_mark() -> None:
    evidence = evidence_of(lost=at_index(60))
    assert fates_of(strip_of(evidence))[LOST] == 1
    for channel in range(1, 5):
        mark = series_of(plot_of(evidence, f"sticks-{channel}"), "lost packet")
        assert len(mark.x) == 1
        assert mark.keep.all()
        assert mark.symbol == "cross"
    assert len(series_of(plot_of(evidence, "latency-time"), "never in time").x) == 1


def test_a_healthy_run_shows_no_loss_at_all() -> None:
    evidence = evidence_of()
    assert set(fates_of(strip_of(evidence))) <= {"applied", "not judged: on purpose, or too near the end"}
    assert series_of(plot_of(evidence, "sticks-1"), "lost packet") is None
    assert series_of(plot_of(evidence, "latency-time"), "never in time") is None


@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(lost=lambda packet: packet.index % 7 == 3),
        Scenario(latency_ns=slow_at(50, 51, 90), lost=at_index(60, 61)),
        Scenario(seconds=7.0, silences=CUTS, lost=lambda packet: packet.index % 31 == 0),
        Scenario(copies=lambda packet: 1 + (packet.index % 20 == 0), lost=at_index(55)),
        Scenario(drop=drop_every(RX, 9), lost=lambda packet: packet.index % 11 == 0),
        Scenario(drop=drop_every(TX, 8), lost=lambda packet: packet.index % 11 == 0),
        Scenario(seconds=8.0, resets=[Reset(RX, RUN_NS + 2 * S)], lost=at_index(200)),
    ],
    ids=["losses", "late", "cuts", "copies", "receiver reports missing", "transmitter's missing", "restart"],
)
def test_every_fate_is_counted_as_the_delivery_check_does(scenario: Scenario) -> None:
    evidence = evidence_of(scenario)
    fates = fates_of(strip_of(evidence))
    counts = count_delivery(evidence, packet_fates(evidence))
    assert sum(fates.get(word, 0) for word in APPLIED) == counts.applied
    assert sum(fates.get(word, 0) for word in (LOST, LATE, BELIEVED)) == counts.lost
    assert fates.get(LATE, 0) == counts.late
    assert fates.get(BELIEVED, 0) == counts.acked_not_applied
    assert fates.get("unknown, a report is missing", 0) == counts.unknown
    result = judge_delivery(p.Delivery(at_least=Fraction(1, 2)), evidence)
    assert result.counts["lost"] == sum(fates.get(word, 0) for word in (LOST, LATE, BELIEVED))
    marks = series_of(plot_of(evidence, "sticks-1"), "lost packet")
    late = series_of(plot_of(evidence, "sticks-1"), "late packet")
    assert sum(len(one.x) for one in (marks, late) if one is not None) == counts.lost


def test_repeated_packets_are_told_apart() -> None:
    evidence = evidence_of(copies=lambda packet: 1 + (packet.index in (40, 80)))
    assert fates_of(strip_of(evidence))["applied more than once"] == 2


def test_a_distribution_is_that_of_a_reference_library() -> None:
    evidence = evidence_of(latency_ns=slow_at())
    known = packet_delays(evidence).samples.known_ns
    reference = stats.ecdf(known / MS).cdf
    series = series_of(plot_of(evidence, "latency-within"), "share of packets")
    assert np.allclose(series.x[1:-1], reference.quantiles)
    assert np.allclose(series.y[1:-1], 100 * reference.probabilities)
    assert series.y[0] == 0
    beyond = series_of(plot_of(evidence, "latency-beyond"), "share of packets")
    survival = stats.ecdf(known / MS).sf
    assert np.allclose(beyond.y[1:-1], 100 * survival.probabilities[:-1])


def test_what_is_lost_keeps_a_distribution_below_all() -> None:
    evidence = evidence_of(lost=lambda packet: packet.index % 10 == 0, latency_ns=slow_at())
    known = packet_delays(evidence).samples.known_ns
    arrived = known[known < 10 * S]
    assert len(arrived) < len(known)
    reference = stats.ecdf(stats.CensoredData(arrived / MS, right=np.full(len(known) - len(arrived), 1e9)))
    series = series_of(plot_of(evidence, "latency-within"), "share of packets")
    assert np.allclose(series.y[1:-1], 100 * reference.cdf.probabilities[: len(series.y) - 2])
    assert series.y[-1] == pytest.approx(100 * len(arrived) / len(known))
    assert "never arrived" in plot_of(evidence, "latency-within").note
    lost = next(rule for rule in plot_of(evidence, "latency-within").rules if rule.along == "y")
    assert lost.at == series.y[-1]
    assert not any(rule.along == "y" for rule in plot_of(evidence_of(), "latency-within").rules)


def test_steps_of_a_small_sample_are_known() -> None:
    times, share = within(np.array([1, 1, 2, 5]), 5)
    assert times.tolist() == [1, 2, 5]
    assert share.tolist() == [40.0, 60.0, 80.0]


@pytest.mark.parametrize("size", [1, 2, 30, 400, 5_000])
def test_bins_are_those_of_a_reference_library(size: int) -> None:
    chance = np.random.default_rng(3)
    times = (chance.normal(10, 2, size) * MS).astype(np.int64)
    edges, counts = bins(times)
    assert counts.sum() == size
    wanted = len(np.histogram_bin_edges(times / MS, bins="fd")) - 1
    assert abs(len(counts) - min(BINS_MOST, max(BINS_LEAST, wanted))) <= 2 or size < 3
    assert counts.tolist() == np.histogram(times / MS, bins=edges)[0].tolist()


def test_bins_are_bounded_and_hold_everything() -> None:
    times = np.concatenate((np.full(1_000, 2 * MS), np.arange(2 * MS, 2 * MS + 400), [5 * S])).astype(
        np.int64
    )
    _, counts = bins(times)
    assert len(counts) <= BINS_MOST
    assert counts.sum() == len(times)
    assert bins(np.zeros(0, dtype=np.int64))[1].sum() == 0
    assert bins(np.full(7, 3 * MS))[1].tolist() == [7]


def test_percentiles_are_those_of_the_account() -> None:
    evidence = evidence_of(seconds=20.0, latency_ns=slow_at(), lost=lambda packet: packet.index % 40 == 0)
    section = latency_account(evidence)
    assert section is not None
    marks = series_of(plot_of(evidence, "latency-within"), "percentile")
    figures = [one for one in section.figures if one.name.startswith("packet latency, p")]
    finite = [figure.value for figure in figures if figure.value is not None]
    assert marks.x.tolist() == finite
    lines = [one for one in plot_of(evidence, "latency-within").series if one.name.startswith("limits of a")]
    for line, figure in zip(lines, figures, strict=False):
        assert figure.interval is not None
        assert line.x[0] == figure.interval[0]


def test_control_age_has_the_percentiles_of_its_account() -> None:
    evidence = evidence_of(seconds=10.0, lost=lambda packet: packet.index % 9 == 0)
    section = age_account(evidence)
    assert section is not None
    marks = series_of(plot_of(evidence, "age-within"), "percentile")
    told = [figure.value for figure in section.figures if figure.name.startswith("p")]
    assert marks.x.tolist() == told
    most = next(figure.value for figure in section.figures if figure.name == "most")
    assert series_of(plot_of(evidence, "age-time"), "control age").y.max() == most


def test_cuts_show_what_the_failsafe_check_measures() -> None:
    evidence = evidence_of(seconds=8.0, silences=CUTS, failsafe_ns=lambda place: (400 + 7 * place) * MS)
    plot = plot_of(evidence, "cuts-in")
    result = judge_failsafe_entry(p.FailsafeEntry(), evidence)
    dots = series_of(plot, "link cut")
    assert len(dots.x) == result.samples == len(CUTS)
    assert dots.y.max() == pytest.approx(result.value, abs=0.001)
    assert {rule.at for rule in plot.rules} == {100.0, 500.0}
    overlaid = plot_of(evidence, "cuts-in-1")
    assert any(series.name.startswith("latest, cut 3") for series in overlaid.series)
    latest = next(series for series in overlaid.series if series.name.startswith("latest"))
    falls = latest.x[np.flatnonzero(np.diff(latest.y) != 0) + 1]
    assert falls[-1] == pytest.approx(dots.y.max(), abs=0.01)


def test_a_cut_without_failsafe_is_marked_and_named() -> None:
    evidence = evidence_of(
        seconds=8.0, silences=CUTS, failsafe_ns=lambda engaged: None if engaged == 1 else 400 * MS
    )  # after the first cut it never engages again
    assert len(series_of(plot_of(evidence, "cuts-in"), "never seen").x) == 2
    names = {series.name for series in plot_of(evidence, "cuts-in-1").series}
    assert {"cut 2: never", "cut 3: never"} < names
    healthy = evidence_of(seconds=8.0, silences=CUTS)
    assert series_of(plot_of(healthy, "cuts-in"), "never seen") is None


def test_cuts_that_come_too_late_or_too_early_are_told_apart() -> None:
    times = (50, 400, 600)
    evidence = evidence_of(seconds=8.0, silences=CUTS, failsafe_ns=lambda place: times[place % 3] * MS)
    names = {series.name for series in plot_of(evidence, "cuts-in-1").series}
    assert "too early" in names
    assert any(name.startswith("latest, cut 3: 6") for name in names)


def test_telemetry_marks_what_was_never_injected() -> None:
    scenario = Scenario(seconds=6.0, garble=lambda values: (values[0] ^ 1, *values[1:]))
    scenario.inject_often()
    evidence = evidence_of(scenario)
    wrong = series_of(plot_of(evidence, "telemetry-1"), "never injected")
    assert len(wrong.x) > 10
    assert series_of(plot_of(evidence, "telemetry-2"), "never injected") is None


def test_healthy_telemetry_marks_nothing() -> None:
    scenario = Scenario(seconds=6.0)
    scenario.inject_often()
    found = by_key(evidence_of(scenario))
    assert not any(series_of(found[f"telemetry-{number}"], "never injected") for number in (1, 2, 3))
    assert "shown after" in found["telemetry-age"].about


def test_missing_messages_are_marked_on_their_line_alone() -> None:
    evidence = evidence_of(drop=lambda role, place, message: role == RX and place == 120)
    assert len(series_of(plot_of(evidence, "lines-receiver"), "messages missing").x) == 1
    assert series_of(plot_of(evidence, "lines-transmitter"), "messages missing") is None


def test_line_load_adds_up_to_every_byte() -> None:
    evidence = evidence_of()
    plot = plot_of(evidence, "lines-receiver")
    load = series_of(plot, "to the PC")
    width = load.x[1] - load.x[0]
    told = (load.y[:-1] / 100 * 115_200 / 10 * width).sum()
    assert told == pytest.approx(evidence.heard[RX].size)


def test_pings_lie_in_the_band_of_a_healthy_clock() -> None:
    plot = plot_of(evidence_of(), "clocks-receiver")
    band, dots = plot.series[0], series_of(plot, "pings")
    assert (np.abs(dots.y) <= band.high).all()


def test_a_stretch_of_time_shows_that_alone() -> None:
    evidence = evidence_of(lost=at_index(60, 150))
    sampled = (evidence.sent.at_ns[60] - evidence.run.start_ns) / S
    strip = strip_of(evidence, between=(sampled - 0.1, sampled + 0.1))
    assert fates_of(strip)[LOST] == 1
    assert len(strip.fate) == 11 or len(strip.fate) == 10
    plot = plot_of(evidence, "sticks-1", between=(sampled - 0.1, sampled + 0.1))
    for series in plot.series:
        assert series.x.min() >= sampled - 0.1 - 1e-9
        assert series.x.max() <= sampled + 0.1 + 1e-9


def test_a_step_is_looked_at_as_the_checks_do() -> None:
    rule = p.Delivery(at_least=Fraction(1, 2), during=("go",))
    scenario = Scenario(plan=plan_for(rule), lost=at_index(60))
    evidence = evidence_of(scenario)
    counts = count_delivery(evidence, packet_fates(evidence, ("go",)), ("go",))
    fates = fates_of(strip_of(evidence, during=("go",)))
    assert sum(fates.get(word, 0) for word in APPLIED) == counts.applied
    assert fates[LOST] == counts.lost == 1


def test_verdicts_stand_beside_the_pictures_they_go_with() -> None:
    rules = (
        p.Delivery(at_least=Fraction(99, 100)), p.Latency(percentile=Fraction(9, 10), at_most_ns=20 * MS),
    )  # fmt: skip
    scenario = Scenario(plan=plan_for(*rules), lost=lambda packet: packet.index % 3 == 0)
    evidence = evidence_of(scenario)
    found = by_key(evidence, judged=judge_evidence(evidence))
    assert "delivery 0: fail" in found["packets"].note
    assert "latency 1: fail" in found["latency-within"].note
    assert "fail" not in found["stick-within"].note
    assert "fail" not in found["sticks-1"].note


def test_lateness_is_that_of_the_recording() -> None:
    scenario = Scenario()
    late = Lateness()
    for us in (3, 3, 40, 900, 25_000):
        late.note(us * 1_000)
    scenario.mark(RUN_NS, "lateness", path="steps[0]", **late.fields())
    plot = plot_of(evidence_of(scenario), "lines-lateness")
    series = plot.series[0]
    assert series.y[0] == 100
    assert series.x[-1] == 25.0
    assert series.y[-1] == pytest.approx(20)
    assert series.y[np.searchsorted(series.x, 0.05, side="right") - 1] == pytest.approx(40)
    assert "lines-lateness" not in by_key(evidence_of())
