"""The firmware library lets go, keeps its spans, refuses whole, and owns up to what it lost."""

from __future__ import annotations

import firmware_host as host
import pytest
from firmware_host import Library, library, needs_gcc, plain_codec, reply, words_hex

pytestmark = needs_gcc

WRAPS = 2**32 - 3_000
"""A start from which the 32-bit clock wraps within the first few milliseconds."""
STICKS, BURST, SILENCE, INJECT, MUTE, SETTING, RESTART = 0x10, 0x11, 0x12, 0x20, 0x21, 0x05, 0x06


@pytest.fixture(params=["C99", "C++11"])
def device(request: pytest.FixtureRequest) -> Library:
    started = library(request.param)
    started.begin()
    return started


def results(events: list[str]) -> list[int]:
    """The results in the Replies among some events."""
    frames = [bytes.fromhex(event.split()[1]) for event in events if event.startswith("frame")]
    bodies = [plain_codec.cobs_decode(frame[:-1]) or b"" for frame in frames]
    return [body[6] for body in bodies if body[0] == 0x43]


def override(device: Library) -> None:
    assert device.tell("Sticks", set_number=7, pulses_us=[1000, 1500]) == ["sticks 7 1000 1500"]


# ---- dead-man's switch and release


@pytest.mark.parametrize("start_us", [0, WRAPS])
def test_library_lets_go_half_a_second_after_the_last_keep_alive(device: Library, start_us: int) -> None:
    device.begin(at_us=start_us)
    override(device)
    device.tell("KeepAlive")
    device.at(start_us + 400_000)
    device.tell("KeepAlive")
    device.at(start_us + 899_999)
    assert device.do("loop") == []
    assert device.state().overridden
    device.at(start_us + 900_000)
    assert device.do("loop") == ["sticks 0"]
    assert not device.state().overridden
    device.at(start_us + 2_000_000)
    assert device.do("loop") == []


def test_library_never_lets_go_before_a_first_keep_alive(device: Library) -> None:
    override(device)
    for at_us in range(0, 100_000_000, 10_000_000):
        device.at(at_us)
        assert device.do("loop") == []
    assert device.state().overridden


def test_dead_man_acts_before_a_command_that_comes_too_late(device: Library) -> None:
    override(device)
    device.tell("KeepAlive")
    device.at(600_000)
    assert device.tell("KeepAlive") == ["sticks 0"]


@pytest.mark.parametrize("end", ["Release", "dead-man"])
def test_all_that_the_harness_set_going_ends_at_once(device: Library, end: str) -> None:
    override(device)
    device.tell("KeepAlive")
    device.tell("Silence", delay_us=0, duration_us=10_000_000)
    device.tell("MuteAcks", delay_us=0, duration_us=10_000_000)
    device.tell("Deafen", delay_us=0, duration_us=10_000_000)
    device.tell("Inject", values=[(1, -5)])
    device.tell("Burst", count=9, spacing_us=1_000_000)
    assert device.state() == host.QUIET._replace(
        overridden=True, silent=True, muted=True, deaf=True, injected={1: -5}
    )
    if end == "Release":
        assert device.tell("Release") == ["sticks 0"]
    else:
        device.at(500_000)
        assert device.do("loop") == ["sticks 0"]
    state = device.state()
    assert (state, device.do("burst")) == (host.QUIET, ["idle"])
    device.at(5_000_000)
    assert device.do("loop") == []


def test_release_of_nothing_leaves_the_sticks_alone(device: Library) -> None:
    assert device.tell("Release") == []
    device.do("hooks", 0, 0)
    assert device.tell("Release") == []


def test_set_zero_without_channels_is_the_own_sticks(device: Library) -> None:
    override(device)
    assert device.tell("Sticks", set_number=0, pulses_us=[]) == ["sticks 0"]
    assert not device.state().overridden


# ---- silence, muting, bursts


@pytest.mark.parametrize(
    ("message", "asked"), [("Silence", "silent"), ("MuteAcks", "muted"), ("Deafen", "deaf")]
)
@pytest.mark.parametrize("start_us", [0, WRAPS])
@pytest.mark.parametrize("loops", [False, True], ids=["asked alone", "with the loop"])
def test_pause_runs_from_its_delay_to_its_end(
    device: Library, message: str, asked: str, start_us: int, loops: bool
) -> None:
    device.begin(at_us=start_us)
    assert results(device.tell(message, delay_us=2_000, duration_us=5_000)) == [0]
    found = {}
    for after_us in (0, 1_999, 2_000, 4_000, 6_999, 7_000, 9_000):
        device.at(start_us + after_us)
        if loops:
            device.do("loop")
        found[after_us] = device.do(asked) == [asked]
    assert [after_us for after_us, runs in found.items() if runs] == [2_000, 4_000, 6_999]


@pytest.mark.parametrize("message", ["Silence", "MuteAcks", "Deafen"])
def test_pause_that_is_over_does_not_come_again_when_the_clock_wraps(device: Library, message: str) -> None:
    device.tell(message, delay_us=1_000, duration_us=1_000)
    for at_us in range(0, 2**32 + 10_000_000, 2**27):
        device.at(at_us)
        device.do("loop")
    for at_us in (1_000, 1_500):
        device.at(at_us)
        assert device.state() == host.QUIET


def test_longest_pause_runs_to_its_end(device: Library) -> None:
    most_us = 2**31 - 1
    device.tell("Silence", delay_us=most_us, duration_us=most_us)
    silent = []
    for at_us in range(0, 2**32, 2**26):
        device.at(at_us)
        device.do("loop")
        if device.do("silent") == ["silent"]:
            silent.append(at_us)
    assert (silent[0], silent[-1]) == (2**31, 2**32 - 2**26)
    device.at(2 * most_us)
    assert device.do("silent") == ["open"]


def test_new_silence_takes_the_place_of_the_one_that_runs(device: Library) -> None:
    device.tell("Silence", delay_us=0, duration_us=1_000_000)
    assert device.state().silent
    device.tell("Silence", delay_us=500, duration_us=1_000)
    assert not device.state().silent
    device.at(600)
    assert device.state().silent
    device.at(1_500)
    assert not device.state().silent


@pytest.mark.parametrize("message", ["Silence", "MuteAcks", "Deafen"])
@pytest.mark.parametrize(("delay_us", "duration_us"), [(2**31, 5), (5, 2**31), (2**32 - 1, 2**32 - 1)])
def test_pause_longer_than_half_the_clock_is_refused(
    device: Library, message: str, delay_us: int, duration_us: int
) -> None:
    device.tell(message, delay_us=0, duration_us=1_000)
    assert results(device.tell(message, delay_us=delay_us, duration_us=duration_us)) == [2]
    state = device.state()
    running = {"Silence": state.silent, "MuteAcks": state.muted, "Deafen": state.deaf}
    assert [name for name, runs in running.items() if runs] == [message]


def due_at(device: Library, times_us: range | list[int]) -> list[int]:
    """The times at which a packet of the burst was due, asked until no more is."""
    found = []
    for at_us in times_us:
        device.at(at_us)
        device.do("loop")
        while device.do("burst") == ["due"]:
            found.append(at_us)
    return found


@pytest.mark.parametrize("start_us", [0, WRAPS])
def test_packets_of_a_burst_come_due_on_a_grid_of_its_spacing(device: Library, start_us: int) -> None:
    device.begin(at_us=start_us)
    assert results(device.tell("Burst", count=5, spacing_us=1_000)) == [0]
    found = due_at(device, range(start_us, start_us + 9_000, 70))
    assert found == [start_us + -(-due_us // 70) * 70 for due_us in range(0, 5_000, 1_000)]


def test_packets_of_a_burst_wait_for_a_busy_radio(device: Library) -> None:
    device.tell("Burst", count=5, spacing_us=1_000)
    assert due_at(device, [0, 2_500, 3_000, 9_000]) == [0, 2_500, 2_500, 3_000, 9_000]


def test_burst_without_spacing_is_due_at_once_and_bursts_do_not_mix(device: Library) -> None:
    device.tell("Burst", count=3, spacing_us=0)
    assert device.do("burst") == ["due"]
    assert results(device.tell("Burst", count=1, spacing_us=0)) == [3]
    assert due_at(device, [0]) == [0, 0]
    assert results(device.tell("Burst", count=1, spacing_us=0)) == [0]
    assert results(device.tell("Burst", count=1, spacing_us=2**31)) == [3]


def test_burst_of_nothing_is_done_at_once(device: Library) -> None:
    assert results(device.tell("Burst", count=0, spacing_us=5)) == [0]
    assert device.do("burst") == ["idle"]
    assert results(device.tell("Burst", count=1, spacing_us=2**31)) == [2]
    assert results(device.tell("Burst", count=1, spacing_us=2**31 - 1)) == [0]


def test_packets_that_fall_into_a_silence_are_never_sent(device: Library) -> None:
    device.tell("Burst", count=10, spacing_us=1_000)
    device.tell("Silence", delay_us=2_500, duration_us=4_000)
    assert due_at(device, range(0, 20_000, 100)) == [0, 1_000, 2_000, 7_000, 8_000, 9_000]


def test_burst_back_to_back_that_comes_in_a_silence_is_swallowed_whole(device: Library) -> None:
    device.tell("Silence", delay_us=0, duration_us=10_000)
    device.tell("Burst", count=65_535, spacing_us=0)
    assert device.do("burst") == ["idle"]
    assert due_at(device, [9_000, 10_000, 11_000]) == []


def test_packets_of_a_dense_burst_that_fall_into_a_silence_are_dropped_and_no_others(device: Library) -> None:
    device.tell("Silence", delay_us=0, duration_us=1_000)
    device.tell("Burst", count=300, spacing_us=10)
    device.at(999)
    device.do("loop")
    assert len(due_at(device, [1_000, 9_000])) == 200


def test_burst_denser_than_a_loop_can_count_goes_whole_with_a_silence(device: Library) -> None:
    device.tell("Silence", delay_us=0, duration_us=1_000)
    device.tell("Burst", count=60_000, spacing_us=1)
    device.at(800)
    device.do("loop")
    assert due_at(device, [1_000, 90_000]) == []


# ---- disturbances


def disturbed(number: int, kind: int, at_us: int, packets: int, acknowledged: int) -> str:
    fields = {"kind": kind, "at_us": at_us % 2**32, "packets": packets, "acknowledged": acknowledged}
    return "frame " + plain_codec.frame("Disturbed", number, fields).hex()


@pytest.mark.parametrize("start_us", [0, WRAPS])
@pytest.mark.parametrize("kind", range(1, 5))
def test_disturbance_runs_from_its_delay_to_its_end_and_is_then_told(
    device: Library, kind: int, start_us: int
) -> None:
    device.begin(at_us=start_us)
    assert results(device.tell("Disturb", kind=kind, delay_us=2_000, duration_us=5_000)) == [0]
    found, told = {}, []
    for after_us in (0, 1_999, 2_000, 4_000, 6_999, 7_000, 9_000, 20_000):
        device.at(start_us + after_us)
        told += device.do("loop")
        found[after_us] = device.do("disturbance")
    assert [at for at, said in found.items() if said == [f"{kind}"]] == [2_000, 4_000, 6_999]
    assert all(said in (["0"], [f"{kind}"]) for said in found.values())
    assert told == [disturbed(2, kind, start_us + 7_000, 0, 0)]


def test_disturbance_that_the_loop_finds_late_is_told_with_the_moment_of_its_end(device: Library) -> None:
    device.tell("Disturb", kind=1, delay_us=0, duration_us=5_000)
    device.at(9_000)
    assert device.do("disturbance") == ["0"]
    assert device.do("loop") == [disturbed(2, 1, 5_000, 0, 0)]


def test_disturbance_counts_what_was_done_with_and_what_was_acknowledged(device: Library) -> None:
    device.do("disturbed", 1)  # of none: counted nowhere
    device.tell("Disturb", kind=2, delay_us=0, duration_us=5_000)
    for acknowledged in (1, 0, 1):
        device.do("disturbed", acknowledged)
    device.at(5_000)
    assert device.do("loop") == [disturbed(2, 2, 5_000, 3, 2)]
    device.do("disturbed", 1)  # came after the end was told
    device.tell("Disturb", kind=3, delay_us=0, duration_us=1_000)
    device.at(6_000)
    assert device.do("loop") == [disturbed(4, 3, 6_000, 0, 0)]


def test_count_of_a_disturbances_packets_stops_at_its_end(device: Library) -> None:
    device.tell("Disturb", kind=1, delay_us=0, duration_us=5_000)
    for _ in range(65_536):
        device.do("disturbed", 1)
    device.at(5_000)
    assert device.do("loop") == [disturbed(2, 1, 5_000, 65_535, 65_535)]


@pytest.mark.parametrize("delay_us", [0, 10_000], ids=["running", "to come"])
@pytest.mark.parametrize("end", ["Release", "Silence", "Disturb", "dead-man"])
def test_disturbance_that_is_ended_is_told_before_anything_else(
    device: Library, end: str, delay_us: int
) -> None:
    device.tell("KeepAlive")
    device.tell("Disturb", kind=1, delay_us=delay_us, duration_us=900_000)
    device.at(500_000 if end == "dead-man" else 1_000)
    if end == "dead-man":
        events = device.do("loop")
    else:
        spans = {"delay_us": 5_000, "duration_us": 5_000}
        fields = {"Release": {}, "Silence": spans, "Disturb": {"kind": 4, **spans}}[end]
        events = device.tell(end, **fields)
    assert events[0] == disturbed(2, 1, 500_000 if end == "dead-man" else 1_000, 0, 0)
    assert results(events) == ([0] if end in ("Silence", "Disturb") else [])
    assert device.do("disturbance") == ["0"]
    device.at(2_000_000)
    assert device.do("loop") == ([disturbed(4, 4, 11_000, 0, 0)] if end == "Disturb" else [])


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": 0, "delay_us": 0, "duration_us": 9},
        {"kind": 5, "delay_us": 0, "duration_us": 9},
        {"kind": 255, "delay_us": 0, "duration_us": 9},
        {"kind": 2, "delay_us": 2**31, "duration_us": 9},
        {"kind": 2, "delay_us": 0, "duration_us": 2**31},
    ],
)
def test_disturbance_that_is_refused_leaves_the_one_that_runs_alone(
    device: Library, fields: dict[str, int]
) -> None:
    device.tell("Disturb", kind=1, delay_us=0, duration_us=900_000)
    assert results(device.tell("Disturb", **fields)) == [2]
    assert results(device.tell("Silence", delay_us=2**31, duration_us=5)) == [2]
    assert device.do("disturbance") == ["1"]


@pytest.mark.parametrize("able", [0, 1 << 2, 0xFF])
def test_disturbance_of_a_kind_that_was_not_told_is_refused(device: Library, able: int) -> None:
    device.begin(disturbances=able)
    done = []
    for kind in range(8):
        done += results(device.tell("Disturb", kind=kind, delay_us=0, duration_us=9))
    assert done == [0 if kind > 0 and able >> kind & 1 else 2 for kind in range(8)]


@pytest.mark.parametrize(("kind", "swallowed"), [(1, True), (2, True), (3, True), (4, False)])
def test_packets_of_a_burst_are_swallowed_where_others_go_out_in_their_place(
    device: Library, kind: int, swallowed: bool
) -> None:
    device.tell("Burst", count=10, spacing_us=1_000)
    device.tell("Disturb", kind=kind, delay_us=2_500, duration_us=4_000)
    due = [0, 1_000, 2_000, 7_000, 8_000, 9_000] if swallowed else list(range(0, 10_000, 1_000))
    assert due_at(device, range(0, 20_000, 100)) == due


def test_disturbance_of_no_length_is_told_at_once(device: Library) -> None:
    device.tell("Disturb", kind=1, delay_us=0, duration_us=0)
    assert device.do("disturbance") == ["0"]
    assert device.do("loop") == [disturbed(2, 1, 0, 0, 0)]


# ---- frames that are none


@pytest.mark.parametrize("size", range(3))
def test_body_too_short_for_a_message_is_bad_whatever_its_checksum(device: Library, size: int) -> None:
    assert device.receive(plain_codec.raw_frame(b"\x3f\x01"[:size])) == []
    assert device.state().bad_frames == 1


@pytest.mark.parametrize("beyond", [1, 2, 100])
def test_frame_that_ends_before_its_last_group_is_bad(device: Library, beyond: int) -> None:
    frame = plain_codec.frame("Ping", 0x0101, {"nonce": 0x01010101})
    assert frame[0] == len(frame) - 1, "one group, so that the body does not change with its length"
    assert device.receive(bytes((frame[0] + beyond,)) + frame[1:]) == []
    assert device.state().bad_frames == 1
    assert len(device.receive(frame)) == 1


# ---- refusals


NEEDED = {
    "Sticks": (1 << 0, {"set_number": 1, "pulses_us": [1500]}),
    "Burst": (1 << 1, {"count": 1, "spacing_us": 0}),
    "Silence": (1 << 2, {"delay_us": 0, "duration_us": 9}),
    "Inject": (1 << 3, {"values": [(0, 1)]}),
    "MuteAcks": (1 << 4, {"delay_us": 0, "duration_us": 9}),
    "Restart": (1 << 5, {}),
    "RestartAt": (1 << 6, {"clock_us": 1, "packet": 2}),
    "Disturb": (1 << 7, {"kind": 1, "delay_us": 0, "duration_us": 9}),
    "Deafen": (1 << 13, {"delay_us": 0, "duration_us": 9}),
    **{f"Setting {number}": (1 << 7 + number, {"setting": number, "value": 3}) for number in range(1, 6)},
}


@pytest.mark.parametrize("name", NEEDED)
def test_command_needs_the_ability_that_was_told(device: Library, name: str) -> None:
    needed, fields = NEEDED[name]
    message = name.split(maxsplit=1)[0]
    device.begin(abilities=host.ALL_ABILITIES & ~needed)
    assert results(device.tell(message, **fields)) == [1]
    assert device.state() == host.QUIET
    device.begin(abilities=needed)
    assert results(device.tell(message, **fields)) == ([] if message == "Sticks" else [0])


def test_command_of_a_wrong_length_counts_as_bad_whatever_the_abilities(device: Library) -> None:
    device.begin(abilities=0)
    assert device.receive(plain_codec.raw_frame(bytes((BURST, 0, 0, 1)))) == []
    assert device.state().bad_frames == 1


@pytest.mark.parametrize(
    ("channels", "sent", "taken"), [(6, 6, True), (6, 7, False), (0, 0, True), (0, 1, False)]
)
def test_sticks_for_more_channels_than_told_are_refused(
    device: Library, channels: int, sent: int, taken: bool
) -> None:
    device.begin(channels=channels)
    events = device.tell("Sticks", 9, set_number=1, pulses_us=[1500] * sent)
    assert events == (["sticks 1" + " 1500" * sent] if taken else [reply(STICKS, 9, 2, 0, number=1)])
    assert device.state().overridden == taken


@pytest.mark.parametrize("setting", [0, 1, 5, 6, 7, 8, 9, 200, 255])
def test_setting_reaches_the_maker_only_if_it_is_one(device: Library, setting: int) -> None:
    events = device.tell("Setting", 5, setting=setting, value=-180)
    known = 1 <= setting <= 5
    assert (f"setting {setting} -180" in events, results(events)) == (known, [0 if known else 1])


def test_setting_out_of_its_range_and_missing_hooks_are_told(device: Library) -> None:
    device.do("accept", 0)
    assert results(device.tell("Setting", setting=1, value=5)) == [2]
    device.do("hooks", 0, 0)
    assert results(device.tell("Setting", setting=1, value=5)) == [1]
    assert results(device.tell("Sticks", set_number=1, pulses_us=[])) == [1]


def test_injection_with_one_bad_field_changes_nothing(device: Library) -> None:
    device.tell("Inject", values=[(0, 10), (7, 17)])
    assert results(device.tell("Inject", values=[(0, 99), (3, 98), (8, 97)])) == [2]
    assert results(device.tell("Inject", values=[(1, 1)] * 9)) == [2]
    assert device.state().injected == {0: 10, 7: 17}
    assert results(device.tell("Inject", values=[(7, -1), (2, 3), (7, -2)])) == [0]
    assert device.state().injected == {0: 10, 2: 3, 7: -2}


@pytest.mark.parametrize("body", range(5, 126, 17))
def test_unknown_command_of_any_length_is_answered_as_unknown(device: Library, body: int) -> None:
    inside = bytes((0x3E, 9, 1)) + bytes(body - 5)
    assert device.receive(plain_codec.raw_frame(inside)) == [reply(0x3E, 265, 1, 0, number=1)]
    assert device.state().bad_frames == 0


def test_restart_at_values_is_replied_to_and_tells_them_until_a_plain_one(device: Library) -> None:
    events = device.tell("RestartAt", 3, clock_us=2**32 - 1, packet=65_535)
    assert events == [reply(0x07, 3, 0, 0, number=1)]
    state = device.state()
    assert (state.restart_wanted, state.start) == (True, (2**32 - 1, 65_535))
    device.tell("Restart")
    state = device.state()
    assert (state.restart_wanted, state.start) == (True, None)


def test_restart_is_replied_to_and_then_wanted(device: Library) -> None:
    assert device.tell("Restart", 3) == [reply(RESTART, 3, 0, 0, number=1)]
    assert device.state().restart_wanted
    assert device.begin(cause=1)[0].startswith("frame 02440102")
    assert not device.state().restart_wanted


# ---- identity


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("a" * 24, "a" * 24),
        ("a" * 25, "a" * 24),
        ("a" * 23 + "ä", "a" * 23),
        ("a" * 22 + "ä", "a" * 22 + "ä"),
        ("€" * 9, "€" * 8),
        ("a" + "€" * 9, "a" + "€" * 7),
        ("a" * 21 + "🛩", "a" * 21),
        ("", ""),
    ],
)
def test_texts_are_cut_at_a_character(device: Library, told: str, kept: str) -> None:
    identity = identity_of(device, (told, "1", told))
    assert identity == (kept, "1 bench", kept)


@pytest.mark.parametrize(
    ("version", "shown"),
    [
        ("", " bench"),
        ("1.4.0", "1.4.0 bench"),
        ("v" * 30, "v" * 18 + " bench"),
        ("v" * 17 + "ä", "v" * 17 + " bench"),
    ],
)
def test_build_is_never_cut_from_the_version(device: Library, version: str, shown: str) -> None:
    assert identity_of(device, ("", version, ""))[1] == shown


def identity_of(device: Library, texts: tuple[str, str, str]) -> tuple[str, ...]:
    device.begin(texts=texts)
    frame = bytes.fromhex(device.tell("Identify", version=1)[0].split()[1])
    body = plain_codec.cobs_decode(frame[:-1])
    assert body is not None
    at, found = 3 + 11, []
    for _ in range(3):
        found.append(body[at + 1 : at + 1 + body[at]].decode("utf-8"))
        at += 1 + body[at]
    assert at == len(body) - 2
    return tuple(found)


@pytest.mark.parametrize("version", [0, 1, 2, 255])
def test_library_answers_with_the_one_version_it_speaks(device: Library, version: int) -> None:
    frame = bytes.fromhex(device.tell("Identify", version=version)[0].split()[1])
    assert (plain_codec.cobs_decode(frame[:-1]) or b"")[3] == 1


# ---- what was lost is told


def test_message_without_room_is_counted_and_its_number_used_up(device: Library) -> None:
    device.do("refuse", 2)
    assert device.do("sent", 1, 2, 3, 4, 5, 1) == ["lost"]
    assert device.tell("Ping", nonce=9) == []
    assert device.tell("Ping", nonce=9) == ["frame " + pong(3)]
    assert device.state().dropped == 2


def pong(number: int) -> str:
    return plain_codec.frame("Pong", number, {"nonce": 9, "at_us": 0}).hex()


def test_count_of_lost_messages_stops_at_its_end_and_that_of_bad_frames_wraps(device: Library) -> None:
    device.do("tally", 65_534, 65_535)
    device.do("refuse", 3)
    for _ in range(3):
        device.do("sent", 0, 0, 0, 0, 1, 0)
    device.receive(b"\x05\x00")
    assert device.state()[4:6] == (65_535, 0)


@pytest.mark.parametrize("number", [65_535, 0])
def test_message_numbers_wrap(device: Library, number: int) -> None:
    device.do("number", number)
    assert device.tell("Ping", nonce=9) == ["frame " + pong(number)]
    assert device.tell("Ping", nonce=9) == ["frame " + pong((number + 1) % 65_536)]


@pytest.mark.parametrize(
    ("call", "most", "each"),
    [("telemetry", 32, 1), ("applied", 16, 2), ("output_change", 16, 2), ("pulses", 16, 4)],
)
def test_report_of_more_than_fits_is_lost_not_shortened(
    device: Library, call: str, most: int, each: int
) -> None:
    assert device.do(call, 0, 0, 0, "11" * each * most)[-1] == "sent"
    assert device.do(call, 0, 0, 0, "11" * each * (most + 1)) == ["lost"]
    assert device.state().dropped == 1
    assert device.tell("Ping", nonce=9) == ["frame " + pong(3)]
    assert device.do(call, 0, 0, 0, "-")[-1] == "sent"


@pytest.mark.parametrize("took_us", [0, 65_534, 65_535, 65_536, 2**32 - 1])
def test_time_that_a_packet_took_stops_at_its_largest(device: Library, took_us: int) -> None:
    fields = {
        "packet": 1,
        "set_number": 2,
        "at_us": 3,
        "took_us": min(took_us, 65_535),
        "attempts": 4,
        "flags": 1,
    }
    frame = plain_codec.frame("Sent", 1, fields).hex()
    assert device.do("sent", 1, 2, 3, took_us, 4, 1) == [f"frame {frame}", "sent"]


def test_reports_leave_a_command_alone_that_is_half_received(device: Library) -> None:
    frame = plain_codec.frame("Sticks", 0, {"set_number": 3, "pulses_us": list(range(900, 916))})
    device.receive(frame[:20])
    device.do("applied", 1, 2, 3, words_hex([1500] * 16))
    device.do("sent", 0, 0, 0, 0, 1, 0)
    assert device.receive(frame[20:]) == ["sticks 3 " + " ".join(map(str, range(900, 916)))]
