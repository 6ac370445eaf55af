"""The harness carries a timeline out, and ends it with the throttle closed and the devices released."""

import io
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_timeline import LINK, plan_of

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError, StorageError
from harness.plan import model as p
from harness.recording import Direction, Header, RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.settings import MockSettings
from mocks.witness import Witness

WX = Role.WITNESS
WITNESSED = MockSettings(witness=True)
HEADER = Header("x", "x", "mock", "", 7, (), "virtual", 0, False, dict.fromkeys(DEVICES, 115_200), {})


class Trip:
    """A bench that raises `error` once, at the first `advance` after `at_ns`; later calls go through."""

    def __init__(self, bench, at_ns, error, *, gone=()):
        self.inner, self.at_ns, self.error, self.gone = bench, at_ns, error, gone
        self.tripped = False

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        if not self.tripped and self.inner.now_ns() >= self.at_ns:
            self.tripped = True
            raise self.error
        return self.inner.advance(until_ns)

    def send(self, role, data):
        if self.tripped and role in self.gone:
            raise self.error
        return self.inner.send(role, data)


class Run:
    """What one run left behind."""

    def __init__(
        self, *actions, settings=None, seed=7, trip=None, gone=(), observer=None, at_ns=3 * S, checks=(),
        around=lambda bench: bench, stop_at_ns=None, file=None,
    ):  # fmt: skip
        self.bench = around(open_virtual(LINK, settings or MockSettings(), seed))
        header = replace(HEADER, baud=dict(self.bench.baud))
        if trip is not None:
            self.bench = Trip(self.bench, at_ns, trip, gone=gone)
        self.file = file or io.BytesIO()
        writer = RecordingWriter(self.file, header, 0)
        self.plan = plan = replace(plan_of(*actions), checks=checks)
        self.raised = None
        self.end = None
        try:
            runner = Runner(self.bench, writer, plan, observer or Quiet())
            if stop_at_ns is not None:
                runner.talk.stop_requested = lambda: self.bench.now_ns() >= stop_at_ns
            self.end = runner.run(build_timeline(plan, seed))
        except (BenchError, RuntimeError, StorageError) as error:
            self.raised = error
        writer.close()

    @property
    def data(self):
        return self.file.getvalue()

    @property
    def marks(self):
        return parse_recording(self.data, "x").marks

    def messages(self, role, direction):
        port = parse_recording(self.data, "x").ports[role]
        rows = zip(port.at_ns, port.direction, port.data, strict=True)
        return [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == direction]

    def to(self, role):
        return self.messages(role, Direction.TO_DEVICE)


WALK = (p.Wait(until="linked"), p.Wander(for_ns=2 * S), p.Cut(duration_ns=700 * MS, times=2), p.Settle())


def assert_left_safe(run, roles=tuple(DEVICES)):
    sticks = [message for _, message in run.to(Role.TRANSMITTER) if isinstance(message, m.Sticks)]
    if Role.TRANSMITTER in roles:
        assert sticks[-1].pulses_us == LINK.rest_us
    for role in roles:
        assert isinstance(run.to(role)[-1][1], m.Release)


def test_a_whole_run_is_marked_from_begin_to_end():
    run = Run(*WALK)
    assert run.end.why == "complete"
    kinds = [mark.kind for mark in run.marks]
    assert kinds[0] == "begin"
    assert kinds[-1] == "end"
    assert kinds.count("step") == kinds.count("step end") == len(WALK)
    assert kinds.count("cut") == 2
    assert_left_safe(run)


def test_a_whole_run_hears_from_both_devices():
    run = Run(*WALK)
    heard = {type(message) for role in DEVICES for _, message in run.messages(role, Direction.TO_PC)}
    assert heard >= {m.Identity, m.Pong, m.Sent, m.Applied, m.OutputChange, m.Reply, m.Counters, m.Started}


@pytest.mark.parametrize("role", DEVICES)
def test_keep_alives_never_pause_for_a_third_of_the_dead_man_time(role):
    times = [at for at, message in Run(*WALK).to(role) if isinstance(message, m.KeepAlive)]
    assert max(after - before for before, after in pairwise(times)) < m.DEAD_MAN_MS * MS / 2.5


@pytest.mark.parametrize("role", DEVICES)
def test_pings_before_during_and_after_the_run_map_each_clock(role):
    run = Run(*WALK)
    steps = [mark.at_ns for mark in run.marks if mark.kind in ("step", "step end")]
    times = [at for at, message in run.to(role) if isinstance(message, m.Ping)]
    assert sum(at < steps[0] for at in times) >= 8
    assert sum(steps[0] <= at <= steps[-1] for at in times) >= 4
    assert sum(at > steps[-1] for at in times) >= 8


def test_each_ping_waits_for_the_one_before():
    run = Run(*WALK)
    for role in DEVICES:
        pongs = {
            message.nonce: at
            for at, message in run.messages(role, Direction.TO_PC)
            if isinstance(message, m.Pong)
        }
        pings = {message.nonce: at for at, message in run.to(role) if isinstance(message, m.Ping)}
        assert set(pongs) == set(pings)
        for nonce in range(2, len(pings) + 1):
            assert pings[nonce] >= pongs[nonce - 1]


def test_messages_to_a_device_are_numbered_without_gaps():
    run = Run(*WALK)
    for role in DEVICES:
        port = parse_recording(run.data, "x").ports[role]
        rows = zip(port.direction, port.data, strict=True)
        counters = [decode_piece(data[:-1]).counter for way, data in rows if way == Direction.TO_DEVICE]
        assert counters == list(range(len(counters)))


def test_equal_seeds_give_equal_recordings_and_other_seeds_do_not():
    assert Run(*WALK, seed=3).data == Run(*WALK, seed=3).data
    assert Run(*WALK, seed=3).data != Run(*WALK, seed=4).data


def test_a_missed_wait_ends_the_run_early_and_says_which():
    dead = MockSettings(loss=Fraction(1))
    run = Run(p.Wait(until="linked", deadline_ns=2 * S), p.Settle(), settings=dead)
    assert (run.end.why, run.end.step) == ("wait missed", "steps[0]")
    assert "not up within 2 s" in run.end.detail
    assert [mark.fields["path"] for mark in run.marks if mark.kind == "missed"] == ["steps[0]"]
    assert not any(mark.fields.get("path") == "steps[1]" for mark in run.marks if mark.kind == "step")
    assert_left_safe(run)


@pytest.mark.parametrize("until", ["linked", "packets"])
def test_a_wait_ends_as_soon_as_it_is_over(until):
    run = Run(p.Wait(until=until, packets=25, deadline_ns=10 * S), p.Settle())
    assert run.end.why == "complete"
    begin, end = (mark.at_ns for mark in run.marks if mark.fields.get("path") == "steps[0]")
    assert end - begin < S


@pytest.mark.parametrize(("cut_ns", "why"), [(2 * S, "complete"), (100 * MS, "wait missed")])
def test_a_wait_for_failsafe_is_over_in_failsafe_and_missed_without_it(cut_ns, why):
    cut = p.Cut(duration_ns=cut_ns, phase=0, after_ns=0)  # the silence outlasts the step by the line's delay
    assert Run(cut, p.Wait(until="failsafe", deadline_ns=S)).end.why == why


def test_ctrl_c_leaves_everything_safe_and_is_told_in_the_recording():
    run = Run(*WALK, trip=KeyboardInterrupt())
    assert run.end.why == "interrupted"
    assert run.marks[-1].fields["why"] == "interrupted"
    assert run.marks[-1].fields["step"] == run.end.step
    assert_left_safe(run)


@pytest.mark.parametrize("role", DEVICES)
def test_a_port_that_vanishes_ends_the_run_and_the_other_device_is_still_released(role):
    gone = BenchError("the port vanished", role=role, port="/dev/x")
    run = Run(*WALK, trip=gone, gone=(role,))
    assert run.end.why == "port gone"
    last = run.marks[-1]
    assert (last.fields["role"], last.fields["port"]) == (role, "/dev/x")
    assert_left_safe(run, [other for other in DEVICES if other != role])


def test_a_fault_of_our_own_is_raised_after_the_devices_are_safe():
    run = Run(*WALK, trip=RuntimeError("our bug"))
    assert str(run.raised) == "our bug"
    assert run.marks[-1].fields["why"] == "error"
    assert_left_safe(run)


def test_a_second_ctrl_c_while_ending_still_leaves_everything_safe():
    class Twice(Trip):
        def advance(self, until_ns):
            if self.inner.now_ns() >= self.at_ns and self.left:
                self.left -= 1
                raise KeyboardInterrupt
            return self.inner.advance(until_ns)

    bench = Twice(open_virtual(LINK, MockSettings(), 7), 3 * S, None)
    bench.left = 2
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER, 0)
    plan = plan_of(*WALK)
    end = Runner(bench, writer, plan, Quiet()).run(build_timeline(plan, 7))
    writer.close()
    assert end.why == "interrupted"
    marks = parse_recording(file.getvalue(), "x").marks
    assert marks[-1].kind == "end"


def test_swapped_ports_are_refused_before_anything_moves():
    run = Run(*WALK, settings=MockSettings(swapped_ports=True))
    assert isinstance(run.raised, BenchError)
    assert "swap" in str(run.raised)
    assert not any(
        isinstance(message, m.Inject | m.Burst | m.Silence) for _, message in run.to(Role.TRANSMITTER)
    )


def test_a_newer_protocol_is_refused_in_words():
    run = Run(*WALK, settings=MockSettings(protocol_version=9))
    assert isinstance(run.raised, BenchError)
    assert "9" in str(run.raised)


def test_the_packet_rate_is_set_where_the_transmitter_can():
    run = Run(*WALK, settings=MockSettings(packet_rate_mhz=25_000))
    settings = [message for _, message in run.to(Role.TRANSMITTER) if isinstance(message, m.Setting)]
    assert settings == [m.Setting(m.SettingId.PACKET_RATE_MHZ, 50_000)]
    assert run.end.why == "complete"


SLOW_CUTS = (
    p.Wait(until="linked"),
    p.Cut(duration_ns=600 * MS, times=2, packet_rate_mhz=25_000),
    p.Settle(for_ns=2 * S),
)


def rates_set(run):
    told = run.to(Role.TRANSMITTER)
    return [message.value for _, message in told if isinstance(message, m.Setting)]


def test_cuts_at_another_packet_rate_set_it_before_each_and_the_links_own_after():
    run = Run(*SLOW_CUTS)
    assert run.end.why == "complete"
    assert rates_set(run) == [25_000, 50_000] * 2
    sent = [message.at_us for _, message in run.messages(Role.TRANSMITTER, Direction.TO_PC)
            if isinstance(message, m.Sent)]  # fmt: skip
    gaps = [after - before for before, after in pairwise(sent)]
    assert gaps.count(40_000) > 2 * 20
    assert set(gaps[-50:]) == {20_000}


def test_a_run_that_ends_at_another_packet_rate_sets_the_links_own_again():
    run = Run(*SLOW_CUTS, trip=KeyboardInterrupt(), at_ns=S + 300 * MS)
    assert run.end.why == "interrupted"
    assert rates_set(run) == [25_000, 50_000]
    assert_left_safe(run)


def test_a_transmitter_that_restarts_at_another_packet_rate_is_set_to_it_again(monkeypatch):
    runner = Runner(open_virtual(LINK, MockSettings(), 7), RecordingWriter(io.BytesIO(), HEADER, 0),
                    plan_of(*SLOW_CUTS), Quiet())  # fmt: skip
    told = []
    monkeypatch.setattr(runner.talk, "send", lambda role, message: told.append(message))
    runner.talk.ports[Role.TRANSMITTER].identity = m.Identity(1, 1, 4, 50_000, 0xFFFF, "", "", "")
    runner.rate.wanted_mhz = 25_000
    runner._set_up_again(Role.TRANSMITTER)
    assert told[0] == m.Setting(m.SettingId.PACKET_RATE_MHZ, 25_000)


def test_cuts_at_another_packet_rate_are_refused_where_the_transmitter_cannot(monkeypatch):
    unpacked = m.Identity.unpack.__func__
    able = m.Ability.STICKS | m.Ability.SILENCE
    monkeypatch.setattr(
        m.Identity, "unpack", classmethod(lambda cls, data: replace(unpacked(cls, data), abilities=able))
    )
    run = Run(*SLOW_CUTS)
    assert isinstance(run.raised, BenchError)
    assert "cannot change its packet rate, which steps[1] with `packet_rate` needs" in str(run.raised)
    assert Run(p.Cut(duration_ns=600 * MS)).raised is None


@pytest.mark.parametrize(
    ("action", "ways"),
    [
        *((p.Cut(duration_ns=600 * MS, by=by, times=2), [by, by]) for by in p.CUT_WAYS),
        (p.Restart(device=Role.RECEIVER, silent_ns=100 * MS), ["restart"]),
        (p.Restart(device=Role.RECEIVER), []),
        (p.Fade(over_ns=200 * MS, duration_ns=S, times=2), ["fade"] * 2 * 7),
        (p.Mute(for_ns=200 * MS), []),
        (p.Interfere(for_ns=200 * MS), []),
    ],
    ids=lambda value: getattr(value, "WORD", ""),
)
def test_every_cut_is_marked_with_its_way_and_its_step(action, ways):
    run = Run(p.Wait(until="linked"), action)
    assert run.end.why == "complete"
    cuts = [mark for mark in run.marks if mark.kind == "cut"]
    assert [mark.fields["way"] for mark in cuts] == ways
    assert {mark.fields["path"] for mark in cuts} <= {"steps[1]"}
    assert [mark.fields["number"] for mark in cuts] == list(range(1, len(ways) + 1))
    commands = [message for role in DEVICES for _, message in run.to(role)
                if isinstance(message, m.Silence | m.Deafen | m.Disturb)]  # fmt: skip
    spans = [(message.delay_us, message.duration_us) for message in commands]
    if ways:
        assert [(mark.fields["delay_us"], mark.fields["duration_us"]) for mark in cuts] == spans


@pytest.mark.parametrize("word", ["cut", "fade"])
def test_cuts_or_fades_in_a_row_are_one_pass_through_their_step(word):
    keys = {"cut": {}, "fade": {"over_ns": 200 * MS}}[word]
    action = {"cut": p.Cut, "fade": p.Fade}[word](duration_ns=300 * MS, times=3, **keys)
    kinds = [(mark.kind, mark.fields["path"]) for mark in Run(action).marks if mark.kind.startswith("step")]
    assert kinds == [("step", "steps[0]"), ("step end", "steps[0]")]


def test_the_link_wears_out_in_a_fade_and_comes_back_as_it_went():
    fade = p.Fade(over_ns=S, duration_ns=S)
    run = Run(p.Wait(until="linked"), fade, p.Settle())
    sent = [message.at_us // 1000 for _, message in run.messages(Role.TRANSMITTER, Direction.TO_PC)
            if isinstance(message, m.Sent)]  # fmt: skip
    gaps = [after - before for before, after in pairwise(sent)]
    longer = [20 * (periods + 1) for periods in range(1, 9)]  # 8 * 11 / 2 = 44 of 50 periods
    assert [gap for gap in gaps if gap > 20] == [*longer, 1020, *reversed(longer)]


@pytest.mark.parametrize("by", ["silence", "corrupted", "foreign", "repeated"])
def test_a_burst_is_under_way_when_its_cut_begins(by):
    cut = p.Cut(duration_ns=600 * MS, by=by, burst=8, times=10)
    run = Run(p.Wait(until="linked"), cut)
    sent = [message for _, message in run.messages(Role.TRANSMITTER, Direction.TO_PC)
            if isinstance(message, m.Sent)]  # fmt: skip
    of_bursts = sum(bool(message.flags & m.SENT_IN_BURST) for message in sent)
    assert 10 <= of_bursts < 80


def test_failsafe_is_in_when_a_silent_restart_comes_and_no_packet_before_the_silence_is_over():
    run = Run(p.Wait(until="linked"), p.Restart(device=Role.RECEIVER, silent_ns=S), p.Settle())
    heard = run.messages(Role.RECEIVER, Direction.TO_PC)
    (restart_ns,) = (mark.at_ns for mark in run.marks if mark.kind == "restart")
    failsafe_ns = [at for at, message in heard if isinstance(message, m.OutputChange) and message.reason == 1]
    assert failsafe_ns[-1] < restart_ns
    applied_ns = [at for at, message in heard if isinstance(message, m.Applied)]
    assert not [at for at in applied_ns if restart_ns - 500 * MS < at < restart_ns + S]
    assert max(applied_ns) > restart_ns + S


def test_counters_start_where_a_restart_says_and_the_run_goes_on_across_their_wraps():
    near = p.Restart(device=Role.TRANSMITTER, clock_wraps_in_ns=S, packets_wrap_in=20)
    run = Run(p.Wait(until="linked"), near, p.Wait(until="linked"), p.Settle(for_ns=2 * S))
    assert run.end.why == "complete"
    heard = [message for _, message in run.messages(Role.TRANSMITTER, Direction.TO_PC)]
    started = [n for n, message in enumerate(heard) if isinstance(message, m.Started)][-1]
    assert heard[started].at_us == 2**32 - 1_000_000
    sent = [message for message in heard[started:] if isinstance(message, m.Sent)]
    assert [message.packet for message in sent[18:22]] == [65_534, 65_535, 0, 1]
    assert sent[-1].at_us < sent[0].at_us


def test_a_transmitter_restarted_near_its_wraps_is_asked_for_the_packet_rate_again():
    near = p.Restart(device=Role.TRANSMITTER, packets_wrap_in=20)
    run = Run(p.Wait(until="linked"), near, p.Settle(), settings=MockSettings(packet_rate_mhz=25_000))
    assert rates_set(run) == [50_000] * 2
    sent = [message.at_us for _, message in run.messages(Role.TRANSMITTER, Direction.TO_PC)
            if isinstance(message, m.Sent)]  # fmt: skip
    assert {after - before for before, after in list(pairwise(sent))[-40:]} == {20_000}


@pytest.mark.parametrize("device", DEVICES)
def test_a_cut_right_at_power_up_comes_just_after_the_first_packets(device):
    restart = p.Restart(device=device, after_ns=0)
    cut = p.Cut(duration_ns=600 * MS, before_ns=0, phase=0)
    run = Run(p.Wait(until="linked"), restart, p.Wait(until="linked"), cut, settings=MockSettings())
    (cut_ns,) = (mark.at_ns for mark in run.marks if mark.kind == "cut")
    started_ns = [
        at for at, message in run.messages(device, Direction.TO_PC) if isinstance(message, m.Started)
    ]
    applied_ns = [at for at, message in run.messages(Role.RECEIVER, Direction.TO_PC)
                  if isinstance(message, m.Applied)]  # fmt: skip
    between = [at for at in applied_ns if started_ns[-1] < at < cut_ns]
    assert 1 <= len(between) <= 2
    assert cut_ns - started_ns[-1] < 60 * MS


def test_nothing_changes_while_acknowledgements_are_missing_or_a_stranger_sends():
    run = Run(p.Wait(until="linked"), p.Mute(for_ns=S), p.Interfere(for_ns=S))
    heard = run.messages(Role.RECEIVER, Direction.TO_PC)
    (begin_ns,) = (mark.at_ns for mark in run.marks if mark.kind == "step" and mark.fields["kind"] == "mute")
    assert not [message for at, message in heard if isinstance(message, m.OutputChange) and at > begin_ns]
    applied = [message for at, message in heard if isinstance(message, m.Applied) and at > begin_ns]
    numbers = [message.packet for message in applied]
    assert [after - before for before, after in pairwise(numbers)] == [1] * (len(numbers) - 1)
    assert len(numbers) > 100


def test_the_observer_sees_the_steps_and_the_counts_grow():
    class Watch(Quiet):
        def __init__(self):
            super().__init__()
            self.seen = []

        def update(self, snapshot):
            self.seen.append(snapshot)

    watch = Watch()
    Run(*WALK, observer=watch)
    assert {shot.step_path for shot in watch.seen} == {f"steps[{n}]" for n in range(len(WALK))}
    sent = [shot.packets_sent for shot in watch.seen]
    assert sent == sorted(sent)
    assert watch.seen[-1].packets_applied > 100
    assert {shot.link_state for shot in watch.seen} >= {"linked", "failsafe"}


@pytest.mark.parametrize(
    "action", [p.Burst(count=3, spacing_ns=0), p.Inject(times=2), p.Restart(device=Role.RECEIVER)]
)
def test_a_step_that_the_firmware_cannot_do_is_refused_before_the_run(action, monkeypatch):
    unpacked = m.Identity.unpack.__func__

    def poor(cls, payload):
        identity = unpacked(cls, payload)
        return m.Identity(
            identity.protocol,
            identity.role,
            identity.channels,
            identity.packet_rate_mhz,
            m.Ability.STICKS,
            "",
            "",
            "",
        )

    monkeypatch.setattr(m.Identity, "unpack", classmethod(poor))
    run = Run(action)
    assert isinstance(run.raised, BenchError)
    assert "steps[0]" in str(run.raised)
    assert "cannot" in str(run.raised)


def test_a_witness_is_identified_pinged_kept_alive_and_released_and_never_gets_sticks():
    run = Run(*WALK, settings=WITNESSED)
    assert run.end.why == "complete"
    told = {type(message) for _, message in run.to(WX)}
    assert told == {m.Identify, m.Ping, m.KeepAlive, m.Release}
    assert_left_safe(run, roles=tuple(Role))
    heard = {type(message) for _, message in run.messages(WX, Direction.TO_PC)}
    assert heard == {m.Started, m.Identity, m.Pong, m.Pulses}
    steps = [mark.at_ns for mark in run.marks if mark.kind in ("step", "step end")]
    pings = [at for at, message in run.to(WX) if isinstance(message, m.Ping)]
    assert sum(at < steps[0] for at in pings) >= 8
    assert sum(at > steps[-1] for at in pings) >= 8


def test_a_run_without_a_witness_has_no_third_port():
    run = Run(*WALK)
    assert WX not in parse_recording(run.data, "x").ports


def test_a_witness_whose_port_vanishes_ends_the_run_with_the_throttle_closed():
    gone = BenchError("the port vanished", role=WX, port="/dev/x")
    run = Run(*WALK, settings=WITNESSED, trip=gone, gone=(WX,))
    assert run.end.why == "port gone"
    assert run.marks[-1].fields["role"] == WX
    assert_left_safe(run)


def test_a_witness_that_is_none_is_refused_in_words(monkeypatch):
    monkeypatch.setattr(Witness, "WIRE_ROLE", m.WireRole.RECEIVER)
    run = Run(*WALK, settings=WITNESSED)
    assert "the witness port leads to the receiver: swap the two ports" in str(run.raised)
    assert run.raised.role == WX


@pytest.mark.parametrize(
    ("rule", "settings", "refused"),
    [
        (p.Pins(), MockSettings(), True),
        (p.Pins(), WITNESSED, False),
        (p.Pins(witness="if present"), MockSettings(), False),
    ],
    ids=["required and missing", "required and there", "if present and missing"],
)
def test_a_plan_that_needs_a_witness_is_refused_without_one_before_anything_is_sent(rule, settings, refused):
    run = Run(*WALK, settings=settings, checks=(p.PlanCheck(rule, "pins", "checks[0]"),))
    assert (run.raised is not None) == refused
    if refused:
        assert "the plan's check pins needs a witness and the rig has none" in str(run.raised)
        assert "`pins: {witness: if present}`" in str(run.raised)
        assert all(port.data == [] for port in parse_recording(run.data, "x").ports.values())
