"""How uncertain is a measured value? An uncertainty budget from what is known of each component.

Type B evaluation of JCGM 100 (GUM): a component that is only known to lie within limits has a rectangular
distribution; standard uncertainties add as squares where the components are independent and all act on the
result one to one; the expanded uncertainty is the coverage factor times the combined one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

Distribution = Literal["rectangular", "resolution", "normal"]

DIVISOR: Final[dict[Distribution, float]] = {
    "rectangular": math.sqrt(3),
    "resolution": math.sqrt(3),
    "normal": 1.0,
}
"""What a component's `half_width` is divided by; a normal one's is its standard uncertainty already."""


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty, in the unit of the result.

    `half_width` is a for limits of -a and +a, half the step d of a reading's resolution, or the standard
    uncertainty of a normal component. `freedom` is its degrees of freedom, infinite for limits taken as
    certain (JCGM 100, G.4.3).
    """

    name: str
    distribution: Distribution
    half_width: float
    freedom: float = math.inf

    @property
    def divisor(self) -> float:
        """What turns the half width into a standard uncertainty."""
        return DIVISOR[self.distribution]

    @property
    def standard(self) -> float:
        """The standard uncertainty: a / sqrt(3), d / sqrt(12), or as given (JCGM 100, 4.3.7, F.2.2.1)."""
        return self.half_width / self.divisor


@dataclass(frozen=True, slots=True)
class Budget:
    """Independent components that act on the result one to one (sensitivity coefficients of +1 or -1)."""

    components: tuple[Component, ...]

    @property
    def combined(self) -> float:
        """The combined standard uncertainty: the root of the sum of squares (JCGM 100, 5.1.2)."""
        return math.hypot(*(component.standard for component in self.components))

    @property
    def worst(self) -> float:
        """The sum of all half widths: no value lies further out if every component keeps to its limits."""
        return math.fsum(component.half_width for component in self.components)

    @property
    def freedom(self) -> float:
        """The effective degrees of freedom of the combined standard uncertainty."""
        return welch_satterthwaite(
            [component.standard for component in self.components],
            [component.freedom for component in self.components],
        )

    def coverage_factor(self, coverage: float) -> float:
        """Return the factor k for a share of values covered, of the effective degrees of freedom."""
        return coverage_factor(coverage, self.freedom)

    def expanded(self, coverage: float) -> float:
        """Return the expanded uncertainty U = k * u for a share of values covered (JCGM 100, 6.2.1)."""
        return self.coverage_factor(coverage) * self.combined

    def shares(self) -> tuple[float, ...]:
        """Return each component's share of the combined variance; all 0 if there is none."""
        whole = self.combined**2
        return tuple(component.standard**2 / whole if whole else 0.0 for component in self.components)


def rectangular(name: str, lower: float, upper: float) -> Component:
    """Return a component that lies between two limits, no value in between likelier than another.

    The standard uncertainty is half the width over sqrt(3). Source: JCGM 100:2008, 4.3.7 and 4.3.8 (limits
    unlike on both sides: (upper - lower) squared over 12).
    """
    return Component(name, "rectangular", abs(upper - lower) / 2)


def resolution(name: str, step: float) -> Component:
    """Return a component of a reading in steps: d / sqrt(12). Source: JCGM 100:2008, F.2.2.1."""
    return Component(name, "resolution", step / 2)


def normal(name: str, standard: float, freedom: float = math.inf) -> Component:
    """Return a component with a standard uncertainty of its own, such as that of a mean (JCGM 100, 4.2.3)."""
    return Component(name, "normal", standard, freedom)


def welch_satterthwaite(standards: Sequence[float], freedoms: Sequence[float]) -> float:
    """Return effective degrees of freedom: u**4 over the sum of u_i**4 / nu_i. Infinite without finite ones.

    Source: JCGM 100:2008, G.4.1, equation (G.2b).
    """
    pairs = [pair for pair in zip(standards, freedoms, strict=True) if pair[0]]
    below = math.fsum(u**4 / freedom for u, freedom in pairs)
    return math.hypot(*(u for u, _ in pairs)) ** 4 / below if below else math.inf


def coverage_factor(coverage: float, freedom: float = math.inf) -> float:
    """Return t for a two-sided share of values covered; the normal quantile for infinite degrees of freedom.

    Degrees of freedom are used as they are; tables cut them down to a whole number, which is a little more
    careful. Source: JCGM 100:2008, G.3 and table G.2.
    """
    from scipy.special import ndtri, stdtrit

    each = (1 + coverage) / 2
    return float(ndtri(each)) if math.isinf(freedom) else float(stdtrit(freedom, each))
