"""What is worth saying of each check beside its keys and its advice? One page for each word of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Page:
    """One check: what is measured, why a pilot cares, where usual limits come from, and the source."""

    measures: str
    matters: str
    limit: str
    source: str


PAGES: Final[dict[str, Page]] = {
    "delivery": Page(
        measures="packets applied within `link.lost_after` of their sampling / packets sent, as whole "
        "numbers. Both ends of the interval allow for losses that come in bursts. A packet whose "
        "report got lost on a serial line is unknown: it counts as lost for the lower end and as "
        "delivered for the upper one.",
        matters="a lost packet is a stick movement that never happened. Single losses are hardly felt; "
        "some per cent are felt as sluggishness, and a run of them ends in failsafe.",
        limit="99 % for a module on the bench, a metre apart (common practice, no source): less at that "
        "distance leaves nothing for range.",
        source="RFC 7680 (one-way loss, threshold Tmax); Clopper and Pearson 1934 for single losses.",
    ),
    "packet_rate": Page(
        measures="packets sent a second while the transmitter was neither silenced, restarted nor set to "
        "another rate: (n - 1) / time from the first to the last.",
        matters="every packet that is not sent is a moment without control; a transmitter whose loop is "
        "held up by a display sends fewer than it should without losing any.",
        limit="a little under the declared rate, such as 49 Hz of 50: a ceramic resonator is within 0.5 "
        "%, which leaves the rest to the loop (common practice, no source).",
        source="at least 50 packets a second for control is common practice, no source.",
    ),
    "latency": Page(
        measures="a percentile of a delay. `of: packet` is from sampling the sticks to applying them; `of: "
        "stick` from the stick's new position reaching the transmitter to the output; `of: "
        "acknowledgement` from sending to the acknowledgement. A lost one is infinitely late. "
        "Each device's clock is mapped to the PC's, and the bound of both maps widens the "
        "interval.",
        matters="delay between thumb and surface is what makes a model twitchy to fly; some tens of "
        "milliseconds more are felt in a fast one.",
        limit="a fraction of the packet period for the radio alone: 15 ms at 50 packets a second leaves "
        "room for retransmissions (common practice, no source).",
        source="RFC 7679 (one-way delay, lost is infinite), RFC 2330 section 11.3 (percentile), order "
        "statistics (David and Nagaraja 2003, from memory).",
    ),
    "control_age": Page(
        measures="how old the newest applied stick positions are, at every instant: age grows by a second "
        "a second and falls to the latency when a newer packet is applied. The check is about a "
        "share of the time, such as 99 %. With packets every T, latency L and single losses p the "
        "mean is L + T (1 + p) / (2 (1 - p)).",
        matters="it holds rate, latency and losses in one figure: what the surfaces obey is this old.",
        limit="three packet periods for 99 % of the time, 60 ms at 50 Hz: a packet may be lost, two in "
        "a row hardly ever (common practice, no source).",
        source="age of information, Kaul, Yates and Gruteser 2012 (from memory); the formula is checked "
        "against the mock.",
    ),
    "drift": Page(
        measures="for each figure of a round (median latency, delivery, free memory and so on) the Theil-Sen "
        "slope over all rounds of a soak: the median of (y2 - y1) / (t2 - t1) of all pairs of rounds, in "
        "units an hour, with an interval that matches Mann-Kendall's test for a trend. Passes only if the "
        "whole interval keeps the limit and nothing changes unevenly by more than it (an hour's worth in a "
        "significant trend; from the first to the last quarter of 12 rounds or more), fails only if none of "
        "the interval does. `false_alarm` holds for all figures together and assumes that rounds are "
        "independent of each other but for the trend: slow wandering (rounds that resemble their "
        "neighbours) can raise it in soaks of few rounds.",
        matters="some faults need hours: memory that leaks, a queue that grows, a part that warms up. A few "
        "minutes on the bench never show them; the third flight of the day does.",
        limit="so little that a day of flying does not matter: 500 us of latency, half a per cent of "
        "delivery and 64 bytes an hour (our choice, no source).",
        source="Mann 1945, Kendall 1975 (trend test); Theil 1950, Sen 1968 (slope and its interval), from "
        "memory.",
    ),
    "control_gap": Page(
        measures="the longest time between two applied packets, cuts and restarts apart. A link that is not "
        "back after a cut has a gap from the end of `recover_within` and `lost_after` on.",
        matters="during a gap the model flies on with the last command; a gap as long as the failsafe "
        "time stops the motors.",
        limit="five packet periods, 100 ms at 50 Hz: long before failsafe, short enough not to be felt "
        "as an outage (common practice, no source).",
        source="a worst case: it needs 59 gaps to speak for 95 % of all with 95 % confidence (Wilks 1941).",
    ),
    "loss_pattern": Page(
        measures="the longest run of lost packets, and whether losses come in step with a period: loss "
        "bursts are single events, every period is tried, and the p-value is corrected for having "
        "tried so many.",
        matters="the same share of losses may be harmless spread out and deadly in a row; and losses in "
        "step are nearly always one's own: a display, a print, a sensor that is waited for.",
        limit="five in a row are 100 ms without control at 50 Hz (common practice, no source); one "
        "false alarm in a thousand runs.",
        source="RFC 3357 (loss periods and distances); Wald and Wolfowitz 1940 (run test); Gilbert 1960 "
        "(two-state fit).",
    ),
    "duplicates": Page(
        measures="packets applied more than once.",
        matters="a receiver that applies retransmissions again counts, filters and times wrongly, and "
        "resets its failsafe timer by packets that bring nothing new.",
        limit="none: the packet number makes them known.",
        source="RFC 5560 defines duplication; the rule that none is right is common practice, no source.",
    ),
    "failsafe_entry": Page(
        measures="time from the last applied packet (or, with `from: cut`, from the cut) to the failsafe "
        "outputs, over every cut of every way, on the receiver's own clock; corrupted, foreign and repeated "
        "packets do not count as packets. It fails if any cut was late for "
        "certain, and passes if enough were in time to show the wanted share: with none late, n = "
        "ln(1 - confidence) / ln(share), 59 for 95 % and 95 %.",
        matters="until then the motors run on. This is the check to pass before a propeller goes on.",
        limit="`link.failsafe.within`, which the maker declares: long enough to ride out flickers, "
        "short enough that a running motor does no harm; half a second is common practice, no "
        "source.",
        source="success-run theorem; tolerance limits by Wilks 1941.",
    ),
    "failsafe_outputs": Page(
        measures="every channel's output in failsafe against the value that the plan declares for it, in "
        "every cut; `hold` is held against the last applied value.",
        matters="failsafe that keeps a motor turning is worse than none, for one relies on it.",
        limit="0 us: these values are set, not measured.",
        source="the declared values; closing the throttle at link loss is common practice, no source.",
    ),
    "failsafe_exit": Page(
        measures="time from the first packet after a cut to outputs that follow the sticks, and that no "
        "output shows a value from before the cut.",
        matters="a model that answers late, or jumps to where the sticks were when the link died, is lost "
        "just when it seems saved.",
        limit="`link.failsafe.recover_within`: a few packet periods (common practice, no source).",
        source="the sticks are moved during each cut, so an old value cannot pass for a new one.",
    ),
    "no_false_failsafe": Page(
        measures="failsafes sooner than `link.failsafe.not_before` after an applied packet, and restarts "
        "of the receiver that nobody ordered.",
        matters="a motor that stops in a turn because of two lost packets.",
        limit="none.",
        source="`not_before` is half of `within` unless the plan has another (common practice, no source).",
    ),
    "start_up": Page(
        measures="every output that the receiver reports from each of its starts to its first applied "
        "packet, against the channel's failsafe value: off = |output - failsafe|. A channel that holds its "
        "last pulse has none yet: it must be in its range and not move. A start of which messages are "
        "missing leaves the check open. The pulses themselves, which a report may leave out, are what "
        "`pins` measures, if a witness is there.",
        matters="a motor that twitches when the battery is plugged in meets the hand that plugs it in; a "
        "receiver that restarts in flight does it again.",
        limit="0 us: these values are set, not measured.",
        source="the declared values; failsafe outputs from the first pulse on are common practice, no "
        "source.",
    ),
    "failsafe_margin": Page(
        measures="for each throttle channel the lowest pulse that any applied packet brought, with "
        "commanded sticks and with the transmitter's own against its stop, less the highest that the "
        "channel showed in failsafe: margin = min(applied) - max(failsafe). Of a reversed channel, whose "
        "closed end is the longer pulse, highest and lowest change places. Open without packets that "
        "carried the own sticks, and if these never came within 10 us of the channel's low end: the stick "
        "was then not against its stop.",
        matters="a flight controller behind the receiver often knows link loss only by a throttle shorter "
        "than any stick gives. If the stick against its stop comes near that, the model comes home, or "
        "falls, in the middle of a glide.",
        limit="25 us: half of the distance between a low stop at 1000 us and a failsafe of 950 us, so that "
        "the threshold between them is as far from both; several times a stick's noise (common practice, no "
        "source).",
        source="whole microseconds as reported; noise of the own sticks is what `noise` measures.",
    ),
    "order": Page(
        measures="packets that took effect after a later one had (sampled before one that was already "
        "applied: s < NextExp), and packets that were never sent: an unknown number, or, while another "
        "transmitter's packets are sent on purpose, its sticks. A copy counts if it comes after a later "
        "packet; `duplicates` counts them all. What a lost serial message could explain only leaves the "
        "check open.",
        matters="an old packet moves the sticks back in time; one that nobody sent is another pilot's, or "
        "damage, at your throttle.",
        limit="none: packet numbers make the order known, and identity and checksum the sender.",
        source="RFC 4737 section 3.3 (reordered, by NextExp).",
    ),
    "output_range": Page(
        measures="how far any reported output, of a packet or not, lies beyond an end of its channel's "
        "range: max(low - output, output - high); its failsafe value is allowed.",
        matters="a servo driven beyond its stop stalls, heats and pulls the supply down; a speed controller "
        "may take a pulse out of range for an order to calibrate.",
        limit="0 us beyond what the plan declares; a few where the transmitter's own sticks are read.",
        source="the declared ranges; 1000 us to 2000 us for most servos is common practice, no source.",
    ),
    "fidelity": Page(
        measures="the largest |output - stick| over all applied packets whose sticks were commanded; the "
        "report adds offset, gain, missing values and cross-talk channel by channel.",
        matters="what arrives must be what was meant: swapped, reversed, clipped or coarse channels are "
        "to be found on the bench, not in the air.",
        limit="0 us where whole microseconds travel; else one step of the resolution.",
        source="the plan's own sticks are the truth; gain and offset by least squares.",
    ),
    "noise": Page(
        measures="standard deviation of each channel about its slow drift while the transmitter reads its "
        "own sticks at rest, in own_sticks steps; peak to peak; and the amplitude at 50 or 60 Hz "
        "where the packets' instants allow to tell it.",
        matters="noise becomes servo buzz, wasted current and a throttle that never quite rests; hum says "
        "that the stick's supply or its wires pick up the mains.",
        limit="a few microseconds: a servo's dead band is about 4 us wide (common practice, no source).",
        source="least squares at the packets' own instants; sampling theorem for what aliases.",
    ),
    "no_glitch": Page(
        measures="outputs that neither a sent packet nor failsafe nor a start explains.",
        matters="one wrong pulse on a throttle or an elevon can be enough.",
        limit="none: 59 packets or more without one show 95 % at 95 % confidence, and the run has thousands.",
        source="success-run theorem.",
    ),
    "telemetry_value": Page(
        measures="injected raw values against what the transmitter received in acknowledgement payloads, "
        "bit for bit, over the whole range of every field.",
        matters="a supply voltage that reads ten times too high lets a battery die in the air.",
        limit="none wrong: these are bits, not readings.",
        source="ISO/IEC 9899 integers and IEEE 754 floats for what the bytes mean; the plan says the rest.",
    ),
    "telemetry_age": Page(
        measures="from an injection taking effect to the acknowledgement that first shows it, in packets "
        "and in time; a preloaded acknowledgement payload is one packet old by design.",
        matters="an alarm that comes late is no alarm.",
        limit="one packet, and some packet periods of time: it leaves with the next acknowledgement.",
        source="how acknowledgement payloads work on common transceivers: common practice, no source.",
    ),
    "throughput": Page(
        measures="the highest packet rate at which a whole trial passes without loss, found by halving the "
        "span; each trial's loss is counted anew from the recording. What the serial line cannot "
        "report is not blamed on the link.",
        matters="it is the reserve above the flying rate: a receiver that copes with no more loses "
        "packets as soon as its loop has anything else to do.",
        limit="twice the flying rate (common practice, no source).",
        source="RFC 2544 sections 23, 24 and 26.1, the radio packet as the frame.",
    ),
    "back_to_back": Page(
        measures="the longest burst without spacing that comes through whole, over several searches: "
        "average, shortest, longest, and the buffer time that this means.",
        matters="after any hold-up packets come in a bunch; a queue that is too short drops the newest ones.",
        limit="the depth of the receiver's queue, three in common transceivers, and what its loop takes "
        "out meanwhile (common practice, no source).",
        source="RFC 2544 section 26.4, RFC 9004.",
    ),
    "recovery": Page(
        measures="after an overload: the last lost packet less the moment at which the rate was lowered; "
        "after a restart: from its command to the first packet after which none is lost.",
        matters="a receiver that needs seconds to find itself again is out of control for those seconds.",
        limit="a second, about the time in which a model leaves a safe attitude (common practice, no "
        "source).",
        source="RFC 2544 sections 26.5 and 26.6; 26.5 subtracts the wrong way round, which is mended here.",
    ),
    "link_margin": Page(
        measures="how many dB the signal may fall before delivery falls under the wanted share: power is "
        "lowered (or an attenuator turned) level by level, and a packet-error curve is fitted to "
        "the losses of single attempts.",
        matters="delivery is 100 % at a metre for a good module and for a half-deaf one; the margin tells "
        "them apart before range does.",
        limit="10 dB is about three times the distance in free space, and the depth of fading that "
        "takes one packet in ten (Rayleigh); more is better.",
        source="ITU-R P.525 for free space; maximum likelihood with a profile-likelihood interval.",
    ),
    "pins": Page(
        measures="the width of every pulse on the receiver's pins, timed by a witness, against what the "
        "receiver reported.",
        matters="a receiver may report one thing and drive another; servos follow the pins.",
        limit="4 us: a witness's resolution and the clocks' difference; a servo's dead band is about as "
        "wide (common practice, no source).",
        source="the witness's own stamps; see `shared/protocol.md`, section 7.",
    ),
    "bench": Page(
        measures="serial messages lost on each port, by their own counter; ports, identities and clocks: "
        "whether each device speaks the protocol it names, and its clock counts microseconds.",
        matters="when the bench is at fault nothing else in the report may be blamed on the link.",
        limit="none lost: at the load that a plan may put on a line there is no reason for any.",
        source="message counters of the bench protocol, `shared/protocol.md`.",
    ),
}
