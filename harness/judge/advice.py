"""What should the maker try next? A few lines for each kind of check and situation."""

from __future__ import annotations

from typing import Final

BENCH: Final = (
    "lower the load on the serial line (fewer reports, higher baud) and look at its cable and adapter",
    "run the plan again: lost serial messages say nothing about the radio",
)
MORE: Final = "run longer, or add the step again: more samples narrow the interval"

ADVICE: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("delivery", "fail"): (
        "try another radio channel and a lower power, with the modules a metre apart",
        "look at the module's supply: a capacitor close to its pins is the usual cure for lost packets",
        "see whether losses come in bursts (a blocking routine, a neighbour's network) or singly",
    ),
    ("delivery", "starved"): (
        "most lost packets reached the receiver's radio, and its loop took them too late or never",
        "look for blocking routines in the receiver's loop: displays, prints, delays",
    ),
    ("delivery", "hundred"): ("no number of packets can show 100 %: ask for 99.9 % or less",),
    ("packet_rate", "fail"): (
        "measure how long one turn of the transmitter's loop takes: displays and delays hold it up",
        "fewer retransmissions or a shorter retransmission delay leave more time for the next packet",
    ),
    ("latency", "fail"): (
        "look for blocking routines in the receiver's loop: displays, prints, delays",
        "fewer retransmissions or a shorter delay between them cut the tail",
    ),
    ("latency", "clock"): (
        "the clocks are known too poorly: set the serial adapter's latency timer to 1 ms",
    ),
    ("control_gap", "fail"): (
        "look for blocking routines in the receiver's loop: displays, prints, delays",
        "a gap with packets lost in it is the radio's; one without is the receiver's",
    ),
    ("duplicates", "fail"): (
        "have the receiver drop a packet whose number equals the last one's: it was retransmitted",
    ),
    ("failsafe_entry", "never"): (
        "check that the receiver has a failsafe timer at all, and that only an applied packet restarts it",
        "do not fly this receiver",
    ),
    ("failsafe_entry", "late"): (
        "shorten the receiver's failsafe time, or declare the longer one in the plan",
        "look for blocking routines in the receiver's loop that hold up the failsafe check",
    ),
    ("failsafe_entry", "more"): ("raise `times` of the cut step: every cut without fault counts",),
    ("failsafe_outputs", "fail"): (
        "set the receiver's failsafe values as the plan declares them, throttle closed first",
        "check that failsafe writes every output, and does not keep the last packet's",
    ),
    ("failsafe_exit", "late"): (
        "see what the receiver waits for after link loss: one good packet should do",
    ),
    ("failsafe_exit", "stale"): (
        "empty the receiver's FIFO and its smoothing filters on link loss",
        "write outputs only from the packet that ended failsafe",
    ),
    ("no_false_failsafe", "fail"): (
        "compare the failsafe time with the longest control gap: retransmissions must fit in it",
    ),
    ("no_false_failsafe", "restart"): (
        "a receiver that restarts by itself: look at its supply (brown-out) and its watchdog",
    ),
    ("fidelity", "fail"): (
        "compare the order and the packing of channels in both firmwares",
        "look at how pulses are scaled: whole numbers cut off low bits",
    ),
    ("fidelity", "still"): ("add a step that moves every channel, such as `sweep: {channels: all}`",),
    ("no_glitch", "fail"): (
        "check the packet's checksum before use, and write outputs in one go",
        "look for interrupts that change an output while it is written",
    ),
    ("telemetry_value", "fail"): (
        "compare width, sign, scale and byte order of the field in firmware and plan",
    ),
    ("telemetry_value", "none"): (
        "see that the receiver preloads an acknowledgement payload after every packet",
    ),
    ("telemetry_age", "fail"): (
        "preload the payload right after each packet; flush payloads that were not fetched",
    ),
    ("telemetry_age", "few"): (
        "raise `times` of the inject step, and let `every` be no multiple of the packet period: else each "
        "injection meets the packets at the same phase, maybe just where one cannot be told from the next",
    ),
    ("pins", "fail"): (
        "look at which variable the report is made from, and which one the servo timer is set from",
        "check that each witness input hangs on the pin of its own channel",
    ),
    ("pins", "dead"): (
        "check the wire to that witness input, and that the pin is set up as an output",
        "look for a servo timer that is stopped, or set once too seldom",
    ),
    ("pins", "doubt"): (
        "the witness's clock is known too poorly: run longer, or set its adapter's latency timer to 1 ms",
    ),
    ("bench", "fail"): BENCH,
    ("bench", "gone"): (
        "look at the cable and the adapter; the recording up to then is intact",
        "if they are sound, the firmware hung or crashed at that moment: a watchdog would bring it back",
    ),
    ("bench", "early"): ("run the plan again to the end",),
    ("bench", "identity"): ("look at the wiring and the baud rate of that port, then run again",),
}


def advise(kind: str, *situations: str) -> tuple[str, ...]:
    """Return what to try next, at most three lines, for the situations that apply."""
    lines = [line for situation in situations for line in ADVICE.get((kind, situation), ())]
    return tuple(dict.fromkeys(lines))[:3]
