"""What became of every packet? One mark each, in the order of sending, told apart by colour and shape.

The fates are those that the delivery check counts (`harness.measure.delivery`); beside them stand packets
that no check looks at, and what a receiver took that nobody sent.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Ints, inside
from harness.measure.delivery import LOST_NS, Fates, packet_fates, unreported_after
from harness.measure.evidence import Evidence
from harness.measure.telling import are_numbered
from harness.plan.wording import many
from harness.plots.model import Bytes, Fate, Picture, Strip
from harness.plots.occasions import cut_word, steps_of
from harness.plots.view import View
from harness.plots.words import nothing

FATES: Final = (
    Fate("applied", "good", "circle", 0),
    Fate("applied after retransmission", "one", "triangle", 1),
    Fate("applied, not acknowledged", "doubt", "square", 3),
    Fate("not judged: on purpose, or too near the end", "muted", "circle", 2),
    Fate("unknown, a report is missing", "doubt", "diamond", 4),
    Fate("applied more than once", "bad", "square", 5),
    Fate("applied, but nobody sent it", "bad", "triangle", 6),
    Fate("applied too late", "bad", "bar", 7),
    Fate("lost", "bad", "cross", 8),
    Fate("lost, yet acknowledged", "bad", "diamond", 9),
)
APPLIED, AGAIN, UNACKNOWLEDGED, NOT_JUDGED, UNKNOWN, REPEATED, STRANGE, LATE, LOST, BELIEVED = range(
    len(FATES)
)
MOST_BREAKS: Final = 5_000
NUMBERS_MISSING: Final = "the devices tell no packet numbers, so nobody can say what became of each packet"


def draw(view: View) -> tuple[Picture, ...]:
    """Return the strip of packets; none if nothing was sent, and why there is none where that surprises."""
    evidence = view.evidence
    if not are_numbered(evidence.tells):
        return (nothing("packets", "Every packet", NUMBERS_MISSING),)
    fate, at_ns = _marks(evidence, view)
    if not len(fate):
        return ()
    order = np.argsort(at_ns, kind="stable")
    fate, at_ns = fate[order], at_ns[order]
    counts = np.bincount(fate, minlength=len(FATES)).tolist()
    return (
        Strip(
            key="packets",
            title="Every packet",
            about=_about(counts),
            fates=FATES,
            fate=fate,
            at_s=view.seconds(at_ns),
            breaks=_breaks(view, at_ns),
            note="In the order of sending.",
        ),
    )


def fates_of(evidence: Evidence, fates: Fates) -> Bytes:
    """Return for each packet of `fates` which of `FATES` it had: those of counted packets only."""
    sent, rows = evidence.sent, fates.row
    acked, arrived = sent.acked[rows], fates.latency_ns != LOST_NS
    muted = inside(sent.at_ns[rows], evidence.muted_spans)
    found = np.full(len(rows), APPLIED, dtype=np.uint8)
    found[_attempts(evidence)[rows] > 1] = AGAIN
    found[~acked & ~muted] = UNACKNOWLEDGED
    found[_applied_again(evidence)[rows]] = REPEATED
    found[fates.unknown] = UNKNOWN
    found[fates.lost] = LOST
    found[fates.lost & arrived] = LATE
    found[fates.lost & ~arrived & acked] = BELIEVED
    return found


def _marks(evidence: Evidence, view: View) -> tuple[Bytes, Ints]:
    """Return the fate and the time of every mark: packets sent, packets without a report, strange ones."""
    sent, applied = evidence.sent, evidence.applied
    fates = packet_fates(evidence, view.during)
    every = np.full(len(sent), NOT_JUDGED, dtype=np.uint8)
    every[fates.row] = fates_of(evidence, fates)
    behind, missing = unreported_after(evidence, view.during)
    unseen = np.repeat(sent.at_ns[behind], missing)
    strange = applied.at_ns[applied.strange]
    at_ns = np.concatenate((sent.at_ns, unseen, strange))
    fate = np.concatenate((
        every, np.full(len(unseen), UNKNOWN, dtype=np.uint8), np.full(len(strange), STRANGE, dtype=np.uint8),
    ))  # fmt: skip
    if view.is_whole:
        return fate, at_ns
    seen = view.sees(at_ns)
    return fate[seen], at_ns[seen]


def _attempts(evidence: Evidence) -> Ints:
    """Return how often each packet was sent; a device that does not tell says 0 or 1."""
    attempts: Ints = evidence.heard[Role.TRANSMITTER].table(wire.Sent.TYPE).rows["attempts"]
    return attempts


def _applied_again(evidence: Evidence) -> Flags:
    applied, again = evidence.applied, np.zeros(len(evidence.sent), dtype=np.bool_)
    again[applied.sent_row[applied.repeat & (applied.sent_row >= 0)]] = True
    return again


def _breaks(view: View, at_ns: Ints) -> tuple[tuple[int, str], ...]:
    """Return before which marks something was done: a step began, or the link was cut."""
    evidence = view.evidence
    done = [(view.zero_ns + round(rule.at * 1e9), rule.label) for rule in steps_of(view) if rule.label]
    done += [(cut.command_ns, f"{cut_word(cut)} {cut.number}") for cut in evidence.cuts]
    done += [
        (span.start_ns, "port gone" if span.outage else f"{span.role.value} restart")
        for span in evidence.restarts
    ]
    done = sorted(one for one in done if view.meets(one[0], one[0]))
    places = np.searchsorted(at_ns, [at for at, _ in done]).tolist()
    pairs = zip(places, (word for _, word in done), strict=True)
    return tuple((place, word) for place, word in pairs if place < len(at_ns))[:MOST_BREAKS]


def _about(counts: list[int]) -> str:
    told = [f"{count} {FATES[place].word}" for place, count in enumerate(counts) if count]
    return f"{many(sum(counts), 'packet')}, one mark each: {'; '.join(told)}."


__all__ = ["FATES", "draw", "fates_of"]
