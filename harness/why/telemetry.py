"""Why is telemetry wrong, or old? Suspects about the way of a sensor value back to the transmitter."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, cast

import numpy as np

from harness.clock import US, S
from harness.judge.words import moment, ms, plain
from harness.likely import Likely
from harness.measure.arrays import Flags, Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.misread import FEWEST_VALUES, explain_field
from harness.measure.mistakes import Case, Rule, case_of, fits, full_mask, rules_for, signed
from harness.measure.telemetry import Comparison, comparison
from harness.measure.telemetry_age import telemetry_ages
from harness.plan.model import FIELD_BYTES, TelemetryField
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import CLEAR, STRONG, SURE, Told, failed, fisher

MOST: Final = 0.95
FEWEST: Final = 4
"""Injected sets that must go by while the payload stands still, or ages that must be alike."""
CLOSE_NS: Final = 8_000 * US
"""Packets of a burst follow each other sooner than those at any usual rate (common practice, no source)."""
NOISE_BITS: Final = 6
FACTORS: Final = (2, 4, 8, 10, 16, 100)
BY_THE_WAY: Final = 0.3
CHECKS: Final = ("telemetry_value", "telemetry_age")
WORD_KEYS: Final = (
    ("every value is off", "telemetry-offset"),
    ("every value is", "telemetry-scaled"),
    ("its bytes come in", "telemetry-byte-order"),
    ("its two 16-bit halves", "telemetry-byte-order"),
    ("the bytes of each 16-bit", "telemetry-byte-order"),
    ("its sign", "telemetry-sign"),
    ("only its", "telemetry-truncated"),
    ("only what is above", "telemetry-truncated"),
    ("it is cut off", "telemetry-float-cut"),
    ("it is rounded", "telemetry-float-cut"),
    ("a whole number stands", "telemetry-float-cut"),
    ("it went through a 16-bit", "telemetry-float-cut"),
    ("it stops at", "telemetry-clipped"),
    ("it is swapped", "telemetry-fields-swapped"),
    ("it shows", "telemetry-fields-swapped"),
    ("its bytes are those", "telemetry-fields-swapped"),
    ("the payload is too short", "telemetry-payload-short"),
    ("it is always", "telemetry-frozen"),
)
"""How `harness.measure.misread` begins its words, and what that is."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What is behind a field's wrong reports: the cause's key, how in words, and how many it explains."""

    key: str
    field: str
    how: str
    explained: int
    reports: int


@dataclass(frozen=True, slots=True)
class Lined:
    """Every compared report of the injected fields, and the fields that have wrong ones."""

    evidence: Evidence
    compared: Comparison
    columns: tuple[int, ...]
    right: dict[int, Flags]

    @property
    def fields(self) -> tuple[TelemetryField, ...]:
        """All of the link's fields."""
        return self.evidence.plan.link.telemetry

    @property
    def shown(self) -> Ints:
        """(n, injected fields) bits shown."""
        shown: Ints = self.compared.shown[:, self.columns]
        return shown

    @property
    def at_ns(self) -> Ints:
        """When each report was made."""
        at_ns: Ints = self.evidence.telemetry.at_ns[self.compared.row]
        return at_ns

    @property
    def wrong(self) -> Flags:
        """Which reports are wrong in any field."""
        wrong: Flags = ~np.all(list(self.right.values()), axis=0)
        return wrong


def line_up(evidence: Evidence) -> Lined | None:
    """Return the reports with what may be right in each; None where nothing can be compared."""
    compared, fields = comparison(evidence), evidence.plan.link.telemetry
    if not len(compared):
        return None
    columns = tuple(place for place, one in enumerate(fields) if one.source == "injected")
    right = {}
    for place in columns:
        good = np.zeros(len(compared), dtype=np.bool_)
        for step in range(int((compared.last - compared.first).max()) + 1):
            at = np.minimum(compared.first + step, compared.last)
            value = compared.values[at, place]
            good |= (compared.shown[:, place] == value) | (value < 0)
        right[place] = good
    return Lined(evidence, compared, columns, right) if columns else None


def findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Return what is behind wrong telemetry values, field by field, once found."""
    key = (__name__, "findings", ())
    if key not in evidence.memo:
        evidence.memo[key] = _findings(evidence)
    return cast("tuple[Finding, ...]", evidence.memo[key])


def _findings(evidence: Evidence) -> tuple[Finding, ...]:
    lined = line_up(evidence)
    if lined is None or not lined.wrong.any():
        return ()
    for rule in (_blank, _seldom, _frozen):
        found = rule(lined)
        if found is not None:
            return (found,)
    return tuple(
        one for place in lined.columns if not lined.right[place].all() and (one := _of_field(lined, place))
    )


def _blank(lined: Lined) -> Finding | None:
    """Wrong reports are all zeros, and others are right."""
    wrong = lined.wrong
    if lined.shown[wrong].any() or wrong.mean() > 1 - 1 / FEWEST:
        return None
    told = ", ".join(lined.fields[place].name for place in lined.columns)
    how = f"is all zeros in {many(int(wrong.sum()), 'report')}{_when_blank(lined, wrong)}"
    return Finding("telemetry-cleared-early", told, how, int(wrong.sum()), int(wrong.sum()))


def _when_blank(lined: Lined, wrong: Flags) -> str:
    """Return in words when the payload was empty: after moved outputs, or close behind another packet."""
    evidence = lined.evidence
    rows = evidence.telemetry.sent_row[lined.compared.row]
    sampled = np.sort(evidence.sent.at_ns)
    place = np.searchsorted(sampled, evidence.sent.at_ns[np.maximum(rows, 0)])
    gap = sampled[place] - sampled[np.maximum(place - 1, 0)]
    close = [(gap < CLOSE_NS) & (place > 0), _gap_before(gap < CLOSE_NS)]
    tried = [(f", {_close_words(after)}", met) for after, met in enumerate(close)]
    for after, met in enumerate(_moved(lined, rows)):
        tried.append((f", {'one packet ' if after else ''}after a packet that moved an output", met))
    told = [(fisher(met, wrong), words, met) for words, met in tried if met[wrong].mean() >= MOST]
    best = min(told, key=lambda one: one[0], default=None)
    return best[1] if best is not None and best[0] < 1e-4 else ""


def _close_words(after: int) -> str:
    where = "one packet behind" if after else "in"
    return f"{where} packets that follow another one within {ms(CLOSE_NS)}"


def _gap_before(close: Flags) -> Flags:
    return np.concatenate(([False], close[:-1]))


def _moved(lined: Lined, rows: Ints) -> tuple[Flags, Flags]:
    """Return whether the acknowledged packet moved an output, and whether the one before it did."""
    sent = lined.evidence.sent
    sticks = lined.evidence.sticks.outputs_us

    def asked(back: int) -> Ints:
        row = np.maximum(rows - back, 0)
        outputs: Ints = sticks[np.maximum(sent.sticks_row[row], 0)]
        return outputs

    now, before, earlier = asked(0), asked(1), asked(2)
    return (now != before).any(axis=1), (before != earlier).any(axis=1)


def _changes(lined: Lined) -> Ints:
    """Return the reports in which the injected fields differ from the report before."""
    return 1 + np.flatnonzero((np.diff(lined.shown, axis=0) != 0).any(axis=1))


def _seldom(lined: Lined) -> Finding | None:
    """The payload changes in a slow rhythm of its own, to values that were true a while ago."""
    changes = _changes(lined)
    if len(changes) < 3:
        return None
    between = np.diff(lined.at_ns[changes])
    longest = float(np.median(between))
    rounds = np.rint(between / longest)
    period_ns = lined.evidence.plan.link.packet_period_ns
    rhythm = (np.abs(between - rounds * longest) <= 2 * period_ns).mean() >= 0.7 and longest > 10 * period_ns
    sets = {tuple(row) for row in lined.compared.values[:, lined.columns].tolist()}
    true_once = np.mean([tuple(row) in sets for row in lined.shown[changes].tolist()])
    given = np.diff(np.unique(lined.compared.starts_ns))
    slower = len(given) and longest > 2 * float(np.median(given))
    if not rhythm or true_once < MOST or not slower:
        return None
    told = ", ".join(lined.fields[place].name for place in lined.columns)
    how = f"changes every {plain(longest / S, 2)} s only, to values that were true when they were read"
    return Finding("telemetry-seldom", told, how, int(lined.wrong.sum()), int(lined.wrong.sum()))


def _frozen(lined: Lined) -> Finding | None:
    """All fields stand still from some time on, while others were injected."""
    changes = _changes(lined)
    start = int(changes[-1]) if len(changes) else 0
    later = np.unique(lined.compared.last[start:])
    inside = int(lined.wrong[start:].sum())
    if len(later) < FEWEST or inside < MOST * int(lined.wrong.sum()) or len(lined.columns) < 2:
        return None
    if len({tuple(row) for row in lined.compared.values[later][:, lined.columns].tolist()}) < FEWEST:
        return None
    told = ", ".join(lined.fields[place].name for place in lined.columns)
    how = f"stands still {_since_what(lined, start)}, while {len(later)} other sets were injected"
    return Finding("telemetry-frozen", told, how, inside, int(lined.wrong.sum()))


def _since_what(lined: Lined, start: int) -> str:
    """Return from what on telemetry stands still: a cut between the last right report and the rest."""
    evidence = lined.evidence
    if not start and not lined.right[lined.columns[0]][:1].all():
        return "from before the first set on"
    good = np.flatnonzero(~lined.wrong)
    last = int(lined.at_ns[good[-1]]) if len(good) else int(lined.at_ns[0])
    wrong = lined.at_ns[lined.wrong & (lined.at_ns > last)]
    until = int(wrong[0]) if len(wrong) else int(lined.at_ns[-1])
    if any(last <= cut.start_ns <= until for cut in evidence.cuts):
        return f"since the link cuts after {moment(evidence, last)}"
    return f"from {moment(evidence, last)} on"


def _of_field(lined: Lined, place: int) -> Finding | None:
    """Return what explains one field's wrong reports."""
    field, case = lined.fields[place], case_of(lined.compared, lined.fields, place)
    told = explain_field(lined.compared, lined.fields, place)
    if told is not None and told.told:
        latched = _latched(case)
        if latched:
            return Finding("telemetry-latched", field.name, latched, told.explained, told.reports)
        key = next((key for words, key in WORD_KEYS if told.best.startswith(words)), None)
        if key is not None:
            return Finding(key, field.name, told.best, told.explained, told.reports)
    for rule in (_overflows, _trembles, _twofold):
        found = rule(case)
        if found is not None:
            return found
    return None


def _latched(case: Case) -> str:
    """Return in words that a field stands at the upper end of its type, "" if not."""
    shown = np.unique(case.shown)
    bits = case.bits - (case.field.type[0] == "i")
    if case.field.type == "f32" or len(shown) != 1 or int(shown[0]) != (1 << bits) - 1:
        return ""
    return f"it stays at {(1 << bits) - 1}, the upper end of {case.field.type}"


def _good(case: Case, rule: Rule) -> tuple[int, int]:
    """Return how many reports a rule explains, 0 if it is not good enough, and how many it foretells."""
    good, foretold = fits(case, rule)
    right, _ = fits(case, Rule("", case.injected, full_mask(case)))
    wrong = foretold & ~right
    used = len(np.unique(case.injected[case.lined.last[case.places]]))
    if used < FEWEST_VALUES or not wrong.any() or 2 * foretold.sum() < len(good):
        return 0, int(foretold.sum())
    fine = good.sum() >= MOST * foretold.sum() and good[wrong].mean() >= MOST
    return (int(good.sum()) if fine else 0), int(foretold.sum())


def _overflows(case: Case) -> Finding | None:
    """A multiple of the value is kept in as many bits as one, and divided again."""
    if case.field.type == "f32":
        return None
    full, raw = full_mask(case), case.injected.clip(0)
    value = signed(raw, case.bits) if case.field.type[0] == "i" else raw
    for factor in FACTORS:
        total = (value * factor) & full
        for shows in (total // factor, signed(total, case.bits) // factor):
            words = f"it is as if {factor} readings were added up in {case.bits} bits before the division"
            explained, of = _good(case, Rule(words, shows & full, np.where(case.injected >= 0, full, 0)))
            if explained:
                return Finding("telemetry-overflows", case.field.name, words, explained, of)
    return None


def _trembles(case: Case) -> Finding | None:
    """Only the lowest bits are wrong, and they change while nothing else does."""
    if case.field.type == "f32" or not len(case.places):
        return None
    under = case.injected[case.lined.last[case.places]]
    off = case.shown ^ under
    still = np.concatenate(([False], under[1:] == under[:-1]))
    for bits in range(1, NOISE_BITS + 1):
        low = (off[still] >> bits) == 0
        if low.mean() >= 0.9 and len(np.unique(off[still] & (1 << bits) - 1)) > 1:
            changes = float((np.diff(case.shown) != 0)[still[1:]].mean())
            if changes < 0.1:
                return None
            words = (
                f"its {bits} lowest bits change from packet to packet ({100 * changes:.0f} %) by themselves"
            )
            return Finding(
                "telemetry-noise", case.field.name, words, int((off != 0).sum()), int((off != 0).sum())
            )
    return None


def _twofold(case: Case) -> Finding | None:
    """Two mistakes together: the bytes turned, before or after another one."""
    for words, turned in _turned(case):
        for rule in rules_for(turned):
            if not rule.words.startswith("every value is") or rule.words.startswith("every value is off"):
                continue
            explained, of = _good(turned, rule)
            if explained:
                how = f"its bytes come in the wrong order, and {rule.words}{words}"
                return Finding("telemetry-byte-order", case.field.name, how, explained, of)
    return None


def _turned(case: Case) -> Iterator[tuple[str, Case]]:
    """Yield the case with the bytes of what was shown, or of what was injected, turned round."""
    size = FIELD_BYTES[case.field.type]
    if size < 2:
        return
    for words, column in (("", "shown"), (" after that", "values")):
        table = getattr(case.lined, column)
        turned = table.copy()
        turned[:, case.number] = _swapped(table[:, case.number], size)
        changed = (
            replace(case.lined, shown=turned) if column == "shown" else replace(case.lined, values=turned)
        )
        yield words, Case(changed, case.fields, case.number, case.places)


def _swapped(bits: Ints, size: int) -> Ints:
    """Return unsigned numbers of `size` bytes with their bytes turned round; negative ones as they are."""
    turned = np.zeros(len(bits), dtype=np.int64)
    for place in range(size):
        turned |= ((bits >> 8 * place) & 0xFF) << 8 * (size - 1 - place)
    return np.where(bits < 0, bits, turned)


TOLD: Final = {
    "telemetry-scaled": Told(
        "a unit is converted twice, or not at all",
        "Print the raw reading and the value in the payload for one known input, and follow the factor",
    ),
    "telemetry-byte-order": Told(
        "the bytes of a number are in the other processor's order",
        "Send 0x1234 as a fixed value and look at the payload's bytes; build it byte by byte instead of "
        "copying",
    ),
    "telemetry-sign": Told(
        "a signed value goes through unsigned code",
        "Send -1 as a fixed value, and look for the first place where it is no longer negative",
    ),
    "telemetry-truncated": Told(
        "the value goes through a narrower type",
        "Send a value above 255, and widen the first variable that loses it",
    ),
    "telemetry-float-cut": Told(
        "a fraction goes through an integer, or a narrower float",
        "Send 1.5 as a fixed value, and look for the first variable that shows 1 or 2",
    ),
    "telemetry-clipped": Told(
        "limits are applied to a value that was scaled before",
        "Apply the converter's limits to its raw reading only, and inject the ends of the field's range",
    ),
    "telemetry-fields-swapped": Told(
        "the two ends lay the payload out differently",
        "Use one definition of the payload for both devices, and inject one field at a time",
    ),
    "telemetry-offset": Told(
        "a zero point is taken off twice, or not at all",
        "Inject 0 and see what is shown",
    ),
    "telemetry-payload-short": Told(
        "the payload is shorter than the plan declares",
        "Compare the payload's length with the sum of the declared fields",
    ),
    "telemetry-latched": Told(
        "a flag for an overflow is set and never cleared",
        "Inject the field's upper end, then a middle value, and look for what still holds the end",
    ),
    "telemetry-overflows": Told(
        "readings are added up in too few bits",
        "Add them up in 32 bits with their sign; inject the field's ends",
    ),
    "telemetry-noise": Told(
        "the reading itself is noisy: its reference or its ground moves",
        "Read a resistor divider in place of the sensor, put 100 nF at the reference, and look again with "
        "the radio silent",
    ),
    "telemetry-cleared-early": Told(
        "the payload is cleared with each packet and filled later, by a task that does not always get to it",
        "Fill a second buffer and exchange it when it is complete",
    ),
    "telemetry-seldom": Told(
        "values are loaded by a slow task",
        "Load the payload with each packet, or state the slow task's period as the age that you allow",
    ),
    "telemetry-frozen": Told(
        "nothing loads a new payload any more",
        "Print a mark each time the payload is loaded, and see after what it stops",
    ),
}  # fmt: skip


def _suspect(key: str, evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    names = failed(results, *CHECKS)
    mine = [one for one in findings(evidence) if one.key == key] if failed(results, *CHECKS) else []
    if not mine:
        return None
    told, other = TOLD[key], len(findings(evidence)) - len(mine)
    hows = "; ".join(f"{one.field}: {one.how}" for one in mine)
    if len({one.how for one in mine}) == 1:
        hows = f"{', '.join(one.field for one in mine)}: {mine[0].how}"
    return Likely(
        key=key,
        title=f"Telemetry {hows}; {told.because}",
        explains=names,
        strength=SURE if not other else STRONG,
        speaks_for=tuple(
            f"{one.field}: {one.how}; so it is in {one.explained} of {many(one.reports, 'report')}."
            for one in mine
        ),
        speaks_against=(f"{many(other, 'other field')} must be explained otherwise.",) if other else (),
        next_step=f"{told.next_step}.",
    )


def _named(key: str) -> Callable[[Evidence, Sequence[CheckResult]], Likely | None]:
    def suspect(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
        return _suspect(key, evidence, results)

    suspect.__name__ = key.replace("-", "_")
    suspect.__doc__ = f"Telemetry is wrong: {TOLD[key].because}."
    return suspect


def telemetry_queued(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Values are right, and so many packets older than one; or just one, which is by design."""
    if not evidence.plan.link.telemetry:
        return None
    ages = telemetry_ages(evidence)
    told = ints([one.packets_most for one in ages if one.packets_most is not None])
    if len(told) < FEWEST or len(told) < MOST * len(ages):
        return None
    usual = int(np.median(told))
    least = int(np.median([one.packets_least for one in ages]))
    if (np.abs(told - usual) <= 1).mean() < MOST or (told == usual).mean() < 0.5 or least < usual:
        return None
    names = failed(results, "telemetry_age")
    if usual == 1:
        return _by_design(len(told), int((told == 1).sum())) if not names else None
    if usual < 1 or not names:
        return None
    return Likely(
        key="telemetry-queued",
        title=(
            f"Telemetry is {usual} packets old, every time: {usual} payloads wait in the radio where one "
            "would do"
        ),
        explains=names,
        strength=SURE if (told == usual).mean() >= 0.8 else CLEAR,
        speaks_for=(
            f"{int((told == usual).sum())} of {many(len(told), 'injected set')} came with the "
            f"acknowledgement of packet {usual + 1} after it; one packet is what a preloaded "
            "acknowledgement makes.",
            "The values themselves are right.",
        ),
        next_step="Flush the radio's queue before a payload is loaded, so that just one waits in it.",
    )


def _by_design(count: int, one: int) -> Likely:
    return Likely(
        key="telemetry-one-old",
        title="Telemetry is one packet old: the acknowledgement's payload is loaded before the packet comes",
        explains=(),
        strength=BY_THE_WAY,
        speaks_for=(
            f"{one} of {many(count, 'injected set')} came with the acknowledgement of the second packet "
            "after it.",
        ),
        next_step="Nothing to do: every radio that sends its payload with the acknowledgement is so.",
        by_design=True,
    )


SUSPECTS: Final = (*(_named(key) for key in TOLD), telemetry_queued)
