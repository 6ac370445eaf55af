"""The harness finds a link's limits by trials, and leaves the bench as any run does."""

import io
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_pace import Spoilt, Told
from test_runner import HEADER, LINK, Trip

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.codec.frames import Frame
from harness.errors import BenchError
from harness.measure.evidence import gather
from harness.measure.restored import after_overload
from harness.measure.trials import find_back_to_back, find_throughput, read_trials
from harness.plan import model as p
from harness.plan.trials import Outcome, limit_step_ns
from harness.recording import Direction, RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from harness.trials import STEADY, Tally
from mocks import transmitter
from mocks.air import air_time_ns, packet_bytes
from mocks.bench import open_virtual
from mocks.defects.limits import StartsItsRadioAgain
from mocks.defects.model import Defect, Felt, Patch
from mocks.settings import MockSettings
from mocks.telemetry import payload_bytes
from mocks.transmitter import Transmitter

TX, RX = Role.TRANSMITTER, Role.RECEIVER
FAST = MockSettings(baud=1_000_000)
"""A serial line that reports far more than the radio carries."""


class Tried:
    """What trials on a mock left behind."""

    def __init__(
        self, *actions, settings=FAST, seed=7, trip=None, at_ns=3 * S, patch=None, link=LINK, observer=None,
        around=lambda bench: bench,
    ):  # fmt: skip
        defect = patch and Defect(
            "d", Felt.REACH, "nuisance", "w", "c", "throughput", "limits", "n", patch, patch
        )
        bench = around(open_virtual(link, settings, seed, defect=defect))
        header = replace(HEADER, baud=dict(bench.baud))
        if trip is not None:
            bench = Trip(bench, at_ns, trip)
        file = io.BytesIO()
        writer = RecordingWriter(file, header, 0)
        steps = [p.PlanStep(action, f"{action.WORD} {n}", f"steps[{n}]") for n, action in enumerate(actions)]
        self.plan = p.Plan("x", "", format=1, title="x", link=link, steps=tuple(steps), checks=())
        self.runner = Runner(bench, writer, self.plan, observer or Quiet())
        self.end = self.runner.run(build_timeline(self.plan, seed))
        writer.close()
        self.data = file.getvalue()
        self.recording = parse_recording(self.data, "x")
        self.evidence = gather(self.plan, self.recording)
        self.trials = read_trials(self.evidence)

    @property
    def throughput(self):
        return find_throughput(self.evidence, self.trials)

    @property
    def longest(self):
        return [one.packets for one in find_back_to_back(self.evidence, self.trials).longest]

    def told(self, role, kind):
        port = self.recording.ports[role]
        rows = zip(port.at_ns, port.direction, port.data, strict=True)
        said = [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == Direction.TO_DEVICE]
        return [(at, message) for at, message in said if isinstance(message, kind)]

    def last_rate(self):
        return self.told(TX, m.Setting)[-1][1].value


def search(low, high, step=5, **more):
    return p.FindThroughput(from_mhz=low * 1000, to_mhz=high * 1000, resolution_mhz=step * 1000, **more)


# -- throughput against what the mock's physics says -------------------------------------------------


@pytest.mark.parametrize(("loop_ms", "depth"), [(10, 3), (8, 1), (20, 5)])
def test_finds_the_rate_at_which_the_fifo_runs_over(loop_ms, depth):
    """Without retransmissions, `depth` packets come through in each turn of the loop, and no more."""
    settings = replace(FAST, receiver_loop_ns=loop_ms * MS, fifo_depth=depth, retransmit_limit=0)
    capacity = depth * 1000 / loop_ms
    found = Tried(search(52, 402, 10), settings=settings).throughput
    assert found.best.rate_mhz / 1000 <= capacity < found.bad.rate_mhz / 1000
    assert found.bad.rate_mhz - found.best.rate_mhz == 10_000
    assert found.bad.outcome is Outcome.LOSSY


@pytest.mark.parametrize("turn_round_ms", [3, 5, 8])
def test_finds_the_rate_at_which_one_exchange_follows_the_other(turn_round_ms):
    """1 / (packet + turn-round + acknowledgement); above it too few packets are sent, 1 % of them allowed."""
    settings = replace(FAST, turn_round_ns=turn_round_ms * MS)
    about = {"overhead_bits": settings.air_overhead_bits, "rate_bit_s": settings.air_rate_bit_s}
    exchange = settings.turn_round_ns
    exchange += air_time_ns(packet_bytes(len(LINK.channels)), **about)
    exchange += air_time_ns(payload_bytes(LINK), **about)
    found = Tried(search(50, 400, 5), settings=settings).throughput
    assert found.best.rate_mhz * exchange <= 1.02 * 10**12
    assert found.bad.rate_mhz * exchange > 10**12
    assert found.bad.rate_mhz - found.best.rate_mhz <= 10_000
    assert found.bad.outcome is Outcome.SLOW


def test_a_link_that_carries_all_is_asked_once_and_confirmed_at_full_length():
    tried = Tried(search(50, 300))
    assert [(one.what, one.rate_mhz) for one in tried.trials] == [("search", 300_000), ("final", 300_000)]
    assert tried.throughput.open_end == "plan"
    assert tried.trials[1].sent == pytest.approx(3000, abs=1)


def test_the_serial_line_ends_the_search_before_it_loses_a_message():
    tried = Tried(search(50, 900), settings=MockSettings())
    found = tried.throughput
    assert found.open_end == "bench"
    assert found.best.rate_mhz < 300_000
    assert all(one.unknown == 0 for one in tried.trials)


def test_the_transmitter_may_refuse_a_rate(monkeypatch):
    ranges = {**transmitter._SETTING_RANGE, m.SettingId.PACKET_RATE_MHZ: (1_000, 200_000)}
    monkeypatch.setattr(transmitter, "_SETTING_RANGE", ranges)
    found = Tried(search(50, 300)).throughput
    assert found.best.rate_mhz == 200_000
    assert found.bad is None
    assert found.open_end == "refused"


def test_lost_serial_messages_leave_the_search_without_a_result_and_blame_nobody():
    settings = replace(FAST, receiver_message_loss=Fraction(1, 50))
    tried = Tried(search(50, 100, 10), settings=settings)
    assert tried.throughput.best is None
    assert tried.throughput.bad is None
    assert {one.outcome for one in tried.trials} <= {Outcome.VOID, Outcome.GOOD}
    assert not any(one.live in ("lossy", "slow") for one in tried.trials)


def test_a_full_trial_that_fails_lowers_the_rate():
    """The queue of 16 outlasts a short trial at 210 Hz where 208 Hz are worked off, and not a long one."""
    found = Tried(search(50, 210), patch=Patch(receiver=StartsItsRadioAgain))
    finals = [(one.rate_mhz, one.outcome) for one in found.trials if one.what == "final"]
    assert finals == [(210_000, Outcome.LOSSY), (205_000, Outcome.GOOD)]
    assert found.throughput.best.rate_mhz == 205_000


def test_the_rfc_method_takes_its_own_times():
    tried = Tried(search(50, 60, 10, method="RFC 2544", trial_ns=S))
    final = tried.trials[-1]
    assert final.end_ns - final.start_ns == pytest.approx(60 * S, abs=MS)
    before = [at for at, one in tried.told(TX, m.Setting) if one.value == 60_000]
    assert tried.trials[0].start_ns - before[0] >= 2 * S


# -- back to back ------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [2, 5, 9])
def test_finds_the_burst_that_fits_the_fifo(depth):
    """Where the loop is slow, a burst fills the FIFO; it may come round once during one. A paced packet may
    take a place as well."""
    link = replace(LINK, packet_rate_mhz=10_000)
    settings = replace(FAST, receiver_loop_ns=20 * MS, fifo_depth=depth, retransmit_limit=0)
    longest = Tried(p.FindBackToBack(up_to=40, repeats=12), settings=settings, link=link).longest
    assert len(longest) == 12
    assert depth - 1 <= min(longest) <= depth
    assert max(longest) <= 2 * depth


def test_every_burst_comes_at_another_phase_and_the_same_seed_gives_the_same_bytes():
    runs = [Tried(p.FindBackToBack(up_to=4, repeats=8), seed=seed) for seed in (3, 3, 4)]
    phases = [at % LINK.packet_period_ns for at, _ in runs[0].told(TX, m.Burst)]
    assert len(set(phases)) == 8
    assert max(phases) - min(phases) > 5 * MS
    assert runs[0].data == runs[1].data
    assert phases != [at % LINK.packet_period_ns for at, _ in runs[2].told(TX, m.Burst)]


def test_bursts_stop_at_what_the_serial_line_can_report():
    tried = Tried(p.FindBackToBack(up_to=60, repeats=3), settings=MockSettings())
    found = find_back_to_back(tried.evidence, tried.trials)
    assert {one.open_end for one in found.longest} == {"bench"}
    assert all(one.unknown == 0 for one in tried.trials)


# -- overload ----------------------------------------------------------------------------------------


def test_an_overload_is_a_share_of_the_throughput_found_and_then_half_of_it():
    settings = replace(FAST, receiver_loop_ns=10 * MS, retransmit_limit=0)
    tried = Tried(search(95, 405, 10), p.Overload(), settings=settings)
    rates = [one.value for _, one in tried.told(TX, m.Setting)][-3:]
    assert rates == [int(295_000 * 1.1), int(295_000 * 1.1) // 2, LINK.packet_rate_mhz]
    (one,) = after_overload(tried.evidence, tried.trials)
    assert one.pushed_lost > 0
    assert one.time_ns <= 10 * MS
    assert one.watched_ns == pytest.approx(3 * S, abs=20 * MS)


@pytest.mark.parametrize("deaf_ms", [1_400, 2_500])
def test_recovery_is_measured_from_the_moment_at_which_the_rate_fell(deaf_ms):
    """208 packets a second are worked off and 16 held: at 300 Hz the queue runs over after 0.17 s, and again
    after each deafness. The truth comes from the mock itself."""
    deaf_until = []

    class Slow(StartsItsRadioAgain):
        DEAF_NS = deaf_ms * MS

        def hear(self, packet):
            before = self._deaf_until_ns
            answer = super().hear(packet)
            if self._deaf_until_ns != before:
                deaf_until.append(self._deaf_until_ns)
            return answer

    tried = Tried(p.Overload(rate_mhz=300_000, after_ns=4 * S), patch=Patch(receiver=Slow))
    (one,) = after_overload(tried.evidence, tried.trials)
    until = deaf_until[-1] - one.from_ns
    # packets come every 6.67 ms, and the last lost one may be retransmitted for as long as 2.8 ms
    assert until - 10 * MS <= one.time_ns <= until + one.bound_ns


def test_an_overload_without_a_throughput_is_left_out():
    settings = replace(FAST, receiver_message_loss=Fraction(1, 20))
    tried = Tried(search(50, 60), p.Overload(), settings=settings)
    assert after_overload(tried.evidence, tried.trials) == ()
    assert tried.end.why == "complete"


# -- the bench is left as by any run -----------------------------------------------------------------


ALL = (search(50, 300), p.FindBackToBack(repeats=2, up_to=8), p.Overload(rate_mhz=200_000))


@pytest.mark.parametrize("action", ALL, ids=lambda action: action.WORD)
def test_afterwards_the_link_is_at_its_own_rate(action):
    tried = Tried(action, p.Settle(for_ns=S))
    rows = tried.evidence.sent.at_ns >= tried.evidence.steps[-1].start_ns
    assert int(rows.sum()) == pytest.approx(50 + 40, abs=25)  # a second, and the end of the run
    assert tried.end.why == "complete"


@pytest.mark.parametrize("action", ALL, ids=lambda action: action.WORD)
def test_keep_alives_and_sticks_go_on_during_trials(action):
    tried = Tried(action)
    for role in DEVICES:
        times = [at for at, _ in tried.told(role, m.KeepAlive)]
        assert max(after - before for before, after in pairwise(times)) < m.DEAD_MAN_MS * MS / 2.5
    step = tried.evidence.steps[0]
    sticks = [(at, message) for at, message in tried.told(TX, m.Sticks) if step.start_ns <= at <= step.end_ns]
    assert max(after - before for (before, _), (after, _) in pairwise(sticks)) < 500 * MS
    assert {message.pulses_us for _, message in sticks} == {LINK.rest_us}


def test_the_sticks_stay_where_the_step_before_put_them():
    tried = Tried(p.Hold(for_ns=S, sticks=(("roll", 1700),)), p.FindBackToBack(repeats=1, up_to=4))
    during = [
        message.pulses_us[0]
        for at, message in tried.told(TX, m.Sticks)
        if tried.evidence.steps[1].start_ns <= at < tried.evidence.steps[1].end_ns
    ]
    assert set(during) == {1700}


@pytest.mark.parametrize("error", [KeyboardInterrupt(), BenchError("gone", role=RX, port="rx")])
@pytest.mark.parametrize("at_ms", [1_100, 2_500, 5_300])
def test_a_run_that_is_stopped_in_a_trial_asks_for_the_links_rate_and_ends_safely(error, at_ms):
    tried = Tried(search(50, 300), p.Overload(rate_mhz=300_000), trip=error, at_ns=at_ms * MS)
    assert tried.end.why in ("interrupted", "port gone")
    assert tried.last_rate() == LINK.packet_rate_mhz
    assert tried.told(TX, m.Sticks)[-1][1].pulses_us == LINK.rest_us
    assert tried.told(TX, m.Release)


OWN_MHZ = LINK.packet_rate_mhz


def last_gaps_ms(tried):
    times = tried.evidence.sent.at_ns[-20:].tolist()
    return {round((after - before) / MS) for before, after in pairwise(times)}


@pytest.mark.parametrize("action", [search(50, 60, 10), ALL[2]], ids=lambda action: action.WORD)
@pytest.mark.parametrize("lost", [1, 3, 8])
def test_lost_commands_to_go_back_leave_the_link_at_its_own_rate(action, lost):
    tried = Tried(action, p.Settle(for_ns=S), around=lambda bench: Spoilt(bench, range(lost), OWN_MHZ))
    assert tried.end.why == "complete"
    assert last_gaps_ms(tried) == {20}
    rows = tried.evidence.sent.at_ns >= tried.evidence.steps[-1].start_ns
    assert int(rows.sum()) == pytest.approx(50 + 40, abs=25)


def test_a_rate_that_was_not_confirmed_in_its_step_is_asked_for_during_the_next():
    tried = Tried(ALL[2], p.Settle(for_ns=2 * S), around=lambda bench: Spoilt(bench, range(12), OWN_MHZ))
    end = tried.evidence.steps[-1].end_ns
    sent = tried.evidence.sent.at_ns
    assert int(((sent >= end - S) & (sent < end)).sum()) == pytest.approx(50, abs=1)


def test_a_rate_that_never_comes_back_is_told_and_asked_for_on_the_way_out():
    told = Told()
    tried = Tried(
        ALL[2], p.Settle(for_ns=S), around=lambda bench: Spoilt(bench, range(1000), OWN_MHZ), observer=told
    )
    assert tried.end.why == "complete"
    assert len(told.lines) == 1
    assert "did not confirm 50 packets a second" in told.lines[0]
    settings = tried.told(TX, m.Setting)
    assert settings[-1][1].value == OWN_MHZ
    assert settings[-1][0] > tried.evidence.steps[-1].end_ns
    assert {at for at, one in settings if one.value == OWN_MHZ and at > tried.evidence.steps[0].end_ns}


def test_a_refused_rate_back_is_told_and_not_believed(monkeypatch):
    """The transmitter takes 200 Hz and then no longer its own 50 Hz."""
    ranges = {**transmitter._SETTING_RANGE, m.SettingId.PACKET_RATE_MHZ: (90_000, 400_000)}
    monkeypatch.setattr(transmitter, "_SETTING_RANGE", ranges)
    told = Told()
    tried = Tried(ALL[2], observer=told)
    assert tried.end.why == "complete"
    assert len(told.lines) == 1
    assert not tried.runner.rate.is_own
    assert tried.last_rate() == OWN_MHZ


@pytest.mark.parametrize("at_ms", [1_100, 2_500, 5_300])
def test_a_run_that_is_stopped_in_a_trial_gets_the_links_rate_even_if_the_command_is_lost(at_ms):
    tried = Tried(
        search(50, 300), p.Overload(rate_mhz=300_000), trip=KeyboardInterrupt(), at_ns=at_ms * MS,
        around=lambda bench: Spoilt(bench, [0], OWN_MHZ),
    )  # fmt: skip
    assert tried.end.why == "interrupted"
    assert last_gaps_ms(tried) == {20}


def test_a_rate_whose_reply_got_lost_is_not_left_behind():
    """The transmitter takes 60 Hz, and no reply tells: there is no trial, and the link gets its own rate."""

    class Mute(Spoilt):
        def advance(self, until_ns):
            return [(role, self._kept(role, data), at) for role, data, at in self.inner.advance(until_ns)]

        def _kept(self, role, data):
            pieces = data.split(b"\0")
            return b"\0".join(piece for piece in pieces if not (piece and self._tells(piece)))

        def _tells(self, piece):
            message = m.parse(frame) if isinstance(frame := decode_piece(piece), Frame) else None
            return isinstance(message, m.Reply) and 0 < self.count <= 3

    tried = Tried(search(60, 60, 10), p.Settle(for_ns=S), around=lambda bench: Mute(bench, []))
    values = [one.value for _, one in tried.told(TX, m.Setting)]
    assert values[:4] == [60_000] * 3 + [OWN_MHZ]
    assert last_gaps_ms(tried) == {20}
    assert tried.end.why == "complete"


def test_a_transmitter_that_restarts_in_a_trial_gets_the_trials_rate_and_then_the_links():
    class Restarts(Spoilt):
        done = False

        def advance(self, until_ns):
            if self.count == 1 and not self.done and self.inner.now_ns() > 1200 * MS:
                self.done = True
                self.inner.send(TX, m.encode(m.Restart(), 60_000))
            return self.inner.advance(until_ns)

    tried = Tried(search(60, 60, 10), p.Settle(for_ns=S), around=lambda bench: Restarts(bench, []))
    values = [one.value for _, one in tried.told(TX, m.Setting)]
    assert values[:3] == [60_000, 60_000, OWN_MHZ]
    assert last_gaps_ms(tried) == {20}


def test_a_device_without_the_ability_is_refused_before_anything_moves(monkeypatch):
    for action, ability, words in (
        (ALL[0], m.Ability.SET_PACKET_RATE, "cannot change its packet rate, which steps"),
        (ALL[1], m.Ability.BURST, "cannot send bursts"),
        (ALL[2], m.Ability.SET_PACKET_RATE, "cannot change its packet rate"),
    ):
        with monkeypatch.context() as patched:
            patched.setattr(Transmitter, "ABILITIES", Transmitter.ABILITIES & ~ability)
            with pytest.raises(BenchError, match=words):
                Tried(action)


# -- the tally ---------------------------------------------------------------------------------------


def test_the_tally_counts_missing_messages_of_both_devices_and_no_witness():
    tally = Tally()
    for role, counters in ((TX, (65_534, 65_535, 1)), (RX, (7, 9)), (Role.WITNESS, (1, 400))):
        for counter in counters:
            tally.take(role, Frame(0x7F, counter, b"", b""))
    assert tally.missing == 2
    tally.clear()
    tally.take(TX, Frame(0x7F, 2, b"", b""))
    assert tally.missing == 0


def test_the_link_is_steady_when_packets_in_a_row_came_through():
    tally = Tally()
    tally.sent = list(range(20))
    tally.applied = set(range(20)) - {19, 18, 18 - STEADY - 1}
    assert tally.is_steady()
    tally.applied.remove(12)
    assert not tally.is_steady()
    tally.sent = tally.sent[:5]
    assert not tally.is_steady()


HARD = {
    "a dead link": replace(FAST, loss=Fraction(1)),
    "a lossy link": replace(FAST, loss=Fraction(6, 10)),
    "a lossy line": replace(FAST, receiver_message_loss=Fraction(1, 50)),
    "a slow loop": replace(FAST, receiver_loop_ns=30 * MS, fifo_depth=2),
}


@pytest.mark.parametrize("settings", HARD.values(), ids=HARD)
def test_a_step_never_takes_longer_than_was_said(settings):
    actions = (search(50, 120), p.FindBackToBack(repeats=3, up_to=8), p.Overload(rate_mhz=300_000))
    tried = Tried(*actions, settings=settings)
    assert tried.end.why == "complete"
    for action, step in zip(actions, tried.evidence.steps, strict=True):
        assert step.end_ns - step.start_ns <= limit_step_ns(action, LINK)


def test_the_display_is_told_which_trial_is_under_way_and_what_is_left():
    class Seen:
        def __init__(self):
            self.rows = []

        def update(self, snapshot):
            self.rows.append((snapshot.note, snapshot.left_ns))

        def say(self, line):
            raise AssertionError(line)

    seen = Seen()
    Tried(search(50, 100), p.FindBackToBack(repeats=1, up_to=4), p.Settle(for_ns=2 * S), observer=seen)
    notes = {note for note, _ in seen.rows}
    assert {"search at 100 Hz", "final at 100 Hz", "burst of 4 packets, search 1", ""} <= notes
    assert seen.rows[-1][0] == ""
    settling = [left for note, left in seen.rows if note == "" and left <= 2 * S]
    assert max(settling) > 1800 * MS  # what a search did not need is not left any more
