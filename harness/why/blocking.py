"""Does a routine hold the receiver up? Standstills with a rhythm, and what they keep step with."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import S
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.measure.injection import injections
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.blame import blamed
from harness.why.delaying import slow_loop
from harness.why.numbers import by_number
from harness.why.packets import packets_of
from harness.why.stalls import Rhythm, Stalls, after_telemetry, by_count, rhythm_of, stalls_of
from harness.why.words import CERTAIN, CLEAR, LOSSES, SURE, about, chance, failed, percent

KEYS = {
    "time": "blocking-routine",
    "packets": "work-every-n-packets",
    "telemetry": "blocking-on-telemetry",
    "none": "receiver-stalls",
}


def standing_still(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a routine that holds the receiver up while packets wait or get lost."""
    stalls = stalls_of(evidence) if failed(results, *LOSSES) else None
    if stalls is None or slow_loop(evidence, results) is not None:
        return None
    explains = blamed(evidence, results, stalls.packets, stalls.behind)
    if not explains:
        return None
    rhythm = rhythm_of(evidence, stalls)
    told = rhythm.trigger != "none"
    if not told and failed(results, "order"):  # a packet that was set aside waits as well
        return None
    return Likely(
        key=KEYS[rhythm.trigger],
        title=_title(stalls, rhythm),
        explains=explains,
        strength=CERTAIN if told else CLEAR,
        speaks_for=_for(stalls, rhythm),
        speaks_against=_against(evidence, stalls, rhythm),
        next_step=_next(rhythm),
    )


def _against(evidence: Evidence, stalls: Stalls, rhythm: Rhythm) -> tuple[str, ...]:
    """Return what was tried in vain, and how far the length may be out."""
    period = evidence.plan.link.packet_period_ns
    said = [
        f"The length is that of the longest wait: it may be up to a packet period ({about(period)}) more."
    ]
    if rhythm.trigger == "none":
        said.append("No rhythm was found: what sets it off is not in the recording.")
    if rhythm.trigger == "time" and injections(evidence):
        hits = after_telemetry(evidence, stalls).hits
        said.append(f"New telemetry values do not set it off: {hits} of {len(stalls)} came right after some.")
    if rhythm.trigger == "time" and (other := by_count(evidence, stalls)).p_value < SURE:
        said.append(f"Counted in packets they come {plain(other.every, 1)} apart: a run with pauses tells.")
    return tuple(said)


def _title(stalls: Stalls, rhythm: Rhythm) -> str:
    length = f"{about(stalls.longest_ns)}"
    if rhythm.trigger == "time":
        return f"The receiver stands still for {length} every {plain(rhythm.every / S, 3)} s"
    if rhythm.trigger == "packets":
        return f"At every {_nth(rhythm.every)} packet the receiver stands still for {length}"
    if rhythm.trigger == "telemetry":
        return f"Whenever it is given new telemetry values the receiver stands still for {length}"
    return f"Now and then the receiver stands still for {length}"


def _nth(every: float) -> str:
    number = round(every)
    return {1: "", 2: "second", 3: "third"}.get(number, f"{number}th")


def _for(stalls: Stalls, rhythm: Rhythm) -> tuple[str, ...]:
    packets = stalls.packets
    waited = f"{many(len(stalls), 'time')} packets that the radio had acknowledged were used only up to "
    said = [f"{waited}{about(stalls.longest_ns)} later, those that waited together at one instant."]
    lost = int((packets.lost & stalls.behind).sum())
    if packets.losses:
        said.append(
            f"{lost} of {packets.losses} lost packets were sent meanwhile "
            f"({percent(lost, packets.losses)}): too late, or no room in the radio."
        )
    if rhythm.trigger == "time":
        said.append(
            f"They end on a grid of {plain(rhythm.every / S, 4)} s of the receiver's own clock "
            f"({chance(rhythm.p_value)}, corrected for all periods tried)."
        )
    if rhythm.trigger == "packets":
        said.append(
            f"They come {plain(rhythm.every, 1)} received packets apart ({chance(rhythm.p_value)}), "
            "whatever the time between."
        )
    if rhythm.trigger == "telemetry":
        said.append(
            f"{rhythm.hits} of {rhythm.of} began right after the receiver took new values "
            f"({chance(rhythm.p_value)})."
        )
    return tuple(said)


def _next(rhythm: Rhythm) -> str:
    compare = "comment it out, run the same plan again and let `propsoff compare` tell"
    if rhythm.trigger == "time":
        return (
            f"Look in the receiver's main loop for what runs every {plain(rhythm.every / S, 2)} s "
            f"(a display, a log, a sensor): {compare}; then cut it into short parts."
        )
    if rhythm.trigger == "packets":
        number = _nth(rhythm.every)
        return (
            f"Look in the receiver for a counter of packets and what is done at every {number} one (a "
            f"page of memory, a telemetry frame): {compare}."
        )
    if rhythm.trigger == "telemetry":
        return (
            "Look at what the receiver does when a value changes (it draws a display, writes a log): "
            f"{compare}; then do it in short parts, after the packet."
        )
    return "Toggle a spare pin around each routine of the receiver's loop and watch which one is that long."


def every_nth_number(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a number that is treated apart: losses of packets whose low bits are all the same."""
    packets = packets_of(evidence)
    found = by_number(packets) if failed(results, *LOSSES) else None
    if found is None:
        return None
    explains = blamed(evidence, results, packets, packets.lost & found.marked)
    if not explains:
        return None
    where = "on the way into the receiver's outputs" if found.acked else "on the air"
    return Likely(
        key="packet-number",
        title=f"One packet in {found.modulus} is lost: those whose number leaves {found.rest} modulo "
        f"{found.modulus}",
        explains=explains,
        strength=CERTAIN,
        speaks_for=(
            f"{found.hits} of {found.lost} lost packets have such a number ({chance(found.p_value)}, "
            f"corrected for {found.tried} tried); {percent(found.hits, found.those)} of all that have it "
            "are lost.",
            f"They were lost {where}: "
            + ("the radio had acknowledged them." if found.acked else "they were not acknowledged."),
        ),
        next_step="Search the firmware for the low bits of the packet number: a number that stands for "
        "`empty`, an index into a ring, a test for 0. Start the transmitter at another number and look "
        "whether the losses move with it.",
    )


__all__ = ["every_nth_number", "standing_still"]
