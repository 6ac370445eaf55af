"""Do the limits of delivery hold as often as they say when losses come in bursts? By simulation.

    python tests/evidence/coverage.py          # about five minutes; writes coverage.md beside itself
    python tests/evidence/coverage.py 500      # links in each row: a look, nothing written

Each row is many links of one kind, run for n packets from a moment in the middle of their life. A link is a
row of good and bad runs with lengths drawn independently of each other; geometric ones make the two-state
chain (Gilbert), and good ones that may stay in a fade one whose bad state loses only some packets. A limit
holds if the true share of delivered packets is on its right side.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import betaincinv

from harness.stats import bursts as b

SEED = 20_262
LINKS = 10_000
CONFIDENCES = (0.90, 0.95, 0.99)
SHARES, LENGTHS, COUNTS = (0.0005, 0.005, 0.05), (1, 3, 10), (1_000, 10_000, 100_000)
BELOW, ABOVE = 1.0, 5.0
"""Coverage may be this many points below nominal, and this many above."""
AT_LIMIT = (20, 30, 32, 40, 70, 200)
BURN_IN = 400
AT_ONCE = 2_000_000
REFERENCE = (
    (1439, 0, 0),
    (1500, 1, 1),
    (1500, 12, 4),
    (10_000, 50, 50),
    (10_000, 50, 16),
    (100_000, 500, 50),
)
"""Counts whose limits are printed, so that a table from other code can be told."""

Runs = np.ndarray
Lengths = Callable[[np.random.Generator, tuple[int, int]], Runs]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of link: how long its good and bad runs are, drawn as (links, runs), with their means.

    `clump` is the mean number of bad runs that hang together.
    """

    name: str
    good: Lengths
    bad: Lengths
    good_mean: float
    bad_mean: float
    clump: float = 1.0

    @property
    def share(self) -> float:
        """Share of lost packets in the long run."""
        return self.bad_mean / (self.good_mean + self.bad_mean)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: a kind of link, how many packets, and in per cent how often each limit held.

    `ours` and `naive` are (lower, upper) for each confidence; `verdicts` (pass, fail) likewise, of a check
    whose limit is the link's true delivery: both are wrong.
    """

    kind: Kind
    packets: int
    ours: tuple[tuple[float, float], ...]
    naive: tuple[tuple[float, float], ...]
    verdicts: tuple[tuple[float, float], ...]

    @property
    def expected(self) -> float:
        """Bursts expected, or fades."""
        return float(b.bursts_expected(self.packets, self.kind.share, self.kind.bad_mean * self.kind.clump))

    @property
    def enough(self) -> bool:
        """Whether the limits must hold here."""
        return self.expected >= b.FEWEST_BURSTS

    @property
    def off(self) -> tuple[float, float]:
        """Coverage less nominal in points: the least and the most of all limits."""
        pairs = zip(CONFIDENCES, self.ours, strict=True)
        points = [held - 100 * confidence for confidence, both in pairs for held in both]
        return min(points), max(points)


def geometric(mean: float) -> Lengths:
    """Return a way to draw lengths with no memory."""
    return lambda rng, size: rng.geometric(1 / mean, size)


def gilbert(share: float, burst: float) -> Kind:
    """Return the two-state chain with that share lost in bursts of that mean; 1 is never two in a row."""
    good = burst * (1 - share) / share
    return Kind("two-state", geometric(good), geometric(burst), good, burst)


def independent(share: float) -> Kind:
    """Return a link that loses each packet with the same probability, whatever the others'."""
    return Kind("independent", geometric(1 / share), geometric(1 / (1 - share)), 1 / share, 1 / (1 - share))


def fixed(share: float, burst: int) -> Kind:
    """Return a link with bursts of one length."""
    good = burst * (1 - share) / share
    return Kind(
        f"every burst {burst} long", geometric(good), lambda _, size: np.full(size, burst), good, burst
    )


def mixed(share: float, part: float, burst: int) -> Kind:
    """Return a link with single losses and a part of long bursts."""
    mean = 1 - part + part * burst
    good = mean * (1 - share) / share

    def lengths(rng: np.random.Generator, size: tuple[int, int]) -> Runs:
        return np.where(rng.random(size) < part, burst, 1)

    return Kind(f"single, {100 * part:g} % {burst} long", geometric(good), lengths, good, mean)


def clumped(share: float, again: float, near: float) -> Kind:
    """Return a link with single losses that follow each other soon: a bad state that loses some packets."""
    good = (1 - share) / share
    far = (good - again * near) / (1 - again)

    def lengths(rng: np.random.Generator, size: tuple[int, int]) -> Runs:
        short = rng.random(size) < again
        return np.where(short, rng.geometric(1 / near, size), rng.geometric(1 / far, size))

    return Kind(f"single, {100 * again:g} % about {near:g} apart", lengths, geometric(1), good, 1)


def faded(share: float, fade: int, part: float) -> Kind:
    """Return a link with fades of that mean length that lose a part of their packets, each by itself."""
    leave, stay, enter = 1 / fade, 1 - 1 / fade, share / (part - share) / fade
    again, quiet = stay * part, stay * (1 - part)

    def gaps(rng: np.random.Generator, size: tuple[int, int]) -> Runs:
        """From a lost packet to the next, given that it is not the very next one."""
        inside = rng.random(size) < quiet / (1 - again)
        gap, away = inside.astype(np.int64), ~inside
        while inside.any() or away.any():
            gap += np.where(inside, rng.geometric(1 - quiet, size) - 1, 0)
            away |= inside & (rng.random(size) < leave / (1 - quiet))
            gap += np.where(away, rng.geometric(enter, size), 0)
            inside = away & (rng.random(size) >= part)
            gap, away = gap + inside, np.zeros(size, dtype=np.bool_)
        return gap

    bad = 1 / (1 - again)
    name = f"fades of {fade}, {100 * part:g} % lost there"
    return Kind(name, gaps, geometric(bad), bad * (1 - share) / share, bad, clump=max(1.0, fade * part / bad))


def periodic(share: float, burst: int) -> Kind:
    """Return a link that loses a burst every so many packets, at any phase."""
    good = round(burst * (1 - share) / share)
    return Kind(
        f"{burst} lost every {good + burst}", lambda _, size: np.full(size, good),
        lambda _, size: np.full(size, burst), good, burst,
    )  # fmt: skip


def tallies(rng: np.random.Generator, kind: Kind, packets: int, links: int) -> Iterator[np.ndarray]:
    """Yield (8, some) arrays of `links` links: lost; bursts, spread and gap spread; the same of clumps; times

    it occurred.
    """
    cycle = kind.good_mean + kind.bad_mean
    before = BURN_IN + int(cycle * kind.clump)
    cycles = (packets + 2 * before) / cycle
    runs = int(1.15 * cycles + 10 * (cycles * kind.clump) ** 0.5 + 12 * kind.clump)
    each = max(1, AT_ONCE // runs)
    for done in range(0, links, each):
        size = (min(each, links - done), runs)
        yield _tally(rng, kind, packets, before, size)


def _tally(
    rng: np.random.Generator, kind: Kind, packets: int, before: int, size: tuple[int, int]
) -> np.ndarray:
    good, bad = kind.good(rng, size), kind.bad(rng, size)
    cycle = (kind.good_mean + kind.bad_mean) * kind.clump
    start = before + rng.integers(0, int(cycle) + 1, size[0])[:, None]
    ends = np.cumsum(good + bad, axis=1)
    end = start + packets
    assert (ends[:, -1:] >= end).all()
    lost = np.clip(ends, start, end) - np.clip(ends - bad, start, end)
    seen = lost > 0
    gaps = np.where(seen[:, 1:] & seen[:, :-1], good[:, 1:], 0)
    counts = seen.sum(axis=1)
    spread = b.spread(counts, lost.sum(axis=1), (lost**2).sum(axis=1))
    gap_spread = b.spread(np.maximum(counts - 1, 0), gaps.sum(axis=1), (gaps**2).sum(axis=1))
    seen_alone = np.stack((lost.sum(axis=1), counts, spread, gap_spread), axis=1)
    found = np.concatenate((seen_alone, _clumps(packets, lost, gaps, seen_alone[:, 1:])), axis=1)
    unique, times = np.unique(found, axis=0, return_counts=True)
    return np.concatenate((unique, times[:, None]), axis=1).T


def _clumps(packets: int, lost: np.ndarray, gaps: np.ndarray, alone: np.ndarray) -> np.ndarray:
    """Return the number of clumps and both spreads; those of single bursts where none hang together."""
    found = alone.copy()
    for row in range(len(lost)):
        lengths = lost[row][lost[row] > 0]
        masses, far = b.hang_together(packets, lengths, gaps[row][gaps[row] > 0])
        if len(masses) < len(lengths):
            spreads = [float(b.spread(len(each), each.sum(), (each**2).sum())) for each in (masses, far)]
            found[row] = len(masses), *spreads
    return found


def simulate(rng: np.random.Generator, kind: Kind, packets: int, links: int) -> Row:
    """Return how often each limit held in `links` links of a kind."""
    cells = np.concatenate(list(tallies(rng, kind, packets, links)), axis=1)
    lost, runs, spread, gap_spread, clumps, clump_spread, clump_gap_spread, times = cells
    truth = 1 - kind.share
    lengths = b.mean_burst(lost, runs), b.clump_length(lost, runs, clumps)
    ours, naive, verdicts = [], [], []
    for confidence in CONFIDENCES:
        lower = b.limits(packets, lost, clumps, confidence, clump_spread, clump_gap_spread)[0]
        upper = b.limits(packets, lost, runs, confidence, spread, gap_spread)[1]
        certain = b.certain_limit(packets, lost, runs, confidence, spread, gap_spread)
        exact = clopper_pearson(packets, lost, confidence)
        ends = (lower, upper, certain)
        verdict = b.decide(ends, packets, lengths[0], truth, lengths[1])
        ours.append((_share(lower <= truth, times), _share(upper >= truth, times)))
        naive.append((_share(exact[0] <= truth, times), _share(exact[1] >= truth, times)))
        verdicts.append((_share(verdict[0], times), _share(verdict[1], times)))
    return Row(kind, packets, tuple(ours), tuple(naive), tuple(verdicts))


def clopper_pearson(packets: int, lost: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact limits for independent packets, many at once."""
    good = packets - lost
    lower = betaincinv(np.maximum(good, 1e-9), lost + 1, 1 - confidence)
    return lower, 1 - betaincinv(np.maximum(lost, 1e-9), good + 1, 1 - confidence)


def _share(flags: np.ndarray, times: np.ndarray) -> float:
    return 100 * float((flags * times).sum() / times.sum())


def grid() -> list[tuple[Kind, int]]:
    """Return the cells whose coverage is promised."""
    return [(gilbert(p, length), n) for n in COUNTS for p in SHARES for length in LENGTHS]


def other_shapes() -> list[tuple[Kind, int]]:
    """Return links that are no two-state chains, or whose losses are not correlated at all."""
    cells = ((10_000, 0.005), (10_000, 0.05), (100_000, 0.005))
    return [
        (kind, n)
        for n, p in cells
        for kind in (
            independent(p), fixed(p, 3), fixed(p, 10), mixed(p, 0.1, 10), mixed(p, 0.1, 30),
            mixed(p, 0.3, 10), clumped(p, 0.7, 3), periodic(p, 1), periodic(p, 5),
        )
    ]  # fmt: skip


def fades() -> list[tuple[Kind, int]]:
    """Return links whose bad state loses only some packets."""
    cells = (
        (10_000, 0.01, 20, 0.5), (10_000, 0.01, 50, 0.3), (3_000, 0.05, 20, 0.3), (10_000, 0.05, 100, 0.1),
        (100_000, 0.01, 200, 0.2), (10_000, 0.01, 100, 0.3), (10_000, 0.02, 100, 0.5),
        (20_000, 0.02, 200, 0.5), (100_000, 0.01, 100, 0.3),
    )  # fmt: skip
    return [(faded(share, fade, part), n) for n, share, fade, part in cells]


def at_the_limit() -> list[tuple[Kind, int]]:
    """Return links with few losses, and some with bursts longer than is assumed."""
    n = 10_000
    return [(gilbert(lost / n, length), n) for lost in AT_LIMIT for length in (1, 3, 7, 10, 15, 30)]


def coverage_table(rows: list[Row]) -> list[str]:
    """Return a table of coverage, ours and the naive one's beside it."""
    heads = ["link", "lost", "burst", "packets", "bursts expected"]
    heads += [f"{100 * c:g} % {side}" for c in CONFIDENCES for side in ("lower", "upper")]
    lines = ["| " + " | ".join(heads) + " |", "|---|" + "---:|" * (len(heads) - 1)]
    for row in rows:
        cells = [
            f"{ours[side]:.1f} ({naive[side]:.1f})"
            for ours, naive in zip(row.ours, row.naive, strict=True)
            for side in (0, 1)
        ]
        lines.append("| " + " | ".join(_head(row) + cells) + " |")
    return lines


def verdict_table(rows: list[Row]) -> list[str]:
    """Return a table of verdicts of a check whose limit is the truth."""
    heads = ["link", "lost", "burst", "packets", "bursts expected"]
    heads += [f"{100 * c:g} % {what}" for c in CONFIDENCES for what in ("passed", "failed", "inconclusive")]
    lines = ["| " + " | ".join(heads) + " |", "|---|" + "---:|" * (len(heads) - 1)]
    for row in rows:
        cells = []
        for passed, failed in row.verdicts:
            cells += [f"{passed:.1f}", f"{failed:.1f}", f"{100 - passed - failed:.1f}"]
        lines.append("| " + " | ".join(_head(row) + cells) + " |")
    return lines


def _head(row: Row) -> list[str]:
    kind = row.kind
    expected = f"{row.expected:.2g}" if row.expected < 10 else f"{row.expected:.0f}"
    return [kind.name, f"{100 * kind.share:.3g} %", f"{kind.bad_mean:.3g}", f"{row.packets}", expected]


def stamp() -> list[str]:
    """Return lines that change whenever the limits do."""
    lines = [
        f"Parameters: fewest bursts {b.FEWEST_BURSTS}, assumed burst {b.ASSUMED_BURST:g}, long burst "
        f"{b.LONG_BURST:g}, overwhelming {100 * b.OVERWHELMING:g} %, near {b.NEAR}, by chance "
        f"{100 * b.BY_CHANCE:g} %. Limits at 95 % for packets, lost, "
        "bursts:",
        "",
    ]
    for packets, lost, runs in REFERENCE:
        lower, upper = b.limits(packets, lost, runs, 0.95, 1.5, 1.2)
        lines.append(f"- {packets}, {lost}, {runs}: {float(lower):.7f} to {float(upper):.7f}")
    return lines


INTRO = """\
# Do the limits of delivery hold when losses come in bursts?

Simulated by `python tests/evidence/coverage.py`, seed {seed}, {links} links in each row (standard error 0.3
points at 90 %, 0.1 at 99 %). Each figure is the share of links in per cent whose true delivery lies on the
right side of the one-sided limit; in brackets the same for Clopper and Pearson's limits, which take packets
for independent.

For the lower limit, bursts that hang together count as one (`harness.stats.bursts.hang_together`).
Where at least {fewest} bursts are expected, coverage is between {worst:+.1f} and {most:+.1f} points of \
nominal
(allowed: -{below:g} to +{above:g}); that of the independent limits falls to {naive:+.1f}.
"""
FEW = """\
Verdicts in per cent of a delivery check whose limit is just the link's true delivery, so that a pass and a
fail are both wrong. Almost all are inconclusive, and the reason says how many bursts could be expected.
"""
TIGHT = """\
The same at 10 000 packets with 20 to 200 lost ones expected. Bursts with a mean of 15 or 30 are longer than
the {long:g} that is assumed as long as none is seen: such a link may happen to have no burst, or a short one,
and then passes more often than it should.
"""
SHAPES = """\
Not two-state chains. Bursts or gaps of equal length make the limits wider than they need be; lengths that
vary more than a chain's are noticed by their spread. What is never seen cannot be: where one link in four
meets none of its long bursts (one loss in ten 30 long, 13 bursts expected), no limit from its data can hold.
"""


FADES = """\
A bad state that loses only some of its packets: many short bursts, few fades. The column of bursts expected
counts fades. Bursts that hang together make a pass wait for ten clumps of {long:g} more lost packets than
seen, so a link with short fades passes late. What remains: where only three or four long fades are expected,
some runs meet none, and at the limit up to {worst:.1f} % pass at 95 %. More packets mend it.
"""


def report(cells: list[Row], shapes: list[Row], faded_: list[Row], tight: list[Row], links: int) -> str:
    """Return the whole file."""
    enough, few = ([row for row in cells if row.enough is which] for which in (True, False))
    naive = [
        held - 100 * confidence
        for row in enough
        for confidence, both in zip(CONFIDENCES, row.naive, strict=True)
        for held in both
    ]
    intro = INTRO.format(
        seed=SEED, links=links, fewest=b.FEWEST_BURSTS, below=BELOW, above=ABOVE, naive=min(naive),
        worst=min(row.off[0] for row in enough), most=max(row.off[1] for row in enough),
    )  # fmt: skip
    parts = [
        (f"At least {b.FEWEST_BURSTS} bursts expected", "", coverage_table(enough)),
        (f"Fewer than {b.FEWEST_BURSTS} bursts expected: inconclusive", FEW, verdict_table(few)),
        ("Coverage there", "", coverage_table(few)),
        ("Near the least that a pass needs", TIGHT.format(long=b.LONG_BURST), verdict_table(tight)),
        ("Other shapes of bursts", SHAPES, coverage_table(shapes + faded_)),
        (
            "Fades that lose only some packets",
            FADES.format(
                long=b.LONG_BURST, worst=max(row.verdicts[CONFIDENCES.index(0.95)][0] for row in faded_)
            ),
            verdict_table(faded_),
        ),
        ("Made with", "", stamp()),
    ]
    lines = [intro]
    for title, prose, table in parts:
        lines += [f"## {title}", "", *([prose] if prose else []), *table, ""]
    return "\n".join(lines)


def main() -> None:
    """Simulate everything; print the file, and write it unless it is only a look."""
    links = int(sys.argv[1]) if len(sys.argv) > 1 else LINKS
    rng = np.random.default_rng(SEED)
    parts = [
        [simulate(rng, *cell, links) for cell in cells]
        for cells in (grid(), other_shapes(), fades(), at_the_limit())
    ]
    text = report(*parts, links)
    print(text)
    if len(sys.argv) == 1:
        Path(__file__).with_suffix(".md").write_text(text)


if __name__ == "__main__":
    main()
