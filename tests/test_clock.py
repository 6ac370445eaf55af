"""The harness has one clock that only goes forward, whether it is the machine's or a simulated one."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import clock as clock_module
from harness.clock import MS, SPIN_NS, US, S, SystemClock, VirtualClock, label_of, wall_label, wall_seconds


class FakeTime:
    """Stands in for the `time` module: reading it takes 1 us, sleeping wakes 95 us late."""

    def __init__(self) -> None:
        self.now = 5 * S
        self.slept: list[float] = []

    def monotonic_ns(self) -> int:
        self.now += US
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += round(seconds * S) + 95 * US


@pytest.fixture
def fake_time(monkeypatch: pytest.MonkeyPatch) -> FakeTime:
    fake = FakeTime()
    monkeypatch.setattr(clock_module, "time", fake)
    return fake


def test_system_clock_sleeps_to_shortly_before_and_spins_the_rest(fake_time: FakeTime) -> None:
    due = fake_time.now + 20 * MS
    SystemClock().sleep_until_ns(due)
    assert len(fake_time.slept) == 1
    assert fake_time.slept[0] * S == pytest.approx(20 * MS - SPIN_NS, abs=2 * US)
    assert due <= fake_time.now <= due + 2 * US


def test_system_clock_does_not_sleep_for_the_last_300_us(fake_time: FakeTime) -> None:
    due = fake_time.now + SPIN_NS
    SystemClock().sleep_until_ns(due)
    assert fake_time.slept == []
    assert due <= fake_time.now <= due + 2 * US


def test_system_clock_returns_at_once_from_the_past(fake_time: FakeTime) -> None:
    SystemClock().sleep_until_ns(fake_time.now - S)
    assert fake_time.slept == []


def test_system_clock_never_goes_back() -> None:
    clock = SystemClock()
    times = [clock.now_ns() for _ in range(100)]
    assert times == sorted(times)
    clock.sleep_until_ns(times[-1] + MS)
    assert clock.now_ns() >= times[-1] + MS


@given(st.integers(0, 10**18), st.lists(st.integers(-(10**18), 10**19), max_size=20))
def test_virtual_clock_jumps_forward_and_never_back(start: int, dues: list[int]) -> None:
    clock = VirtualClock(start)
    latest = start
    for due in dues:
        clock.sleep_until_ns(due)
        latest = max(latest, due)
        assert clock.now_ns() == latest


def test_virtual_clock_stands_still_unless_told() -> None:
    clock = VirtualClock(7)
    assert [clock.now_ns() for _ in range(3)] == [7, 7, 7]


def test_units_are_whole_nanoseconds() -> None:
    assert (US, MS, S) == (10**3, 10**6, 10**9)


# POSIX.1, "Seconds Since the Epoch": 0 is 1970-01-01 00:00:00 UTC and every day has 86 400 seconds.
@pytest.mark.parametrize(
    ("seconds", "label"),
    [(0, "1970-01-01T00:00:00Z"), (86_400 * 365, "1971-01-01T00:00:00Z"), (10**9, "2001-09-09T01:46:40Z")],
)
def test_label_is_the_utc_date_and_time(seconds: int, label: str) -> None:
    assert label_of(seconds) == label


def test_wall_time_is_only_a_label() -> None:
    before = wall_seconds()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", wall_label())
    assert label_of(before) <= wall_label() <= label_of(wall_seconds())
