"""Is it good enough? Each check's answer with the numbers that a sceptic needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from harness.errors import ExitCode
from harness.findings import Section
from harness.likely import Likely

if TYPE_CHECKING:
    from harness.codec.messages import Identity


class Verdict(StrEnum):
    """The five answers, named and ranked as in ETSI ES 201 873-1 (TTCN-3), from no answer to the worst.

    A check that was not judged, as the plan allows, has `none`: it says nothing, for or against.
    """

    NONE = "none"
    PASS = "pass"  # noqa: S105 - a verdict, not a password
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"
    ERROR = "error"

    @property
    def rank(self) -> int:
        """0 for none up to 4 for error: an overall verdict is the worst of its parts."""
        return list(Verdict).index(self)

    @property
    def exit_code(self) -> ExitCode:
        """What the command returns for this verdict."""
        return {
            Verdict.NONE: ExitCode.INCONCLUSIVE,
            Verdict.PASS: ExitCode.PASS,
            Verdict.INCONCLUSIVE: ExitCode.INCONCLUSIVE,
            Verdict.FAIL: ExitCode.FAIL,
            Verdict.ERROR: ExitCode.BENCH_ERROR,
        }[self]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One check's verdict and its evidence.

    `value`, `limit`, both ends of `interval` and `uncertainty` are in `unit`; None where there is no such
    number. `side` says which side of the limit is good; `margin` is positive on that side. `needed` is how
    many more samples (`sample_unit`) would settle an inconclusive check. `counts` holds the whole numbers
    behind the value. `examples` are a few lines pointing at single events; `advice` says what to try next.
    """

    name: str
    kind: str
    verdict: Verdict
    reason: str
    value: float | None = None
    unit: str = ""
    interval: tuple[float | None, float | None] | None = None
    confidence: float | None = None
    uncertainty: float | None = None
    limit: float | None = None
    side: str = ""
    samples: int = 0
    sample_unit: str = ""
    needed: int | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    examples: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        assert self.side in ("", "at least", "at most"), self.side

    @property
    def margin(self) -> float | None:
        """Distance from the limit in `unit`, positive on the good side; None without value or limit."""
        if self.value is None or self.limit is None:
            return None
        return self.value - self.limit if self.side == "at least" else self.limit - self.value


@dataclass(frozen=True, slots=True)
class Judgement:
    """All verdicts of one run and the totals that belong beside them.

    `link_seconds` is the time from the first step to the last, in s. `devices` holds each role's identity in
    words (untrusted text, to be escaped by whoever shows it). `notes` are lines about the run as a whole,
    such as an early stop or a recording that was cut short. `sections` tell what was measured beside the
    checks, `causes` why figures may be bad or odd, the likeliest first. `units` are the identities of those
    devices that told one, by role, as untrusted.
    """

    results: tuple[CheckResult, ...]
    link_seconds: float
    packets_sent: int
    packets_applied: int
    devices: Mapping[str, str]
    notes: tuple[str, ...]
    sections: tuple[Section, ...] = ()
    causes: tuple[Likely, ...] = ()
    units: Mapping[str, Identity] = field(default_factory=dict)

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of all checks; inconclusive if nothing was judged."""
        judged = [result.verdict for result in self.results if result.verdict is not Verdict.NONE]
        return max(judged, key=lambda verdict: verdict.rank, default=Verdict.INCONCLUSIVE)
