"""The harness carries out whole plans on devices without the bench protocol, and judges what they tell."""

from dataclasses import replace
from pathlib import Path

import pytest
from spoken import CHANNELS, PLAN, RX, TEXT_RIG, TX, Spoken

from harness.bench.identify import WIRE_ROLES
from harness.bench.translated import Translation, raw_name
from harness.codec import messages as m
from harness.codec.frames import Splitter
from harness.devices.making import make_device
from harness.errors import BenchError
from harness.judge.telling import NEEDS
from harness.plan.checks import CHECK_KINDS
from harness.recording import Direction
from harness.report.text import render
from harness.running import judge_file
from mocks.settings import MockSettings
from mocks.speaking import Voice, heard_by_transmitter, record_receiver, text_receiver, text_transmitter

TESTPLANS = Path(__file__).parents[2] / "testplans"
VOICES = {TX: text_transmitter(), RX: text_receiver()}
SILENT = "\n".join(line for line in TEXT_RIG.splitlines() if "lines: {sent" not in line) + "\n"
NO_NUMBERS = TEXT_RIG.replace(" n={packet}", "")
NO_TIME = TEXT_RIG.replace(" t={ms}", "")
RAW = TEXT_RIG + "  scale: {from: 0 to 1023, to: 1000 us to 2000 us}\n"
NO_FAILSAFE = "\n".join(line for line in TEXT_RIG.splitlines() if "failsafe:" not in line) + "\n"
FIELDS = CHANNELS.replace("{", "").replace("}", " u16le").replace(",", ", ")
RECORDS = (
    TEXT_RIG[: TEXT_RIG.index("receiver:")]
    + f"""\
receiver:
  port: /dev/ttyUSB1
  speaks: records
  records:
    sync: AA 55
    length: true
    checksum: CRC-16/MODBUS
    applied: {{id: 1, fields: [packet u16le, us u32le, {FIELDS}]}}
    failsafe: {{id: 2, fields: [us u32le, {FIELDS}]}}
"""
)


def not_passed(run):
    return {name: verdict for name, verdict in run.verdicts().items() if verdict != "pass"}


@pytest.mark.parametrize(
    ("rig", "voices"),
    [
        (TEXT_RIG, VOICES),
        (RAW, {TX: text_transmitter(), RX: text_receiver(raw=True)}),
        (RECORDS, {TX: text_transmitter(), RX: record_receiver()}),
    ],
    ids=["text", "raw counts", "records"],
)
def test_a_healthy_link_passes_all_that_can_be_judged(rig, voices):
    run = Spoken(voices, rig=rig)
    assert run.end.why == "complete"
    assert not_passed(run) == {}


def test_a_scale_that_does_not_fit_shows():
    """The near-miss is the healthy run with raw counts above."""
    run = Spoken({TX: text_transmitter(), RX: text_receiver(raw=True)}, rig=RAW.replace("1023", "1000"))
    assert run.verdicts()["fidelity"] == "fail"


@pytest.mark.parametrize("defect", ["failsafe-late"])
@pytest.mark.parametrize("rig", [TEXT_RIG, NO_NUMBERS, SILENT], ids=["full", "no numbers", "nothing sent"])
def test_a_late_failsafe_fails_whatever_else_is_not_told(defect, rig):
    voices = {
        TX: text_transmitter(reports=rig is not SILENT),
        RX: text_receiver(numbers=rig is not NO_NUMBERS),
    }
    run = Spoken(voices, rig=rig, defect=defect)
    assert run.verdicts()["failsafe_entry"] == "fail"
    near = Spoken(voices, rig=rig, defect=defect, near_miss=True)
    assert near.verdicts()["failsafe_entry"] != "fail"  # 499 ms of 500, and a clock that counts milliseconds
    fine = Spoken(voices, rig=rig)
    assert fine.verdicts()["failsafe_entry"] == "pass"


MATCHED = {"delivery", "latency", "duplicates", "fidelity", "no_glitch", "failsafe_exit"}


def test_without_packet_numbers_what_needs_them_says_so_and_the_rest_is_judged():
    run = Spoken({TX: text_transmitter(), RX: text_receiver(numbers=False)}, rig=NO_NUMBERS)
    assert not_passed(run) == dict.fromkeys(MATCHED, "inconclusive")
    why = "this cannot be judged here: the receiver, which speaks text, does not tell packet numbers"
    assert {run.results[name].reason for name in MATCHED} == {why}
    assert run.judgement.packets_applied > 1500


def test_without_times_those_of_arrival_stand_in_with_their_bound():
    run = Spoken({TX: text_transmitter(), RX: text_receiver(times=False)}, rig=NO_TIME)
    assert not_passed(run) == {"failsafe_entry": "inconclusive"}
    assert "its times are those at which its messages came" in " ".join(run.judgement.notes)


@pytest.mark.parametrize(
    ("within", "verdict"), [("600 ms", "pass"), ("400 ms", "fail"), ("470 ms", "inconclusive")]
)
def test_without_times_only_a_clear_failsafe_time_is_judged(within, verdict):
    """The mock's failsafe comes 480 ms after the last packet, which is known here to 30 ms."""
    voices = {TX: text_transmitter(), RX: text_receiver(times=False)}
    plan = PLAN.replace("within: 500 ms", f"within: {within}")
    run = Spoken(voices, rig=NO_TIME, plan=plan, mock_plan=PLAN)
    assert run.verdicts()["failsafe_entry"] == verdict


def test_a_clock_of_sixteen_bits_may_wrap_in_the_run():
    inner = text_receiver()

    def says(message):
        if hasattr(message, "at_us"):
            message = replace(message, at_us=message.at_us // 1000 % 65_536 * 1000)
        return inner.says(message)

    rig, settings = TEXT_RIG + "  clock_bits: 16\n", MockSettings(receiver_clock_us=45_000_000)
    run = Spoken({TX: text_transmitter(), RX: Voice(says)}, rig=rig, settings=settings)
    assert run.results["failsafe_entry"].counts["in time"] == 8
    assert not_passed(run) == {}
    wrong = Spoken({TX: text_transmitter(), RX: Voice(says)}, settings=settings)
    assert "the receiver restarted by itself" in " ".join(wrong.judgement.notes)


def test_a_transmitter_that_tells_nothing_leaves_failsafe_to_the_receiver():
    run = Spoken({TX: text_transmitter(reports=False), RX: text_receiver()}, rig=SILENT)
    assert not_passed(run) == dict.fromkeys({*MATCHED, "packet_rate"}, "inconclusive")
    assert "does not tell what it sends" in run.results["delivery"].reason
    assert run.results["failsafe_entry"].counts["in time"] == 8


@pytest.mark.parametrize("rig", [TEXT_RIG, SILENT], ids=["told", "untold"])
def test_a_silence_that_is_not_obeyed_is_no_cut(rig):
    def obeys(line):
        return (message for message in heard_by_transmitter(line) if not isinstance(message, m.Silence))

    voices = {TX: Voice(text_transmitter(reports=rig is TEXT_RIG).says, obeys), RX: text_receiver()}
    run = Spoken(voices, rig=rig)
    assert run.verdicts()["failsafe_entry"] == "inconclusive"
    assert "none of 8 cuts can be judged" in run.results["failsafe_entry"].reason


def test_without_a_failsafe_line_nothing_of_failsafe_is_judged():
    run = Spoken({TX: text_transmitter(), RX: text_receiver(failsafe=False)}, rig=NO_FAILSAFE)
    wanted = {"failsafe_entry", "failsafe_outputs", "no_false_failsafe"}
    assert not_passed(run) == dict.fromkeys(wanted, "inconclusive")


class Losing:
    """A serial line that loses every so many bytes' worth of what the receiver prints."""

    def __init__(self, inner, every):
        self.inner, self.every, self.turn = inner, every, 0

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        chunks = []
        for chunk in self.inner.advance(until_ns):
            self.turn += chunk.role is RX
            if chunk.role is not RX or self.turn % self.every:
                chunks.append(chunk)
        return chunks


def test_lines_lost_on_the_way_are_no_fault_of_the_link():
    run = Spoken(VOICES, around=lambda bench: Losing(bench, 5))
    assert run.verdicts()["delivery"] == "inconclusive"
    assert "does not count its own reports" in run.results["delivery"].reason


def counting(bits=8):
    inner, turn = text_receiver(), iter(range(1 << 30))

    def says(message):
        line = inner.says(message)
        return line.rstrip() + b" #%d\n" % (next(turn) % (1 << bits)) if line else b""

    return Voice(says)


COUNTED = (
    TEXT_RIG.replace(f'ch={CHANNELS}"', f'ch={CHANNELS} #{{count}}"').replace(
        "started: BOOT", 'started: "BOOT #{count}"'
    )
    + "  count_bits: 8\n"
)


def test_a_receiver_that_counts_its_lines_can_fail_and_the_lost_ones_are_known():
    voices = {TX: text_transmitter(), RX: counting()}
    assert Spoken(voices, rig=COUNTED).verdicts()["bench"] == "pass"
    bad = Spoken(
        {TX: text_transmitter(), RX: counting()},
        rig=COUNTED,
        settings=MockSettings(loss=0.3, retransmit_limit=0),
    )
    assert bad.verdicts()["delivery"] == "fail"
    lost = Spoken(
        {TX: text_transmitter(), RX: counting()}, rig=COUNTED, around=lambda bench: Losing(bench, 5)
    )
    assert lost.verdicts()["bench"] == "error"
    assert lost.verdicts()["delivery"] != "fail"


def test_losses_on_the_air_never_fail_where_lines_are_not_counted():
    run = Spoken(VOICES, settings=MockSettings(loss=0.3, retransmit_limit=0))
    assert run.verdicts()["delivery"] == "inconclusive"


def test_a_pattern_that_fits_nothing_is_told_with_what_came():
    run = Spoken(VOICES, rig=TEXT_RIG.replace("RX n=", "RX number="))
    assert run.end.why == "wait missed"
    notes = " ".join(run.judgement.notes)
    assert "the receiver said what fits none of the rig's patterns" in notes
    assert "RX n=0 t=0" in notes


def test_the_report_says_what_cannot_be_told_and_that_nothing_closes_the_throttle():
    run = Spoken(VOICES)
    text = " ".join(render(run.outcome, full=True).split())
    assert (
        "the receiver does not speak the bench protocol but text; it does not tell how many reports" in text
    )
    assert "the transmitter hears no keep-alive" in text


def test_every_part_of_the_report_copes_with_devices_that_tell_nearly_nothing():
    rig = SILENT.replace(" n={packet}", "").replace(" t={ms}", "").replace(f" ch={CHANNELS}", "")
    bare = Voice(
        lambda message: (
            text_receiver(numbers=False, times=False).says(message).split(b" ch=")[0].rstrip() + b"\n"
        )
    )
    plan = PLAN.replace(
        "checks:\n",
        "checks:\n"
        + "".join(
            f"  - {word}\n"
            for word in ("order", "loss_pattern", "control_age: {at_most: 200 ms, percentile: 90 %}")
        ),
    )
    run = Spoken({TX: text_transmitter(reports=False), RX: bare}, rig=rig, plan=plan, settings=MockSettings())
    assert "fail" not in run.verdicts().values()
    assert render(run.outcome, full=True)


def test_each_check_says_what_it_needs_or_needs_nothing():
    free = {"control_gap", "bench"}
    assert {kind.WORD for kind in NEEDS} | free == {kind.WORD for kind in CHECK_KINDS}


def test_a_step_that_the_rig_has_no_template_for_is_refused_with_the_key_to_add():
    with pytest.raises(BenchError, match=r"add the template `transmitter\.tell\.silence`"):
        Spoken(VOICES, rig=TEXT_RIG.replace(', silence: "Q {ms}"', ""))
    mute = PLAN.replace("  - settle: 2 s", "  - mute: {for: 300 ms, times: 2}")
    with pytest.raises(BenchError, match=r"leave packets unacknowledged, which .* takes firmware with the"):
        Spoken(VOICES, plan=mute)


def test_injections_and_bursts_without_words_for_them_are_left_out_and_told():
    plan = (TESTPLANS / "first-look.yaml").read_text()
    run = Spoken(VOICES, plan=plan)
    assert run.end.why == "complete"
    unknown = dict.fromkeys(("latency", "telemetry_value", "telemetry_age"), "inconclusive")
    assert not_passed(run) == {**unknown, "pins": "none"}
    assert "does not tell telemetry" in run.results["telemetry_value"].reason
    notes = " ".join(run.judgement.notes)
    assert "3 steps left out, for the firmware cannot do them: telemetry, burst" in notes


def test_the_raw_bytes_in_a_recording_translate_to_its_frames_again():
    for rig, voices in ((TEXT_RIG, VOICES), (RECORDS, {TX: text_transmitter(), RX: record_receiver()})):
        run = Spoken(voices, rig=rig)
        for role in (TX, RX):
            again, frames = translated_again(run, role), b""
            recorded = run.recording.ports[role]
            for data, direction in zip(recorded.data, recorded.direction, strict=True):
                frames += data if direction == Direction.TO_PC else b""
            assert again == frames
            assert len(again) > 10_000


def translated_again(run, role):
    """Return the frames that a fresh device makes of what a recording holds, in order of time."""
    device = make_device(role, run.rig.devices[role], run.runner.link.rest_us)
    translation, found = Translation(role, device), []
    told, raw = run.recording.ports[role], run.recording.beside[raw_name(role)]
    events = [(at, 0, data) for at, data, way in zip(told.at_ns, told.data, told.direction, strict=True)
              if way == Direction.TO_DEVICE]  # fmt: skip
    events += [(at, 1, data) for at, data, way in zip(raw.at_ns, raw.data, raw.direction, strict=True)
               if way == Direction.TO_PC]  # fmt: skip
    for at_ns, kind, data in sorted(events, key=lambda event: event[:2]):
        found.append(translation.to_pc(data, at_ns) if kind else translation.to_device(data, at_ns)[1])
    splitter = Splitter()
    return b"".join(splitter.feed(b"".join(found))) + splitter.flush()


def test_what_is_written_to_a_device_is_recorded_too():
    run = Spoken(VOICES)
    raw = run.recording.beside[raw_name(TX)]
    written = b"".join(
        data for data, way in zip(raw.data, raw.direction, strict=True) if way == Direction.TO_DEVICE
    )
    lines = written.decode().splitlines()
    assert {line.split()[0] for line in lines} == {"S", "Q"}
    assert sum(line == "Q 900" for line in lines) == 8
    rest = [str(pulse_us) for pulse_us in run.runner.link.rest_us]
    assert all(line.split()[2:] == rest for line in lines[-2:])  # the rest, and the release as rest again


def test_the_same_seed_gives_the_same_bytes():
    assert Spoken(VOICES).file.getvalue() == Spoken(VOICES).file.getvalue()


def test_an_identity_is_made_of_the_rig():
    run = Spoken(VOICES)
    for role in (TX, RX):
        identity = run.runner.talk.ports[role].identity
        assert identity.role == WIRE_ROLES[role]
        assert identity.firmware == "speaks text"


def hours(run, tmp_path):
    """Judge a run round by round, as a soak is."""
    file = tmp_path / "recording.pcapng"
    file.write_bytes(run.file.getvalue())
    found = judge_file(file).judgement
    return {result.name or result.kind: result for result in found.results}


SOAK = PLAN.replace("steps:", "soak: {for: 50 s}\nsteps:")
LOSSY = MockSettings(loss=0.3, retransmit_limit=0)


def test_hours_on_devices_that_do_not_tell_all_are_judged_alike(tmp_path):
    unnumbered = {TX: text_transmitter(), RX: text_receiver(numbers=False)}
    found = hours(Spoken(unnumbered, rig=NO_NUMBERS, plan=SOAK), tmp_path)
    why = "this cannot be judged here: the receiver, which speaks text, does not tell packet numbers"
    assert {found[name].reason for name in ("delivery", "latency", "duplicates")} == {why}
    assert found["failsafe_outputs"].verdict == "pass"


@pytest.mark.parametrize(
    ("rig", "receiver", "verdict"), [(TEXT_RIG, text_receiver, "inconclusive"), (None, None, "fail")]
)
def test_hours_of_losses_fail_only_where_lines_are_counted(rig, receiver, verdict, tmp_path):
    voices = {TX: text_transmitter(), RX: (receiver or counting)()}
    found = hours(Spoken(voices, rig=rig or COUNTED, plan=SOAK, settings=LOSSY), tmp_path)
    assert found["delivery"].verdict == verdict


def test_hours_with_a_late_failsafe_fail(tmp_path):
    found = hours(Spoken(VOICES, plan=SOAK, defect="failsafe-late"), tmp_path)
    assert found["failsafe_entry"].verdict == "fail"


UNPOWERED = PLAN.replace("times: 8}", "times: 8, by: power}")


@pytest.mark.parametrize(("defect", "verdict"), [(None, "pass"), ("failsafe-late", "fail")])
def test_a_device_that_prints_lines_can_lose_its_power(defect, verdict):
    run = Spoken(VOICES, plan=UNPOWERED, defect=defect)
    assert run.end.why == "complete"
    entry = run.results["failsafe_entry"]
    assert run.verdicts()["failsafe_entry"] == verdict, entry.reason
    assert entry.counts["of the transmitter's power, by a control line"] == 8
    assert run.verdicts()["bench"] == "pass", run.results["bench"].reason
