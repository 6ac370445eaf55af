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
    ("latency", "stick"): (
        "sample the sticks right before each packet is sent, not long before, and keep no queue of samples",
        "what smooths the sticks or the outputs also delays them: look how many samples it takes in",
        "compare with packet latency: what is beyond it is the transmitter's",
    ),
    ("latency", "acknowledgement"): (
        "have the radio acknowledge by itself; an acknowledgement made in the receiver's loop waits for it",
        "fewer retransmissions or a shorter delay between them cut the tail",
    ),
    ("control_age", "fail"): (
        "have the receiver empty its radio's FIFO each time and use the newest packet, not the oldest",
        "see whether latency or the gaps between packets make the age: both are among the other checks",
        "a higher packet rate makes control younger where the air has room for it",
    ),
    ("latency", "clock"): (
        "the clocks are known too poorly: set the serial adapter's latency timer to 1 ms",
    ),
    ("latency", "near"): (
        "nearer to a limit than the clocks are known, nothing can be passed or failed: move one of the two",
    ),
    ("latency", "restart"): (
        "what a device still had to report when it restarted is missing, though the serial line lost "
        "nothing: name steps without restarts in `during`",
    ),
    ("control_gap", "fail"): (
        "look for blocking routines in the receiver's loop: displays, prints, delays",
        "a gap with packets lost in it is the radio's; one without is the receiver's",
    ),
    ("drift", "latency"): (
        "look for a list or queue that is walked through and never gets shorter: logs, handlers, averages",
    ),
    ("drift", "delivery"): (
        "feel whether the module or its regulator gets warm: crystals and supplies drift with temperature",
    ),
    ("drift", "free_memory"): (
        "look for memory that is taken in the loop and not given back: strings are the usual ones",
    ),
    ("drift", "control_gap"): ("look for a routine that takes longer each time it runs: logs, searches",),
    ("drift", "telemetry_age"): ("look for a queue between the sensors and the acknowledgement payload",),
    ("drift", "clocks"): ("look at the oscillators: resonators drift with temperature, crystals hardly do",),
    ("drift", "none"): ("give at least one figure a limit, such as `latency: 500 us`",),
    ("loss_pattern", "run"): (
        "several packets lost in a row: a neighbour's network on the same channel, or a blocking routine",
        "packets sent again at once meet the same trouble: a longer retransmission delay, or another channel",
    ),
    ("loss_pattern", "period"): (
        "find the routine with that period in the receiver, or in the transmitter: display, log, sensor",
        "a period in packets that stays when the packet rate changes: a counter, or a channel list",
        "a deeper FIFO, or a routine in smaller parts, lets packets wait instead of being lost",
    ),
    ("duplicates", "fail"): (
        "have the receiver drop a packet whose number equals the last one's: it was retransmitted",
    ),
    ("failsafe_entry", "never"): (
        "check that the receiver has a failsafe timer at all, and that only an applied packet restarts it",
        "do not fly this receiver",
    ),
    ("failsafe_entry", "stranger"): (
        "feed the failsafe timer only by packets of the right identity and checksum, with a new number",
        "an interrupt of the radio, or an acknowledgement it sends, says nothing about control",
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
    ("start_up", "fail"): (
        "set every output to its failsafe value before the first pulse, and before the radio is set up",
        "give outputs no default of their own: a middle pulse is half throttle",
    ),
    ("start_up", "silent"): (
        "have the receiver report its outputs after each start, as `shared/protocol.md` section 6 asks",
    ),
    ("failsafe_margin", "fail"): (
        "set the throttle's failsafe value lower, or trim the stick's low end up",
        "see what the flight controller takes for failsafe, and keep as far from it on both sides",
    ),
    ("failsafe_margin", "own"): (
        "add `own_sticks: 5 s`, or let it go on for longer, with the throttle stick at its low stop",
    ),
    ("order", "stranger"): (
        "put an identity and a checksum into each packet, and look at both before anything else",
        "a packet that is not this link's must not be applied, not remembered, not feed the failsafe timer",
    ),
    ("order", "late"): (
        "drop a packet whose number is behind the last one, by serial-number arithmetic (RFC 1982)",
        "empty the radio's FIFO from its oldest packet on",
    ),
    ("order", "never"): (
        "check the packet's checksum before use: a damaged number looks like a packet that nobody sent",
    ),
    ("output_range", "fail"): (
        "limit each pulse to the channel's range as the last thing before it is put out",
        "look for sums that overflow, and for values used before they are set",
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
    ("noise", "fail"): (
        "filter the supply of the sticks and of the converter's reference, and shorten their wires",
        "average several conversions of each stick, or take the middle one of three",
    ),
    ("noise", "hum"): (
        "hum comes through the supply or a ground loop: try a battery, and the PC away from mains",
    ),
    ("noise", "untold"): (
        "run with another packet rate, such as 47 Hz: multiples and fractions of the mains hide it",
    ),
    ("noise", "few"): ("let own_sticks go on for longer: 10 s at 50 packets/s give a good figure",),
    ("noise", "held"): ("see that a Release brings the transmitter's own sticks back",),
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
    ("throughput", "lossy"): (
        "look for blocking routines in the receiver's loop, and empty the radio's whole FIFO in each turn",
        "shorten the packet, or raise the air rate, if the exchange itself takes too long",
    ),
    ("throughput", "slow"): (
        "measure how long one exchange takes: air time, acknowledgement, and what the transmitter does then",
    ),
    ("throughput", "usual"): (
        "this link loses packets at its usual rate too: `loss: 0.1 %` in the step lets a trial lose some",
    ),
    ("throughput", "single"): (
        "single lost packets spoil trials: `loss: 0.1 %` in the step, with a `trial` of 1000 packets or "
        "more, lets each lose some",
    ),
    ("throughput", "void"): BENCH,
    ("throughput", "between"): ("lower the step's `resolution`",),
    ("throughput", "open"): ("raise the step's `to`, and see that the run was not cut short",),
    ("throughput", "bench"): ("a faster serial line, or fewer telemetry bytes, lets the search go higher",),
    ("back_to_back", "fail"): (
        "empty the radio's whole FIFO in each turn of the receiver's loop, and keep that turn short",
        "a queue behind the FIFO bridges what the loop cannot take at once",
    ),
    ("back_to_back", "mixed"): ("raise `repeats`: it depends on the moment whether a burst is lost",),
    ("back_to_back", "bench"): ("a faster serial line lets longer bursts be reported",),
    ("back_to_back", "void"): BENCH,
    ("recovery", "bench"): BENCH,
    ("recovery", "overload"): (
        "see what the receiver does when its FIFO is full: no restart of the radio should be needed",
        "throw old packets away instead of working through all that waited",
    ),
    ("recovery", "restart"): (
        "see what takes so long before the first packet: banners, sensor start-up, delays, a bootloader",
        "start the radio and the outputs first, everything else afterwards",
    ),
    ("recovery", "open"): (
        "let the steps watch longer (`after`), and add `settle` steps so that the usual losses are known",
    ),
    ("link_margin", "fail"): (
        "look at both antennas: length, feed point, what lies beside them; and at the modules' supply",
        "compare with a module known to be good: one that is deaf by 10 dB still works across a table",
        "a lower air data rate makes a receiver more sensitive",
    ),
    ("link_margin", "flat"): (
        "see that the firmware hands the power setting on to the radio, and that it reports its signal",
        "go on to weaker levels, farther apart or with a fixed attenuator, until packets get lost",
        "with an attenuator: modules leak past it; put one of them in a closed metal box",
    ),
    ("link_margin", "deeper"): ("let `to` go on until packets get lost: the margin has no upper limit yet",),
    ("link_margin", "few"): (
        "raise `packets`, and lower `step`: more levels around the edge narrow the interval",
        "calibrate the levels and lower `level_error`",
    ),
    ("link_margin", "level"): (
        "calibrate the levels and lower `level_error`: more packets do not settle it",
    ),
    ("link_margin", "mixed"): ("name the margin steps that belong together in `during`",),
    ("bench", "fail"): BENCH,
    ("bench", "flood"): (
        "let the firmware print less, or look in it for a loop that never stops sending",
        "noise on an open input looks like this too: check the wiring, and ground between board and adapter",
    ),
    ("bench", "gone"): (
        "look at the cable and the adapter; the recording up to then is intact",
        "if they are sound, the firmware hung or crashed at that moment: a watchdog would bring it back",
    ),
    ("bench", "early"): ("run the plan again to the end",),
    ("bench", "layout"): (
        "build the device with the library of the protocol version that it names, its own messages too",
    ),
    ("bench", "clock"): (
        "run the device from a crystal or a resonator: an uncalibrated oscillator is too far off for times",
        "see that its time stamps count microseconds, whatever the timer's prescaler",
    ),
    ("bench", "identity"): ("look at the wiring and the baud rate of that port, then run again",),
}


def advise(kind: str, *situations: str) -> tuple[str, ...]:
    """Return what to try next, at most three lines, for the situations that apply."""
    lines = [line for situation in situations for line in ADVICE.get((kind, situation), ())]
    return tuple(dict.fromkeys(lines))[:3]
