"""Each defect of identity and protocol does what it says, and its near-miss speaks the truth."""

import pytest
from defect_talk import RX, TX, opened, receivers, talks
from mock_talk import Talk

from harness.clock import S
from harness.codec import Frame, Splitter, decode_piece, parse
from harness.codec import messages as m
from harness.plan.model import Link
from mocks.bench import open_virtual
from mocks.defects import find_defect
from mocks.settings import DUNLIN


def identity(talk: Talk) -> m.Identity:
    """Return who the receiver says it is."""
    talk.tell(RX, m.Identify())
    talk.run(S)
    return talk.last(m.Identity)


def test_role_wrong():
    defect, near = talks("role-wrong")
    assert identity(defect).role == m.WireRole.TRANSMITTER
    told = identity(near)
    assert (told.role, told.firmware) == (m.WireRole.RECEIVER, "transmitter and receiver")


def reports(name: str, *, near_miss: bool, link: Link = DUNLIN) -> list[tuple[int, bool]]:
    """Return type of each whole message from the receiver, and whether it can be read."""
    bench = open_virtual(link, seed=1, defect=find_defect(name), near_miss=near_miss)
    splitter = Splitter()
    found = []
    for chunk in bench.advance(2 * S):
        for piece in splitter.feed(chunk.data) if chunk.role is RX else ():
            frame = decode_piece(piece.rstrip(b"\0"))
            assert isinstance(frame, Frame)
            found.append((frame.type, parse(frame) is not None))
    return found


def test_version_untrue():
    defect = reports("version-untrue", near_miss=False)
    assert {readable for kind, readable in defect if kind == m.Applied.TYPE} == {False}
    assert {readable for kind, readable in defect if kind != m.Applied.TYPE} == {True}
    near = reports("version-untrue", near_miss=True)
    assert {readable for kind, readable in near if kind == m.Applied.TYPE} == {True}
    assert sum(kind == m.Applied.TYPE for kind, _ in near) == sum(kind == 0x7E for kind, _ in near) > 90


@pytest.mark.parametrize(("near_miss", "ppm"), [(False, 30_000), (True, 5_000)])
def test_clock_fast(near_miss, ppm):
    talk, _ = opened("clock-fast", near_miss=near_miss)
    talk.run(10 * S)
    first, last = talk.all(m.Applied)[0], talk.all(m.Applied)[-1]
    packets = last.packet - first.packet
    assert (last.at_us - first.at_us) / (20_000 * packets) - 1 == pytest.approx(ppm / 1e6, abs=1e-6)
    (receiver,) = receivers("clock-fast")[near_miss : near_miss + 1]
    assert receiver.failsafe_ns == pytest.approx(480_000_000 / (1 + ppm / 1e6), abs=2)


def test_channels_fewer_than_told():
    defect, near = talks("channels-fewer-than-told")
    for talk, channels, outputs in ((defect, 6, 5), (near, 8, 8)):
        assert identity(talk).channels == channels
        assert {len(part.outputs_us) for part in talk.all(m.Applied)} == {outputs}


def test_rate_setting_ignored():
    defect, near = talks("rate-setting-ignored")
    for talk, rate in ((defect, 50), (near, 10_000 / 83)):
        talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 120_000))
        talk.run(20 * S)
        assert talk.last(m.Reply).result == m.Result.DONE
        assert len(talk.all(m.Sent)) / 20 == pytest.approx(rate, rel=0.01)


def test_check_leaves_out_last_channel():
    defect, near = talks("check-leaves-out-last-channel")
    for talk in (defect, near):
        talk.run(40 * S)
    rest = DUNLIN.rest_us
    off = {part.outputs_us for part in defect.all(m.Applied)} - {rest}
    assert off == {(*rest[:-1], rest[-1] ^ 64)}
    assert {part.outputs_us for part in near.all(m.Applied)} == {rest}
    assert 0 < near.last(m.Counters).bad_packets < 20
