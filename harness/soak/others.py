"""What do the other checks come to over many rounds? Each in a way of its own.

`Rate`    packets and times of all rounds are added.
`Losses`  the longest run of all, also one across a seam. Each round looks for a rhythm with its share of
          the false alarms; a routine that goes on for hours is in every round, so that the question counts
          as answered if most rounds answer it.
`Gap`     the longest of all, also one across a seam.
`Drift`   the trend of the rounds' figures (`harness.judge.drift`).
`Bench`   serial messages and losses are added, each between its seams, and judged as a share of all; any
          other fault of the bench in a round is one of the run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS
from harness.judge.advice import advise
from harness.judge.bench import judge_bench
from harness.judge.drift import judge_drift
from harness.judge.guard import ENOUGH, at_least, result
from harness.judge.link import FEWEST
from harness.judge.words import ms, plain, share
from harness.measure.arrays import meeting
from harness.measure.evidence import Evidence
from harness.measure.hours import RoundFigures
from harness.measure.losses import loss_runs, loss_series
from harness.measure.pacing import packet_rate
from harness.plan import model as p
from harness.plan.wording import many
from harness.soak.parts import MOST_NAMED, Certain, Tightened, Told
from harness.soak.place import Place
from harness.verdict import CheckResult, Verdict


class Rate:
    """Packets a second over all rounds."""

    def __init__(self, check: p.PlanCheck) -> None:
        assert isinstance(check.rule, p.PacketRate)
        self.check, self.rule = check, check.rule
        self.packets = self.time_ns = self.bound_ns = self.rounds = 0
        self.slowest: tuple[float, Place] | None = None

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Add a round's packets and the time in which they were sent."""
        found = packet_rate(evidence)
        self.rounds += 1
        self.packets += found.packets
        self.time_ns += found.time_ns
        self.bound_ns += found.bound_ns
        if found.hz is not None and place.ended and (self.slowest is None or found.hz < self.slowest[0]):
            self.slowest = (found.hz, place)
        return Verdict.NONE

    def result(self) -> CheckResult:
        """Return the verdict on the rate over all rounds."""
        if self.packets < FEWEST or self.time_ns <= 0:
            return result(Verdict.INCONCLUSIVE, f"only {many(self.packets, 'packet')} to count")
        hz, limit = self.packets * 1e9 / self.time_ns, self.rule.at_least_mhz / 1000
        uncertainty = hz * self.bound_ns / self.time_ns
        verdict = at_least(hz, hz, limit, uncertainty)
        slow = f"; slowest {self.slowest[1]}: {plain(self.slowest[0])} Hz" if self.slowest else ""
        time = f"{plain(self.time_ns / 1e9)} s of {many(self.rounds, 'round')}"
        return result(
            verdict,
            f"{many(self.packets, 'packet')} in {time} are {plain(hz)} Hz; wanted {plain(limit)} Hz{slow}",
            value=hz,
            unit="Hz",
            uncertainty=uncertainty,
            limit=limit,
            side="at least",
            samples=self.packets,
            sample_unit="packets",
            counts={"packets": self.packets},
            advice=advise("packet_rate", "fail") if verdict is Verdict.FAIL else (),
        )


class Losses(Tightened):
    """Longest run of lost packets, and rhythms, over all rounds."""

    def __init__(self, check: p.PlanCheck, rounds: int) -> None:
        assert isinstance(check.rule, p.LossPattern)
        super().__init__(check, rounds)
        self.rule = check.rule
        self.unanswered = 0
        self.across = 0
        self.crossing: Place | None = None
        self._trailing = 0
        self._possible = 0

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Take in a round, and a run of losses that began in the one before."""
        series = loss_series(evidence, self.rule.during)
        runs = loss_runs(series)
        self._possible = runs.longest_possible
        whole = len(series)
        at_start = bool(len(runs.start)) and not runs.start[0]
        leading = int(runs.length[0]) if at_start else 0
        if not self.rule.during and self._trailing and leading + self._trailing > self.across:
            self.across, self.crossing = leading + self._trailing, place
        at_end = bool(len(runs.start)) and int(runs.start[-1] + runs.length[-1]) == whole
        self._trailing = int(runs.length[-1]) + self._trailing * (leading == whole) if at_end else 0
        return super().take(place, evidence)

    def _sort(self, told: Told) -> None:
        verdict = told.result.verdict
        if verdict is Verdict.INCONCLUSIVE and self._possible <= self.rule.longest_run:
            self.unanswered += 1
        elif verdict is Verdict.INCONCLUSIVE:
            self.open.add(told)
        else:
            super()._sort(told)

    def verdict(self) -> Verdict:
        """Return what all rounds come to."""
        if self.across > self.rule.longest_run:
            return Verdict.FAIL
        self.required = ENOUGH
        found = super().verdict()
        return Verdict.INCONCLUSIVE if found is Verdict.PASS and 2 * self.unanswered > self.rounds else found

    def result(self) -> CheckResult:
        """Return the verdict, and tell of a run across a seam if that is the longest."""
        found = super().result()
        longest = max([self.across, int(found.value or 0)])
        if self.across > self.rule.longest_run and not self.failed:
            words = f"{self.across} packets in a row were lost just before {self.crossing}"
            return replace(
                found, reason=words, value=float(longest), advice=advise("loss_pattern", "run"), needed=None
            )
        if found.verdict is Verdict.INCONCLUSIVE and not self.open:
            words = (
                f"; {self.unanswered} of {many(self.rounds, 'round')} leave open whether there is a rhythm"
            )
            return replace(found, reason=found.reason + words)
        return found

    def _shown(self, verdict: Verdict) -> Told | None:
        return super()._shown(verdict) if self.failed or verdict is not Verdict.FAIL else self.worst


class Gap(Certain):
    """Longest time without a new packet over all rounds, seams included."""

    def __init__(self, check: p.PlanCheck) -> None:
        assert isinstance(check.rule, p.ControlGap)
        super().__init__(check)
        self.rule = check.rule

    def judged(self, evidence: Evidence) -> CheckResult:
        """Return the round's verdict, or that on the gap across its end if that is the longer one."""
        found = super().judged(evidence)
        across = None if self.rule.during else gap_across(evidence, evidence.run.end_ns)
        if across is None or (found.value is not None and across[0] <= found.value * MS):
            return found
        gap_ns, doubtful = across
        clock = evidence.clocks[Role.RECEIVER]
        bound_ns = int(gap_ns * clock.rate_error) + clock.span_step_ns
        if gap_ns - bound_ns <= self.rule.at_most_ns or doubtful or evidence.recording.damaged:
            return found
        return replace(
            found,
            verdict=Verdict.FAIL,
            reason=f"the longest time without a new packet was {ms(gap_ns)} at the end of the round; at most "
            f"{ms(self.rule.at_most_ns)} allowed",
            value=gap_ns / MS,
            uncertainty=bound_ns / MS,
            needed=None,
            advice=advise("control_gap", "fail"),
        )


def gap_across(evidence: Evidence, seam_ns: int) -> tuple[int, bool] | None:
    """Return the time in ns between the applied packets on both sides of a seam, and whether it is in doubt.

    None if one of them is not there (what was recorded ends at the seam), or if a cut or a commanded restart
    lies between them: what follows one is judged by `failsafe_exit` and `recovery`.
    """
    applied = evidence.applied
    rows = np.flatnonzero(~applied.repeat)
    before, after = rows[applied.at_ns[rows] <= seam_ns], rows[applied.at_ns[rows] > seam_ns]
    if not len(before) or not len(after):
        return None
    first, last = int(before[-1]), int(after[0])
    times = applied.at_ns[[first, last]]
    if meeting(times[:1] + 1, times[1:] - 1, evidence.excused)[0]:
        return None
    heard = evidence.heard[Role.RECEIVER]
    frames = applied.frame[[first, last]]
    lost = int(heard.lost[frames[1]] - heard.lost[frames[0]])
    return int(times[1] - times[0]), lost > 0


class Drift:
    """Trends of what all whole rounds were like; `rounds` is filled by whoever measures them."""

    def __init__(self, check: p.PlanCheck, rounds: Sequence[RoundFigures]) -> None:
        assert isinstance(check.rule, p.Drift)
        self.rule, self.rounds = check.rule, rounds

    def take(self, place: Place, evidence: Evidence) -> Verdict:  # noqa: ARG002
        """Say nothing: one round shows no drift."""
        return Verdict.NONE

    def result(self) -> CheckResult:
        """Return the verdict on the trends."""
        return judge_drift(self.rule, self.rounds)


class Bench:
    """What went wrong on the bench in all rounds."""

    def __init__(self, check: p.PlanCheck) -> None:
        assert isinstance(check.rule, p.BenchHealth)
        self.check, self.rule = check, check.rule
        self.messages: Counter[Role] = Counter()
        self.lost: Counter[Role] = Counter()
        self.trouble: list[str] = []
        self.troubled = 0
        self.early = ""
        self.rounds = 0

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Add a round's messages, each between its seams, and note what else was wrong."""
        found = judge_bench(replace(self.rule, lost_at_most=Fraction(1)), evidence)
        self.rounds += 1
        if found.verdict is Verdict.ERROR:
            self.troubled += 1
            self.trouble = [*self.trouble, f"{place}: {found.reason}"][:MOST_NAMED]
        elif found.verdict is Verdict.INCONCLUSIVE and not self.early:
            self.early = f"{place}: {found.reason}"
        lost = 0
        for role in evidence.heard:
            messages, missing = between_seams(evidence, role, place.seams_ns)
            self.messages[role] += messages
            self.lost[role] += missing
            lost += missing
        return Verdict.ERROR if lost and not self.rule.lost_at_most else found.verdict

    def result(self) -> CheckResult:
        """Return whether the bench was in order all the time."""
        shares = {
            role: Fraction(self.lost[role], max(1, self.messages[role] + self.lost[role]))
            for role in self.messages
        }
        worst = max(shares.values(), default=Fraction(0))
        words = list(self.trouble)
        if self.troubled > MOST_NAMED:
            words.append(f"and {many(self.troubled - MOST_NAMED, 'more round')} with trouble")
        words += [
            f"the {role.value}'s serial line lost {self.lost[role]} of "
            f"{many(self.messages[role] + self.lost[role], 'message')} ({share(one)}), "
            f"{share(self.rule.lost_at_most)} allowed"
            for role, one in shares.items()
            if one > self.rule.lost_at_most
        ]
        verdict = Verdict.ERROR if words else Verdict.INCONCLUSIVE if self.early else Verdict.PASS
        total = sum(self.messages.values())
        fine = f"{many(total, 'message')} came through in {many(self.rounds, 'round')}"
        counts = {f"{role.value} messages": number for role, number in self.messages.items()}
        counts |= {f"{role.value} messages lost": number for role, number in self.lost.items()}
        over = any(one > self.rule.lost_at_most for one in shares.values())
        situations = ["fail"] * over + ["gone"] * bool(self.trouble) + ["early"] * bool(self.early)
        return result(
            verdict,
            "; ".join([*words, *([self.early] if self.early else [])])
            or f"{fine}, {share(worst)} lost at most on a port",
            value=float(worst) * 100,
            unit="%",
            limit=float(self.rule.lost_at_most) * 100,
            side="at most",
            samples=total,
            sample_unit="messages",
            counts=counts,
            advice=advise("bench", *situations),
        )


def between_seams(evidence: Evidence, role: Role, seams_ns: tuple[int | None, int | None]) -> tuple[int, int]:
    """Return how many messages of a port came between two seams, and how many are missing among them.

    A missing message belongs to the round of the first message after it.
    """
    heard = evidence.heard[role]
    if not heard.messages:
        return 0, 0
    start, end = seams_ns
    first = 0 if start is None else int(np.searchsorted(heard.at_ns, start))
    after = heard.messages if end is None else int(np.searchsorted(heard.at_ns, end))
    if after <= first:
        return 0, 0
    before = int(heard.lost[first - 1]) if first else 0
    return after - first, int(heard.lost[after - 1]) - before
