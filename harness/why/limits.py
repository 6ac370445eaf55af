"""What limits the link? Why a higher rate, a longer burst or a quick recovery is not to be had."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.arrays import Ints, inside
from harness.measure.evidence import Evidence
from harness.measure.restored import Recovery, after_overload, after_restarts
from harness.measure.trials import Trial, read_trials
from harness.plan import model as p
from harness.plan.trials import Outcome
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.delaying import late_acknowledgement, loop_of
from harness.why.words import CERTAIN, CLEAR, MOST, STRONG, about, failed, percent

ALIKE: Final = 0.15
"""Times that one cause sets are within this share of each other."""
STUCK: Final = 0.01
TRIED: Final = 1.05
"""A rate that was asked for so much above the link's own shows whether it was taken."""


def rate_not_taken(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the setting: whatever rate was asked for, packets came at the old one."""
    names = failed(results, "throughput")
    if not names:
        return None
    own = evidence.plan.link.packet_rate_mhz
    asked = [trial for trial in _rates(evidence) if trial.rate_mhz > TRIED * own and trial.achieved_mhz > 0]
    stuck = [trial for trial in asked if abs(trial.achieved_mhz - own) <= STUCK * own]
    if not asked or len(stuck) < len(asked):
        return None
    top = max(trial.rate_mhz for trial in asked) / 1000
    return Likely(
        key="rate-setting-ignored",
        title=f"The transmitter says that it took another packet rate and goes on at {plain(own / 1000)} Hz",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"In {many(len(stuck), 'trial')} at up to {plain(top)} Hz it answered that the rate was set and "
            f"sent {plain(own / 1000)} packets a second, within 1 %.",
        ),
        next_step="Look what the setting does in the transmitter: the running timer must be set anew, not "
        "only the variable. The throughput itself is not known before.",
    )


def _rates(evidence: Evidence) -> list[Trial]:
    return [trial for trial in read_trials(evidence) if trial.what in ("search", "final")]


def too_fast(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect what each packet costs the receiver: the more a second, the more are lost after the radio."""
    names = failed(results, "throughput")
    lossy = [trial for trial in _rates(evidence) if trial.outcome is Outcome.LOSSY]
    if not names or not lossy:
        return None
    rows = np.concatenate([trial.fates.row[trial.fates.lost] for trial in lossy])
    if not len(rows):
        return None
    acked = int(evidence.sent.acked[rows].sum())
    behind = 2 * acked > len(rows)
    slowest = min(lossy, key=lambda trial: trial.rate_mhz)
    if slowest.rate_mhz == min(trial.rate_mhz for trial in _rates(evidence)) and not behind:
        return _lossy_air(evidence, names, len(rows), acked)
    free = 1e12 / slowest.rate_mhz
    return Likely(
        key="receiver-too-slow" if behind else "air-at-rate",
        title=f"From {plain(slowest.rate_mhz / 1000)} packets a second on "
        + (
            "the receiver loses some, after its radio acknowledged them"
            if behind
            else "some are lost on the air, or find no room: they are not acknowledged"
        ),
        explains=names,
        strength=STRONG if acked >= MOST * len(rows) else CLEAR,
        speaks_for=(
            f"{many(len(rows), 'packet')} were lost in {many(len(lossy), 'trial')}; {acked} of them had been "
            "acknowledged"
            + (": the radio had them, and the firmware was not done in time." if behind else "."),
            f"At that rate a packet comes every {about(free)}, and slower ones come through: "
            f"{_shares(evidence)}.",
        ),
        next_step="Time what the receiver does with one packet (a pin that toggles) and shorten it, or take "
        "packets out by interrupt and unpack the newest only."
        if behind
        else "Look whether repetitions still fit between two packets then: lower their number or delay.",
    )


def _lossy_air(evidence: Evidence, names: tuple[str, ...], lost: int, acked: int) -> Likely:
    """Return that packets are lost at the slowest rate tried as well: the rate is not what does it."""
    return Likely(
        key="air-at-any-rate",
        title="Packets are lost on the air at the slowest rate tried already: the rate is not the reason",
        explains=names,
        strength=CLEAR,
        speaks_for=(f"{_shares(evidence)} were lost; {acked} of {lost} lost packets had been acknowledged.",),
        next_step="Run the acceptance plan at the link's own rate first and mend what it finds; move the "
        "modules closer, or allow more repetitions. Then look for the highest rate again.",
    )


def exchange_fills(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the time that one exchange takes: no more packets a second than that are sent."""
    names = failed(results, "throughput")
    slow = [trial for trial in _rates(evidence) if trial.outcome is Outcome.SLOW]
    own = evidence.plan.link.packet_rate_mhz
    if not names or not slow or late_acknowledgement(evidence, results) is not None:
        return None
    most = max(trial.achieved_mhz for trial in slow)
    took = float(np.median(evidence.sent.took_ns)) if len(evidence.sent) else 0.0
    if most <= TRIED * own or min(trial.achieved_mhz for trial in slow) < (1 - STUCK) * most:
        return None
    if abs(took * most / 1e12 - 1) > ALIKE:
        return None
    return Likely(
        key="exchange-long",
        title=f"One exchange takes {about(took)}: the transmitter cannot send more than "
        f"{plain(most / 1000, 1)} packets a second",
        explains=names,
        strength=STRONG,
        speaks_for=(
            f"Asked for more in {many(len(slow), 'trial')} it sent {plain(most / 1000, 1)} packets a second, "
            f"within 1 %; the middle one took {about(took)} from sampling to acknowledgement.",
        ),
        next_step="Raise the rate on the air, shorten packet and acknowledgement, and look whether the "
        "transmitter waits for anything else before it starts the next packet.",
    )


def _shares(evidence: Evidence) -> str:
    """Return the losses at the slowest and the fastest rates tried."""
    sums: dict[int, list[int]] = {}
    for trial in _rates(evidence):
        entry = sums.setdefault(trial.rate_mhz, [0, 0])
        entry[0] += trial.lost
        entry[1] += trial.sent
    rates = sorted(rate for rate, (_, sent) in sums.items() if sent)
    chosen = dict.fromkeys([*rates[:2], *rates[-2:]])
    return ", ".join(f"{percent(*sums[rate])} at {plain(rate / 1000)} Hz" for rate in chosen)


def short_fifo(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the FIFO: the first packets of a burst come through, and later ones do not."""
    names = failed(results, "back_to_back")
    bursts = [trial for trial in read_trials(evidence) if trial.what == "burst" and trial.lost]
    if not names or not bursts:
        return None
    firsts, acked, lost = [], 0, 0
    for trial in bursts:
        firsts.append(int(np.argmax(trial.fates.lost)))
        rows = trial.fates.row[trial.fates.lost]
        acked, lost = acked + int(evidence.sent.acked[rows].sum()), lost + len(rows)
    room = int(np.median(firsts))
    loop = _loop_words(evidence)
    return Likely(
        key="fifo-overrun",
        title=f"Of packets back to back the first {plain(room)} or so come through: the next find no room",
        explains=names,
        strength=STRONG,
        speaks_for=(
            f"In {many(len(bursts), 'burst')} that lost packets the first loss is packet {room + 1} in the "
            f"middle; {acked} of {lost} lost ones were acknowledged.",
            *loop,
        ),
        next_step="Read the radio's FIFO until it is empty each time the loop comes round, do not flush "
        "it, and let the loop come round more often.",
    )


def _loop_words(evidence: Evidence) -> tuple[str, ...]:
    loop = loop_of(evidence)
    if loop is None:
        return ()
    return (
        f"The receiver looks for packets every {about(loop.tick_us * 1000)}: what comes between must wait.",
    )


def overload_resets(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that too many packets start the radio anew: the receiver is deaf for a fixed time."""
    names = _recovery_names(evidence, results, "overload")
    if not names:
        return None
    rule = next(check.rule for check in evidence.plan.checks if check.name == names[0])
    assert isinstance(rule, p.Recovery)
    late = [
        one
        for one in after_overload(evidence, read_trials(evidence))
        if one.time_ns is None or one.time_ns > rule.within_ns
    ]
    if not late:
        return None
    rows = _between(evidence, late)
    acked = int(evidence.sent.acked[rows].sum())
    whole = [one for one in late if one.time_ns is not None and _nothing_between(one)]
    times = [one.time_ns for one in whole if one.time_ns is not None]
    return Likely(
        key="overload-resets-radio",
        title="After too many packets the receiver hears nothing for "
        + (f"{about(float(np.median(times)))}" if times else "longer than it was watched"),
        explains=names,
        strength=STRONG if len(whole) >= MOST * len(late) else CLEAR,
        speaks_for=(
            f"In {len(whole)} of {len(late)} slow recoveries not one packet came through "
            "meanwhile, and from then on all did: something starts anew, rather than a queue that is "
            "worked off.",
            f"{acked} of {len(rows)} packets lost meanwhile were acknowledged.",
        ),
        next_step="Look what the receiver does when a queue or FIFO runs over: it should drop the oldest "
        "packet and go on, not set up the radio again.",
    )


def _nothing_between(one: Recovery) -> bool:
    """Return whether every packet sent from the beginning to the end of a recovery was lost."""
    if one.time_ns is None or not len(one.lost_ns):
        return False
    sent = one.sent_ns[one.sent_ns <= one.time_ns]
    return len(one.lost_ns) >= 0.95 * len(sent)


def _between(evidence: Evidence, late: Sequence[Recovery]) -> Ints:
    """Return the rows of the packets lost while recoveries went on."""
    spans = [
        (one.from_ns, one.from_ns + (one.time_ns if one.time_ns is not None else one.watched_ns))
        for one in late
    ]
    came = np.zeros(len(evidence.sent), dtype=np.bool_)
    came[evidence.applied.sent_row[evidence.applied.sent_row >= 0]] = True
    held = inside(evidence.sent.at_ns, np.array(spans, dtype=np.int64).reshape(-1, 2))
    return np.flatnonzero(held & ~came)


def _recovery_names(evidence: Evidence, results: Sequence[CheckResult], after: str) -> tuple[str, ...]:
    rules = {check.name: check.rule for check in evidence.plan.checks}
    return tuple(
        name
        for name in failed(results, "recovery")
        if isinstance(rule := rules.get(name), p.Recovery) and rule.after == after
    )


def slow_return(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect what a restarted device does first, or what the other makes of numbers that begin again."""
    names = _recovery_names(evidence, results, "restart")
    if not names:
        return None
    rule = next(check.rule for check in evidence.plan.checks if check.name == names[0])
    assert isinstance(rule, p.Recovery)
    found = after_restarts(evidence)
    late = [one for one in found if one.time_ns is None or one.time_ns > rule.within_ns]
    roles = {one.what.partition(" ")[0] for one in late}
    if len(roles) != 1:
        return None
    role = Role(roles.pop())
    same = [one for one in found if one.what.startswith(role.value)]
    rows = _between(evidence, late)
    acked = int(evidence.sent.acked[rows].sum())
    if role is Role.TRANSMITTER and 2 * acked > len(rows):
        return _old_numbers(evidence, names, late, same, rows)
    return _slow_start(role, names, late, same, acked, len(rows))


def _old_numbers(
    evidence: Evidence, names: tuple[str, ...], late: Sequence[Recovery], same: Sequence[Recovery], rows: Ints
) -> Likely:
    numbers = evidence.sent.number[rows]
    return Likely(
        key="old-numbers-refused",
        title="After the transmitter restarts its packets are acknowledged and not applied",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"{len(late)} of {many(len(same), 'restart')} of the transmitter were followed by "
            f"{many(len(rows), 'packet')} that the radio acknowledged and the firmware threw away.",
            f"Their numbers began again at {int(numbers.min())}, below those before: a receiver that only "
            "takes higher numbers waits until they have caught up.",
        ),
        next_step="Let the receiver take any number after a few packet periods without a good packet, or "
        "compare numbers modulo their width with a window. Restart the transmitter after one second and "
        "after one minute: the wait must not depend on how long it had run.",
    )


def _slow_start(
    role: Role,
    names: tuple[str, ...],
    late: Sequence[Recovery],
    same: Sequence[Recovery],
    acked: int,
    lost: int,
) -> Likely:
    times = [one.time_ns for one in late if one.time_ns is not None]
    spread = float(np.ptp(times)) / max(times) if times else 1.0
    alike = f", alike to {about(float(np.ptp(times)))}" if len(times) > 1 and spread < ALIKE else ""
    usual = f"{about(float(np.median(times)))}{alike}" if times else "longer than it was watched"
    return Likely(
        key="slow-start",
        title=f"After a restart the {role.value} takes {usual} until packets come through",
        explains=names,
        strength=STRONG if len(times) == len(late) and spread < ALIKE else CLEAR,
        speaks_for=(
            f"{len(late)} of {many(len(same), 'restart')} of the {role.value} were that slow, and none of "
            "the other device's.",
            f"{acked} of {many(lost, 'packet')} lost meanwhile were acknowledged"
            + ("." if 2 * acked > lost else ": its radio is not listening yet."),
        ),
        next_step="Start the radio first and everything else after it; shorten a bootloader's wait; look "
        "whether servos or sensors are waited for. Propellers off: outputs may move at a start.",
    )


__all__ = ["exchange_fills", "overload_resets", "rate_not_taken", "short_fifo", "slow_return", "too_fast"]
