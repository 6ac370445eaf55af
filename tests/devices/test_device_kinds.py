"""The harness takes device kinds from installed packages, and bears with those that misbehave."""

import sys
import tomllib
from functools import reduce
from operator import xor
from pathlib import Path
from types import SimpleNamespace

import pytest
from spoken import RX, TEXT_RIG, TX, Spoken

from harness.bench.opening import translated
from harness.bench.protocol import Chunk, Role, WithBeside, extra
from harness.bench.rig import parse_rig
from harness.bench.translated import MOST_WAITING, TranslatedBench, Translation
from harness.clock import MS
from harness.codec import messages as m
from harness.codec.frames import Frame, decode_piece
from harness.devices.finding import installed, make_installed
from harness.devices.kind import GROUP, Answer, Lost, Printed, Setup, Write
from harness.devices.telling import Telling, cautions
from harness.errors import BenchError, RigError, UserError
from mocks.speaking import Voice, text_transmitter

EXAMPLE = Path(__file__).parents[2] / "shared" / "device-kind"
SENTENCES = TEXT_RIG[: TEXT_RIG.index("receiver:")] + (
    "receiver: {port: /dev/ttyUSB1, speaks: sentences, options: {channels: 6}}\n"
)


@pytest.fixture
def example(tmp_path, monkeypatch):
    """The worked example, as if it were installed: its module, and the metadata that an installer writes."""
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text())["project"]
    info = tmp_path / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    )
    points = project["entry-points"][GROUP]
    lines = [f"{name} = {target}\n" for name, target in points.items()]
    (info / "entry_points.txt").write_text(f"[{GROUP}]\n" + "".join(lines))
    (tmp_path / "dunlin_sentences.py").write_text((EXAMPLE / "dunlin_sentences.py").read_text())
    monkeypatch.syspath_prepend(str(tmp_path))
    yield
    sys.modules.pop("dunlin_sentences", None)


def sentence(text):
    return f"${text}*{reduce(xor, text.encode(), 0):02X}\r\n".encode()


def says(message):
    if isinstance(message, m.Applied):
        return sentence(
            f"RX,{message.packet},{message.at_us // 1000},{','.join(map(str, message.outputs_us))}"
        )
    if isinstance(message, m.OutputChange) and message.reason == m.OutputReason.FAILSAFE:
        return sentence(f"FS,{message.at_us // 1000},{','.join(map(str, message.outputs_us))}")
    return b""


def test_the_worked_example_is_found_and_judges_a_healthy_link(example):
    assert "sentences" in installed()
    run = Spoken({TX: text_transmitter(), RX: Voice(says)}, rig=SENTENCES)
    assert set(run.verdicts().values()) == {"pass"}


def test_the_worked_example_sees_a_late_failsafe(example):
    run = Spoken({TX: text_transmitter(), RX: Voice(says)}, rig=SENTENCES, defect="failsafe-late")
    assert run.verdicts()["failsafe_entry"] == "fail"


def test_the_sentences_in_its_docstring_are_right(example):
    device = make_installed("sentences", Setup(Role.RECEIVER))
    doc = (EXAMPLE / "dunlin_sentences.py").read_text()
    lines = [line.split()[0].encode() + b"\n" for line in doc.splitlines() if line.startswith("    $")]
    assert [type(item) for item in device.heard(b"".join(lines), 1)] == [m.Applied, m.OutputChange]


def test_damage_in_the_worked_example_is_counted_as_lost(example):
    device = make_installed("sentences", Setup(Role.RECEIVER))
    whole = sentence("RX,1,20,1000,1000,1500,1500,1500,2000")
    assert device.heard(whole.replace(b"2000", b"2001") + b"$RX*\n$\n", 1) == [Lost()] * 3


def test_a_recording_is_judged_without_the_kind(example, monkeypatch):
    run = Spoken({TX: text_transmitter(), RX: Voice(says)}, rig=SENTENCES)
    monkeypatch.undo()
    assert "sentences" not in installed()
    from harness.running import judge_recording

    assert judge_recording(run.recording) == run.outcome


def test_an_unknown_kind_is_told_with_those_that_are_installed(example):
    with pytest.raises(
        RigError, match=r"no device kind is called 'sentence'.*records, sentences; did you mean sentences"
    ):
        parse_rig(SENTENCES.replace("speaks: sentences", "speaks: sentence"), "rig.yaml")
    with pytest.raises(UserError, match="no device kind is called 'gone'; installed: sentences"):
        make_installed("gone", Setup(Role.RECEIVER))


def test_a_kind_that_does_not_start_is_told_by_name_and_the_bench_closed(example):
    rig = parse_rig(SENTENCES.replace("channels: 6", "channels: six"), "rig.yaml")
    closed = []
    bench = SimpleNamespace(close=lambda: closed.append(True))
    with pytest.raises(
        UserError, match=r"device kind sentences \(dunlin_sentences:make_device\) does not start: ValueError"
    ):
        translated(bench, rig, SimpleNamespace(rest_us=(1000,)))
    assert closed


def test_keys_of_described_devices_mean_nothing_to_an_installed_kind(example):
    with pytest.raises(RigError, match="`speaks: sentences` does not use this"):
        parse_rig(SENTENCES.replace("options:", "lines: {applied: RX}, options:"), "rig.yaml")


class Odd:
    """A device kind of which one part can be made to misbehave."""

    name, channels, packet_rate_mhz, abilities, telling = "odd", 2, 0, 0, Telling("odd")

    def __init__(self, heard=lambda _data: [], told=lambda _message: Answer()):
        self._heard, self._told = heard, told

    def heard(self, data, at_ns):
        return self._heard(data)

    def told(self, message, at_ns):
        return self._told(message)


APPLIED = m.Applied(1, 2, -128, (1000,))
SILENCE = m.encode(m.Silence(20_000, 500_000), 9)


@pytest.mark.parametrize(
    "heard",
    [
        lambda data: 1 / 0,
        lambda data: [APPLIED] * 1000,
        lambda data: [m.Applied(1 << 20, 2, -128, ())],
        lambda data: [object()],
        lambda data: None,
        lambda data: [Lost("many")],
    ],
    ids=["raises", "floods", "does not fit", "no message", "nothing", "no number"],
)
def test_a_kind_that_misreads_is_bench_trouble_with_its_name(heard):
    with pytest.raises(BenchError, match=r"the receiver's device kind odd .* not of the link") as raised:
        Translation(RX, Odd(heard=heard)).to_pc(b"abc", 1)
    assert raised.value.role == RX


@pytest.mark.parametrize(
    "told", [lambda message: 1 / 0, lambda message: None, lambda message: Answer((Write(bytes(5000)),))],
    ids=["raises", "nothing", "too much"],
)  # fmt: skip
def test_a_kind_that_writes_wrongly_is_bench_trouble_with_its_name(told):
    with pytest.raises(BenchError, match="device kind odd"):
        Translation(TX, Odd(told=told)).to_device(SILENCE, 1)


def frames(data):
    found = [decode_piece(piece) for piece in data.split(b"\0") if piece]
    return [m.parse(item) if isinstance(item, Frame) else item.data for item in found]


def test_a_transmitter_of_which_nothing_is_said_is_taken_for_one_that_does_not_let_go():
    for role, count in ((TX, 1), (RX, 0)):
        facts = TranslatedBench(Inner(), {role: Odd()}).facts
        assert len(cautions(facts)) == count


def test_refusals_are_replied_to_and_a_begun_silence_is_not():
    for result, replies in ((m.Result.UNKNOWN, 1), (m.Result.DONE, 0), (None, 0)):
        translation = Translation(TX, Odd(told=lambda _message, result=result: Answer(result=result)))
        _, data = translation.to_device(SILENCE, 1)
        assert frames(data) == [m.Reply(m.Silence.TYPE, 9, int(m.Result.UNKNOWN), 0)] * replies


def test_printed_text_is_harmless_and_never_a_frame():
    hostile = m.encode(APPLIED, 5).decode("latin-1")
    items = [Printed("\x1b[2J<b>\0fine"), Printed(hostile), Printed("x" * 10_000)]
    found = frames(Translation(RX, Odd(heard=lambda _data: items)).to_pc(bytes(8), 1))
    assert found[0] == b"?[2J<b>?fine\n"
    assert all(isinstance(one, bytes) and len(one) < 120 for one in found)


def test_lost_reports_show_in_the_message_counter():
    items = iter([[APPLIED], [Lost(3), APPLIED], [m.Started(255, 0)], [APPLIED]])
    translation = Translation(RX, Odd(heard=lambda _data: next(items)))
    counters = [decode_piece(translation.to_pc(b"x", at)).counter for at in range(4)]
    assert counters == [0, 4, 0, 1]


class Inner:
    """A bench that only notes what it is told; it may have further ports of its own."""

    is_hardware, is_virtual = False, True
    beside = ("relay",)

    def __init__(self):
        self.baud, self.facts = {TX: 9600, RX: 9600}, {}
        self.at_ns, self.sent, self.tapped = 0, [], None

    def now_ns(self):
        return self.at_ns

    def send(self, role, data):
        self.sent.append((self.at_ns, role, data))
        return self.at_ns

    def advance(self, until_ns):
        self.at_ns = max(self.at_ns, until_ns)
        return []

    def tap(self, on_bytes):
        self.tapped = on_bytes

    def control(self, role, line, *, level):
        return True

    def close(self):
        self.closed = True


def text_bench():
    from harness.devices.making import make_device

    device = make_device(TX, parse_rig(TEXT_RIG, "rig.yaml").devices[TX], (1000,) * 6)
    inner = Inner()
    return TranslatedBench(inner, {TX: device}), inner


def test_a_silence_that_begins_later_is_written_later():
    bench, inner = text_bench()
    bench.send(TX, SILENCE)
    bench.advance(100 * MS)
    assert inner.sent == [(20 * MS, TX, b"Q 500\n")]


def test_a_release_drops_what_waits_and_puts_the_sticks_to_rest():
    bench, inner = text_bench()
    bench.send(TX, m.encode(m.Sticks(7, (1500,) * 6), 0))
    bench.send(TX, SILENCE)
    bench.send(TX, m.encode(m.Release(), 1))
    bench.advance(100 * MS)
    assert [data for _, _, data in inner.sent] == [
        b"S 7" + b" 1500" * 6 + b"\n",
        b"S 7" + b" 1000" * 6 + b"\n",
    ]


def test_what_waits_to_be_written_is_bounded():
    bench, inner = text_bench()
    bench._lines[TX].device = Odd(told=lambda _message: Answer((Write(b"x", 50 * MS),)))
    for _ in range(10 * MOST_WAITING):
        bench.send(TX, SILENCE)
    bench.advance(100 * MS)
    assert len(inner.sent) == MOST_WAITING


def test_bytes_that_a_kind_fails_on_are_recorded_and_what_came_before_is_not_lost():
    inner = Inner()
    come = [Chunk(TX, b"as it is", 1), Chunk(RX, b"good", 2), Chunk(RX, b"bad", 3)]
    inner.advance = lambda _until_ns: [come.pop(0) for _ in range(len(come))]
    bench = TranslatedBench(inner, {RX: Odd(heard=lambda data: [APPLIED] if data == b"good" else 1 / 0)})
    tapped = []
    bench.tap(lambda *what: tapped.append(what))
    with pytest.raises(BenchError, match="ZeroDivisionError"):
        bench.advance(10)
    assert [data for _, _, data, _ in tapped] == [b"good", b"bad"]
    assert [chunk.at_ns for chunk in bench.advance(10)] == [1, 2]


def test_a_bench_with_further_ports_keeps_them():
    bench, inner = text_bench()
    assert extra(bench, WithBeside) is bench
    assert bench.beside == ("relay", "transmitter raw")
    tapped = []
    bench.tap(lambda *what: tapped.append(what))
    assert inner.tapped is not None
    bench.send(TX, m.encode(m.Sticks(7, (1500,) * 6), 0))
    assert tapped == [("transmitter raw", True, b"S 7" + b" 1500" * 6 + b"\n", 0)]
    bench.send(RX, b"as it is")
    assert inner.sent[-1] == (0, RX, b"as it is")
    assert bench.control(RX, "dtr", level=True)
    bench.close()
    assert inner.closed


def test_an_identity_is_answered_at_once_and_damaged_frames_are_not():
    bench, inner = text_bench()
    bench.send(TX, m.encode(m.Identify(), 0))
    bench.send(TX, b"\x05junk\0")
    (chunk,) = bench.advance(0)
    assert isinstance(chunk, Chunk)
    assert isinstance(frames(chunk.data)[0], m.Identity)
    assert inner.sent == []
