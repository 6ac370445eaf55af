"""Which runs can be held against each other, and which belong to one unit? Run folders in, a lot out."""

from __future__ import annotations

import re
import statistics
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.errors import UserError
from harness.escape import clean
from harness.kept import KeptRun
from harness.units.figures import Measured, Subject, figures_of, mappings, text
from harness.verdict import Verdict

NAME_MAX: Final = 40
"""Characters of a unit's name in tables."""
_BETWEEN: Final = re.compile(r"[\s_-]+")
_RATE: Final = re.compile(r"([0-9.]+) Hz$")


@dataclass(frozen=True, slots=True)
class Joined:
    """One figure of one unit over its runs: the median, and how far either end of the interval is from it.

    The interval reaches from the lowest to the highest end of all runs, which is wider than needed. `below`
    and `above` are None where there is no such end. `values` are those of the single runs.
    """

    value: float
    below: float | None
    above: float | None
    confidence: float | None
    uncertainty: float
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit with its runs. `verdict` is pass, fail or inconclusive; `failed` names checks that failed.

    `name` is whole, `short` is for tables; both may come from a device and are clean.
    """

    name: str
    short: str
    folders: tuple[str, ...]
    verdict: Verdict
    failed: tuple[str, ...]
    figures: Mapping[str, Joined]


@dataclass(frozen=True, slots=True)
class Lot:
    """Units that ran the same plan in the same way. `left_out` and `notes` are whole sentences."""

    plan: str
    title: str
    kind: str
    packet_rate: str
    subjects: tuple[Subject, ...]
    units: tuple[Unit, ...]
    runs: int
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Way:
    """What runs must have in common."""

    plan: str
    sha256: str
    kind: str
    rate: str

    def __str__(self) -> str:
        return f"plan {self.plan} ({self.sha256[:8]}), {self.kind} devices, {self.rate}"


def make_lot(runs: Sequence[KeptRun], plan: str | None = None) -> Lot:
    """Return the lot that runs make up; those that are not comparable are left out and told.

    With `plan` only runs of that plan count. Raises UserError where runs cannot be read, no way of running
    has more than half of them, or they are all of one unit.
    """
    ways = {run.folder: _way(run) for run in runs}
    counted = [run for run in runs if plan is None or ways[run.folder].plan == plan]
    if not counted:
        names = sorted({way.plan for way in ways.values()})
        raise UserError(f"no run of a plan called {clean(str(plan))}; plans in here: {', '.join(names)}")
    way = _most(Counter(ways[run.folder] for run in counted))
    same = [run for run in counted if ways[run.folder] == way]
    left_out = [_why_not(run, ways[run.folder], way) for run in counted if ways[run.folder] != way]
    by_unit: dict[str, list[KeptRun]] = {}
    for run in same:
        by_unit.setdefault(clean(run.unit, 4 * NAME_MAX) or "nameless", []).append(run)
    copies = _drop_copies(by_unit)
    if len(by_unit) < 2:
        raise UserError(_one_unit(same, next(iter(by_unit))))
    short = short_names(list(by_unit))
    units = tuple(_unit(name, short[name], found) for name, found in by_unit.items())
    title = clean(text(same[0].document["plan"], "title"))
    notes = (*_notes(same), *_set_aside(by_unit), *_alike(by_unit))
    subjects, runs_told = _subjects(same), len(same) - len(copies)
    return Lot(
        way.plan, title, way.kind, way.rate, subjects, units, runs_told, (*left_out, *copies), notes
    )  # fmt: skip


def _drop_copies(by_unit: Mapping[str, list[KeptRun]]) -> list[str]:
    """Leave one run of those of a unit that say the very same, and return what is to be said of the others.

    A copied folder is no repeat: it would make the scatter from run to run look smaller than it is.
    """
    told = []
    for runs in by_unit.values():
        first: dict[tuple[object, ...], KeptRun] = {}
        for run in runs:
            said = _said(run)
            if said in first:
                one, other = clean(str(run.folder)), clean(str(first[said].folder))
                told.append(f"{one} says the very same as {other}, so it counts once")
            first.setdefault(said, run)
        runs[:] = first.values()
    return told


def _said(run: KeptRun) -> tuple[object, ...]:
    """Return when and with which seed a run was made, and what came of it, as something to compare."""
    seed = run.document.get("seed")
    made = text(run.document, "started"), seed if isinstance(seed, int) else None
    return *made, text(run.document, "verdict"), *figures_of(run.document).items()


def _alike(names: Iterable[str]) -> list[str]:
    """Tell of units whose names differ in nothing but case, spaces and dashes: they may be one."""
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(_BETWEEN.sub("", unicodedata.normalize("NFKC", name).casefold()), []).append(name)
    return [
        f"Names that differ in case, spaces or dashes alone: {', '.join(map(clean, same))}. If they mean one "
        "unit, it was counted more than once; name it alike in every run."
        for same in found.values()
        if len(same) > 1
    ]


def _way(run: KeptRun) -> _Way:
    """Return how a run was made; raises UserError if its verdict.json is not one."""
    document = run.document
    parts = [document.get(key) if isinstance(document, dict) else None for key in ("plan", "rig", "devices")]
    whole = all(isinstance(part, dict) for part in parts)
    if not whole or not isinstance(parts[1].get("facts"), dict) or document.get("format") != 1:  # type: ignore[union-attr]
        raise UserError(
            f"{run.folder}: its verdict.json is not of format 1; judge its recording again, or leave it out"
        )
    plan, rig, devices = document["plan"], document["rig"], document["devices"]
    kind = "real" if rig.get("hardware") is True else "emulated" if "avr" in rig["facts"] else "simulated"
    rate = _RATE.search(str(devices.get("transmitter", "")))
    hertz = f"{rate[1]} Hz" if rate else "packet rate not told"
    return _Way(clean(text(plan, "name"), NAME_MAX), clean(text(plan, "sha256"), 64), kind, hertz)


def _most(ways: Counter[_Way]) -> _Way:
    """Return what more than half of the runs have in common; raises UserError if there is no such thing."""
    way, runs = ways.most_common(1)[0]
    if 2 * runs > ways.total():
        return way
    told = "; ".join(f"{count} of {way}" for way, count in ways.most_common(4))
    raise UserError(
        f"these runs cannot be held against each other: {told}; name a folder with runs of one kind, "
        "or pick a plan with --plan NAME"
    )


def _why_not(run: KeptRun, way: _Way, usual: _Way) -> str:
    """Return why a run is left out."""
    if way.plan != usual.plan:
        why = f"ran the plan {way.plan}, not {usual.plan}"
    elif way.sha256 != usual.sha256:
        why = f"ran another text of the plan {usual.plan} ({way.sha256[:8]}, not {usual.sha256[:8]})"
    elif way.kind != usual.kind:
        why = f"was made with {way.kind} devices, not {usual.kind} ones"
    else:
        why = f"ran at {way.rate}, not {usual.rate}"
    return f"{clean(str(run.folder))} {why}"


def _one_unit(runs: Sequence[KeptRun], name: str) -> str:
    if len(runs) == 1:
        return (
            f"{clean(str(runs[0].folder))} is the only run that can be compared; run the plan on every unit, "
            "and name a folder that holds all of the runs"
        )
    return (
        f"all {len(runs)} runs are of one unit, by what they say of themselves ({name}); if they are not, "
        "give each device a serial number of its own, or name the unit with `propsoff run --unit NAME`"
    )


def short_names(names: Sequence[str]) -> dict[str, str]:
    """Return for each name the parts in which it differs from the others, cut to fit a table.

    Names made of devices' words have much in common; a name that somebody gave is left whole.
    """
    parts = {name: re.split(r"[;,:] ", name) for name in names}
    common = set.intersection(*(set(found) for found in parts.values()))
    short = {}
    for name in names:
        own = dict.fromkeys(part for part in parts[name] if part not in common)
        told = ", ".join(own)
        alone = all(not name.startswith(role) for role in ("receiver: ", "transmitter: "))
        short[name] = clean(name if alone or not told else told.removeprefix("serial "), NAME_MAX)
    twice = Counter(short.values())
    return {
        name: told if twice[told] == 1 else clean(f"{place + 1}: {told}", NAME_MAX)
        for place, (name, told) in enumerate(short.items())
    }


def _unit(name: str, short: str, runs: Sequence[KeptRun]) -> Unit:
    counted = _worth(runs)
    verdicts = {text(run.document, "verdict") for run in counted}
    verdict = Verdict.INCONCLUSIVE
    if "fail" in verdicts:
        verdict = Verdict.FAIL
    elif verdicts == {"pass"}:
        verdict = Verdict.PASS
    failed = [
        clean(text(check, "name"), NAME_MAX)
        for run in counted
        for check in mappings(run.document, "checks")
        if check.get("verdict") == "fail"
    ]
    folders = tuple(clean(str(run.folder)) for run in runs)
    return Unit(name, short, folders, verdict, tuple(dict.fromkeys(failed)), _join(counted))


def _worth(runs: Sequence[KeptRun]) -> list[KeptRun]:
    """Return the runs that tell of the unit: one that broke on the bench does not, if there is another."""
    whole = [run for run in runs if text(run.document, "verdict") != "error"]
    return whole or list(runs)


def _join(runs: Sequence[KeptRun]) -> dict[str, Joined]:
    found: dict[str, list[Measured]] = {}
    for run in runs:
        for key, (_, measured) in figures_of(run.document).items():
            if measured is not None:
                found.setdefault(key, []).append(measured)
    return {key: _joined(measured) for key, measured in found.items()}


def _joined(found: Sequence[Measured]) -> Joined:
    value = statistics.median(one.value for one in found)
    lows, highs = [one.low for one in found], [one.high for one in found]
    confidences = [one.confidence for one in found if one.confidence is not None]
    return Joined(
        value,
        None if None in lows else max(0.0, value - min(low for low in lows if low is not None)),
        None if None in highs else max(0.0, max(high for high in highs if high is not None) - value),
        min(confidences, default=None),
        max(one.uncertainty for one in found),
        tuple(one.value for one in found),
    )


def _subjects(runs: Sequence[KeptRun]) -> tuple[Subject, ...]:
    """Return what the figures are, in the plan's order, each as the first run has it."""
    found: dict[str, Subject] = {}
    for run in runs:
        for key, (subject, _) in figures_of(run.document).items():
            found.setdefault(key, subject)
    return tuple(found.values())


def _notes(runs: Sequence[KeptRun]) -> list[str]:
    """Tell of what differs between runs and may make figures differ, though no unit is the cause."""
    told = {
        "firmware": {_firmware(run) for run in runs},
        "serial lines' rates": {str(run.document["rig"].get("baud")) for run in runs},
        "propsoff's version": {_version(run) for run in runs},
    }
    return [
        f"The runs differ in the {what} ({len(values)} kinds): figures may differ because of that."
        for what, values in told.items()
        if len(values) > 1
    ]


def _version(run: KeptRun) -> str:
    versions = run.document.get("versions")
    return text(versions, "propsoff") if isinstance(versions, dict) else ""


def _firmware(run: KeptRun) -> str:
    devices = run.document["devices"]
    return "; ".join(str(words).split(", ")[0] for _, words in sorted(devices.items()))


def _set_aside(by_unit: Mapping[str, Sequence[KeptRun]]) -> list[str]:
    """Name the runs that broke on the bench and were made again."""
    aside = [clean(str(run.folder)) for runs in by_unit.values() for run in runs if run not in _worth(runs)]
    return [f"Bench trouble, and made again, so not counted: {', '.join(aside)}."] if aside else []
