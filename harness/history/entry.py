"""What does one run say of itself, as rows of a table? Taken from its verdict.json, which may hold anything.

Every value has the type that `shared/verdict.md` says, every text is cleaned and bounded and every number is
finite, or the run is odd and says where; nothing of an odd run is believed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from harness.clock import S, seconds_of
from harness.escape import clean
from harness.kept import NUMBER_MAX, KeptRun
from harness.verdict import Verdict

TEXT_MAX: Final = 200
CHECKS_MAX: Final = 400
"""A plan holds far fewer; more come from nobody's harness."""
WHOLE_MAX: Final = 2**63 - 1
"""Largest whole number of SQLite (its documentation, "Datatypes In SQLite", section 2)."""
SEED_MAX: Final = 2**64 - 1
LATEST_S: Final = 253_402_300_799
"""The last second of the year 9999."""
_VERDICTS: Final = {verdict.value for verdict in Verdict}


class OddRunError(ValueError):
    """The document is none of ours; says which key, what stands there and what was expected."""


@dataclass(frozen=True, slots=True)
class CheckEntry:
    """One check of one run; numbers in `unit`, None where there is none."""

    name: str
    kind: str
    verdict: str
    value: float | None
    low: float | None
    high: float | None
    confidence: float | None
    uncertainty: float | None
    limit: float | None
    side: str
    unit: str
    samples: int | None
    sample_unit: str
    needed: int | None


@dataclass(frozen=True, slots=True)
class RunEntry:
    """One run. `at_s`, in s since 1970, is its start if `dated`, else when its verdict was written."""

    at_s: int
    dated: bool
    unit: str
    module: str
    firmware: str
    plan: str
    plan_sha256: str
    rig: str
    hardware: bool
    seed: int
    version: str
    verdict: str
    link_seconds: float | None
    sent: int | None
    applied: int | None
    checks: tuple[CheckEntry, ...]


def entry_of(run: KeptRun) -> RunEntry:
    """Return what a run says; raises OddRunError. Pure, whatever the document holds."""
    whole = _At(run.document, "")
    started = whole.text("started", absent=True)
    checks = whole.items("checks")
    if len(checks) > CHECKS_MAX:
        raise OddRunError(f"`checks` holds {len(checks)} entries; {CHECKS_MAX} are the most that is read")
    plan, rig, packets = whole.inner("plan"), whole.inner("rig"), whole.inner("packets")
    return RunEntry(
        at_s=_second(started) if started else run.modified_ns // S,
        dated=bool(started),
        unit=clean(run.unit, TEXT_MAX),
        module=clean(run.module, TEXT_MAX),
        firmware=clean(run.firmware, TEXT_MAX),
        plan=plan.text("name"),
        plan_sha256=plan.text("sha256", absent=True),
        rig=rig.text("name", absent=True),
        hardware=rig.flag("hardware"),
        seed=whole.whole("seed", SEED_MAX) or 0,
        version=whole.inner("versions").text("propsoff", absent=True),
        verdict=whole.verdict(),
        link_seconds=whole.number("link_seconds"),
        sent=packets.whole("sent"),
        applied=packets.whole("applied"),
        checks=tuple(_check(check) for check in checks),
    )


def _check(at: _At) -> CheckEntry:
    low, high = at.interval()
    return CheckEntry(
        name=at.text("name"),
        kind=at.text("kind", absent=True),
        verdict=at.verdict(),
        value=at.number("value"),
        low=low,
        high=high,
        confidence=at.number("confidence"),
        uncertainty=at.number("uncertainty"),
        limit=at.number("limit"),
        side=at.text("side", absent=True),
        unit=at.text("unit", absent=True),
        samples=at.whole("samples"),
        sample_unit=at.text("sample_unit", absent=True),
        needed=at.whole("needed"),
    )


def _second(label: str) -> int:
    try:
        second = seconds_of(label)
    except (ValueError, OverflowError):
        second = -1
    if not 0 <= second <= LATEST_S:
        raise OddRunError(f"`started` is {clean(label, 40)!r}; expected a date and time in UTC")
    return second


class _At:
    """A JSON object and the path that leads to it."""

    def __init__(self, value: Any, path: str) -> None:
        self.value = value if isinstance(value, dict) else {}
        self.path = path

    def inner(self, key: str) -> _At:
        """Return the object under a key; what is not there is empty."""
        found = self.value.get(key, {})
        if not isinstance(found, dict):
            raise self._odd(key, found, "an object")
        return _At(found, self._name(key))

    def items(self, key: str) -> list[_At]:
        """Return the objects in the list under a key."""
        found = self.value.get(key)
        if not isinstance(found, list):
            raise self._odd(key, found, "a list")
        for number, item in enumerate(found[:CHECKS_MAX]):
            if not isinstance(item, dict):
                raise self._odd(f"{key}[{number}]", item, "an object")
        return [_At(item, f"{self._name(key)}[{number}]") for number, item in enumerate(found)]

    def text(self, key: str, *, absent: bool = False) -> str:
        """Return a text, cleaned; with `absent` it may be missing or null, and is then empty."""
        found = self.value.get(key)
        if absent and found is None:
            return ""
        if not isinstance(found, str) or not (found or absent):
            raise self._odd(key, found, "a text")
        return clean(found, TEXT_MAX)

    def number(self, key: str) -> float | None:
        """Return a finite number, None for null or nothing."""
        return self._number(key, self.value.get(key))

    def interval(self) -> tuple[float | None, float | None]:
        """Return both ends of the interval, None for open ones."""
        found = self.value.get("interval")
        if found is None:
            return None, None
        if not isinstance(found, list) or len(found) != 2:
            raise self._odd("interval", found, "a list of two numbers, or null")
        return self._number("interval[0]", found[0]), self._number("interval[1]", found[1])

    def whole(self, key: str, most: int = WHOLE_MAX) -> int | None:
        """Return a whole number of 0 or more, None for null or nothing."""
        found = self.value.get(key)
        if found is not None and (type(found) is not int or not 0 <= found <= most):
            raise self._odd(key, found, f"a whole number up to {most}, or null")
        return found

    def flag(self, key: str) -> bool:
        """Return a truth value; nothing is False."""
        found = self.value.get(key, False)
        if not isinstance(found, bool):
            raise self._odd(key, found, "true or false")
        return found

    def verdict(self) -> str:
        """Return the word under `verdict`."""
        found = self.value.get("verdict")
        if not isinstance(found, str) or found not in _VERDICTS:
            raise self._odd("verdict", found, f"one of {', '.join(sorted(_VERDICTS))}")
        return found

    def _number(self, key: str, found: Any) -> float | None:
        if found is None:
            return None
        if type(found) not in (int, float):
            raise self._odd(key, found, "a number, or null")
        try:
            number = float(found)
        except OverflowError:
            number = math.inf
        if not abs(number) <= NUMBER_MAX:
            raise self._odd(key, found, f"a number within +-{NUMBER_MAX:g}, or null")
        return number

    def _name(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def _odd(self, key: str, found: Any, expected: str) -> OddRunError:
        return OddRunError(f"`{self._name(key)}` is {_words(found)}; expected {expected}")


def _words(found: Any) -> str:
    """Say in a few words what stands there, however long it is."""
    if found is None:
        return "missing or null"
    if isinstance(found, dict):
        return "an object"
    if isinstance(found, list):
        return f"a list of {len(found)}"
    if isinstance(found, str):
        return f"the text {clean(found, 40)!r}"
    if isinstance(found, bool):
        return str(found).lower()
    return f"the number {found:.6g}" if isinstance(found, float) or abs(found) < 10**15 else "a huge number"
