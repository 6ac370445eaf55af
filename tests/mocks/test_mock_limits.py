"""Each defect at the link's limits does what it says by the devices' own reports, and its near-miss less."""

from itertools import pairwise

from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.defects import find_defect
from mocks.settings import DUNLIN


def both(name: str) -> tuple[Talk, Talk]:
    """Return conversations with the defect and with its near-miss."""
    defect, near = (virtual(DUNLIN, defect=find_defect(name), near_miss=near)[0] for near in (False, True))
    return defect, near


def at_rate(talk: Talk, rate_mhz: int, for_ns: int = S) -> list[m.Sent]:
    """Let the transmitter send at a rate, and return the packets of that time."""
    talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate_mhz))
    talk.run(200 * MS)
    before = len(talk.all(m.Sent))
    talk.run(for_ns)
    return talk.all(m.Sent)[before:]


def lost(talk: Talk) -> list[int]:
    """Numbers of the packets sent and not applied; the newest few are left out."""
    applied = {one.packet for one in talk.all(m.Applied)}
    return [one.packet for one in talk.all(m.Sent)[:-5] if one.packet not in applied]


def test_exchange_slow() -> None:
    defect, near = both("exchange-slow")
    assert 120 < len(at_rate(defect, 200_000)) < 126
    assert 185 < len(at_rate(near, 200_000)) <= 201
    assert lost(defect) == lost(near) == []


def burst_losses(talk: Talk) -> int:
    for _ in range(10):
        talk.tell(TX, m.Burst(12, 0))
        talk.run(213 * MS)
    return len(lost(talk))


def test_fifo_one_deep() -> None:
    defect, near = both("fifo-one-deep")
    assert burst_losses(defect) > 10
    assert burst_losses(near) == 0


def deaf_for_ns(talk: Talk) -> int:
    """Longest time between two applied packets in and after a time of too many packets."""
    talk.run(S)
    assert lost(talk) == []
    at_rate(talk, 230_000, 2 * S)
    talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 50_000))
    talk.run(5 * S)
    times = [one.at_us for one in talk.all(m.Applied)]
    return 1000 * max(after - before for before, after in pairwise(times))


def test_overload_deafens() -> None:
    defect, near = both("overload-deafens")
    assert 3_500 * MS <= deaf_for_ns(defect) < 3_530 * MS
    assert 300 * MS <= deaf_for_ns(near) < 330 * MS


def silent_ns(talk: Talk) -> int:
    """Return how long after a restart of the receiver the first packet is taken."""
    talk.run(3 * S)
    talk.tell(RX, m.Restart())
    talk.run(3 * S)
    started = max(heard.at_ns for heard in talk.heard if isinstance(heard.message, m.Started))
    return (
        min(h.at_ns for h in talk.heard if isinstance(h.message, m.Applied) and h.at_ns > started) - started
    )


def test_restart_slow() -> None:
    defect, near = both("restart-slow")
    assert 1_400 * MS <= silent_ns(defect) < 1_430 * MS
    assert 700 * MS <= silent_ns(near) < 730 * MS
