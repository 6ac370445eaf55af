"""Why is a packet applied twice, too late, or though nobody sent it? Duplicates, second ways, strangers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.likely import Likely
from harness.measure.arrays import inside
from harness.measure.evidence import Evidence
from harness.measure.ordering import read_ordering
from harness.measure.orders import What, spans_of
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.packets import attempts_of
from harness.why.words import CERTAIN, CLEAR, MOST, STRONG, about, failed, in_order, percent

ODD: Final = ("order", "no_glitch", "failsafe_entry", "failsafe_outputs", "no_false_failsafe", "output_range")
FEW: Final = 2
"""A single odd packet may be an own one that came late while disturbances were sent."""
MOVES: Final = "Propellers off: outputs may move."


def duplicates(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that packets sent again are applied again."""
    names = failed(results, "duplicates", "order", "failsafe_exit")
    rows = repeated_rows(evidence)
    if not names or not len(rows) or not failed(results, "duplicates", "order"):
        return None
    applied, again = evidence.applied, attempts_of(evidence)
    tried = int((again[applied.sent_row[rows]] > 1).sum())
    late = np.isin(rows, read_ordering(evidence).reordered)
    usual = float((again > 1).mean()) if len(again) else 0.0
    after = bool(late.mean() > 0.5)
    explains = names if after else failed(results, "duplicates")
    if not explains:
        return None
    return Likely(
        key="duplicates-late" if after else "duplicates-not-dropped",
        title=f"{many(len(rows), 'packet')} that came again {'was' if len(rows) == 1 else 'were'} "
        "applied again" + (", after a newer one" if after else ""),
        explains=in_order(results, explains),
        strength=CERTAIN if tried >= MOST * len(rows) else CLEAR,
        speaks_for=(
            f"{tried} of them had been sent more than once ({percent(usual, 1)} of all packets are): their "
            "acknowledgement got lost, and the receiver did not know them again.",
            f"{int(late.sum())} of them took effect after a newer packet had: sticks went back.",
        ),
        next_step="Compare each packet's number with the last one's in the receiver before it is applied, "
        "and drop equal and older ones (modulo the width of the number).",
    )


def repeated_rows(evidence: Evidence) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return the rows of packets applied again in the run, strangers apart."""
    applied = evidence.applied
    again = applied.repeat & ~applied.strange & (applied.sent_row >= 0)
    return np.flatnonzero(again & inside(applied.at_ns, evidence.spans()))


def second_way(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect two ways from the radio to the outputs: packets applied after newer ones, each once."""
    names = failed(results, "order")
    if not names:
        return None
    applied = evidence.applied
    rows = read_ordering(evidence).reordered
    rows = rows[~applied.repeat[rows]] if len(rows) else rows
    if not len(rows):
        return None
    late_ns = applied.at_ns[rows] - evidence.sent.at_ns[applied.sent_row[rows]]
    return Likely(
        key="reordering",
        title=f"{many(len(rows), 'packet')} took effect after a newer one had",
        explains=in_order(results, names + failed(results, "failsafe_exit")),
        strength=STRONG,
        speaks_for=(
            f"They took {about(float(np.median(late_ns)))} in the middle, and {about(float(late_ns.max()))} "
            "at most, and none of them had been applied before: they were held up behind the radio.",
        ),
        next_step="Look for two places that take packets from the radio (an interrupt and the loop, two "
        "tasks, two buffers): let one take them all, and drop what is older than the last one applied.",
    )


def strangers(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that nobody looks whose a packet is: another transmitter's packets are applied."""
    count = _strange(evidence, "foreign", "beside")
    names = failed(results, *ODD)
    if count < FEW or not failed(results, "order", "no_glitch"):
        return None
    return Likely(
        key="strangers-followed",
        title=f"The receiver applied {many(count, 'packet')} of another transmitter",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"{many(count, 'packet')} that the own transmitter never sent took effect while the bench had "
            "packets with another identity sent.",
        ),
        next_step="Give the pair an address or identity of its own, put it into every packet, and drop "
        f"what has another one before it can reach an output or the failsafe timer. {MOVES}",
    )


def unchecked(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect that nobody looks at the check: damaged packets are applied."""
    count = _strange(evidence, "corrupted")
    names = failed(results, *ODD)
    if count < FEW or not failed(results, "order", "no_glitch"):
        return None
    return Likely(
        key="checksum",
        title=f"The receiver applied {many(count, 'packet')} whose check is wrong",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"{many(count, 'packet')} that nobody sent took effect while the bench had damaged packets sent.",
        ),
        next_step="Put a check of your own over all of the packet and look at it in the receiver "
        "before anything "
        "else: the radio's ends where the module's bus begins. Then run the failsafe plan again. " + MOVES,
    )


def _strange(evidence: Evidence, *what: What) -> int:
    """Return how many packets that nobody sent took effect while such packets were about."""
    spans = spans_of(evidence.orders, *what)
    if not len(spans):
        return 0
    reach = evidence.plan.link.lost_after_ns + evidence.slack_ns
    applied = evidence.applied
    alien = applied.strange & (applied.sent_row < 0)
    wide = spans + np.array([0, reach])
    return int((alien & inside(applied.at_ns, wide)).sum())


__all__ = ["duplicates", "repeated_rows", "second_way", "strangers", "unchecked"]
