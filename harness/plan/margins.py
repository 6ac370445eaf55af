"""Do a margin step and a link_margin check make sense? Units, direction and number of levels."""

from __future__ import annotations

from typing import Final

from harness.plan import model as p
from harness.plan.facts import Facts
from harness.plan.units import format_decibel

FEWEST_LEVELS: Final = 3
MOST_LEVELS: Final = 200
"""A curve needs three levels; each level takes seconds."""
EXAMPLES: Final = {
    "power": "margin: {by: power, from: 0 dBm, to: -30 dBm}",
    "hand": "margin: {by: hand, from: 0 dB, to: 60 dB}",
}


def check_margin(step: p.Margin, path: str, facts: Facts) -> None:
    """Note what is wrong with a margin step."""
    unit, example = step.unit, f"such as `{EXAMPLES[step.by]}`"
    for word in ("from", "to", "normal"):
        node = facts.reading.places.get(f"{path}.{word}")
        if node is not None and not node.text.rstrip().endswith(unit) and facts.is_written(f"{path}.by"):
            facts.problem(f"{path}.{word}", f"{node.text} with by: {step.by}", f"write {unit}, {example}")
            return
    if step.by == "power" and facts.is_written(f"{path}.patience"):
        facts.problem(f"{path}.patience", "`patience` with by: power", "it belongs to by: hand; leave it out")
        return
    if step.by == "hand" and min(step.from_x10, step.to_x10, step.normal) < 0:
        facts.problem(path, "an attenuation below 0 dB", "write 0 dB or more")
        return
    levels = len(step.levels_x10)
    if levels < 2:
        weaker = "lower" if step.by == "power" else "higher"
        found = f"{format_decibel(step.to_x10, unit)} does not weaken the link"
        facts.problem(f"{path}.to", found, f"write a {weaker} level than `from`, {example}")
    elif not FEWEST_LEVELS <= levels <= MOST_LEVELS:
        found = f"{levels} levels from first to last"
        facts.problem(f"{path}.step", found, f"from {FEWEST_LEVELS} to {MOST_LEVELS} levels, {example}")


def check_link_margin(check: p.LinkMargin, path: str, facts: Facts) -> None:
    """Note a link_margin check without a margin step, or with several that cannot be one measurement."""
    if facts.no_step("margin"):
        facts.problem(path, "link_margin without a margin step", f"add one, such as `{EXAMPLES['power']}`")
        return
    if facts.none_during(check.during, "margin"):
        facts.problem(f"{path}.during", "no margin step is among these", "name one, or leave it out")
        return
    steps = [made for made in facts.reading.made.values() if isinstance(made, p.Margin)]
    if not check.during and len({(step.by, step.normal, step.in_line_x10) for step in steps}) > 1:
        found = "margin steps with different `by`, `normal` or `in_line` cannot be one measurement"
        facts.problem(path, found, "name the steps that belong together in `during`")
        return
    if steps and all(step.levels_x10 for step in steps) and len(steps) == facts.words("step").count("margin"):
        _within_reach(check, max(steps, key=_deepest_x10), path, facts)


def _within_reach(check: p.LinkMargin, step: p.Margin, path: str, facts: Facts) -> None:
    """Refuse a margin beyond the weakest level of the deepest step."""
    if check.at_least_x10 <= (deepest := _deepest_x10(step)):
        return
    weakest, most = format_decibel(step.levels_x10[-1], step.unit), format_decibel(max(deepest, 0), "dB")
    found = f"the margin step ends at {weakest}, {most} weaker than in normal use"
    where = f"{path}.at_least" if facts.is_written(f"{path}.at_least") else path
    facts.problem(where, found, f"at most {most}, or a weaker `to`")


def _deepest_x10(step: p.Margin) -> int:
    """How much weaker than in normal use the weakest level is, in tenths of a dB."""
    return round(-10 * step.above_normal_db(step.levels_x10[-1]))
