"""Do searches and overloads fit each other, the link and their checks? Order, rates and reach."""

from __future__ import annotations

from harness.plan import model as p
from harness.plan.facts import Facts
from harness.plan.units import format_duration, format_frequency


def check_throughput(step: p.FindThroughput, path: str, facts: Facts) -> None:
    """Note a search that has nothing to search in."""
    low = step.from_mhz or (facts.link.packet_rate_mhz if facts.link else 0)
    if step.to_mhz <= low:
        found = f"a search from {format_frequency(low)} to {format_frequency(step.to_mhz)}"
        facts.problem(f"{path}.to", found, f"write more than {format_frequency(low)}, or a lower `from`")
    elif low and step.resolution_mhz > step.to_mhz - low:
        found = f"{format_frequency(step.resolution_mhz)} is more than the whole search"
        facts.problem(f"{path}.resolution", found, f"at most {format_frequency(step.to_mhz - low)}")


def check_overload(step: p.Overload, path: str, facts: Facts) -> None:
    """Note an overload that is none, or the share of a throughput that is not known by then."""
    if step.rate_mhz is not None and facts.is_written(f"{path}.of_throughput"):
        facts.problem(f"{path}.of_throughput", "both `rate` and `of_throughput`", "write one of the two")
    elif step.rate_mhz is not None:
        _no_overload(step.rate_mhz, path, facts)
    elif facts.no_step("throughput"):
        found = "an overload as a share of a throughput that no step looks for"
        facts.problem(path, found, "add a throughput step before it, or write `rate: 250 Hz`")
    elif not _searched_before(path, facts):
        found = "an overload as a share of a throughput that is looked for only later"
        facts.problem(path, found, "put the throughput step before it, or write `rate: 250 Hz`")


def _no_overload(rate_mhz: int, path: str, facts: Facts) -> None:
    if facts.link is not None and rate_mhz <= facts.link.packet_rate_mhz:
        usual = format_frequency(facts.link.packet_rate_mhz)
        found = f"{format_frequency(rate_mhz)} is no overload for a link at {usual}"
        facts.problem(f"{path}.rate", found, f"write more than {usual}")


def _searched_before(path: str, facts: Facts) -> bool:
    """Return whether a throughput step is played before; steps stand in the order of playing them."""
    if facts.reading.torn or "steps" not in facts.reading.places:
        return True
    for entry in facts.reading.entries:
        if f"{entry.path}.overload" == path or (entry.of, entry.word) == ("step", "throughput"):
            return entry.word == "throughput"
    return True


def check_search(check: p.Throughput | p.BackToBack, path: str, facts: Facts) -> None:
    """Refuse a limit that the plan's own searches cannot reach."""
    examples = {"throughput": "throughput: {to: 400 Hz}", "back_to_back": "back_to_back: {up_to: 64}"}
    if facts.no_step(check.WORD):
        facts.problem(
            path, f"{check.WORD} without a {check.WORD} step", f"add one, such as `{examples[check.WORD]}`"
        )
        return
    kind = p.FindThroughput if isinstance(check, p.Throughput) else p.FindBackToBack
    steps = [made for made in facts.reading.made.values() if isinstance(made, kind)]
    if not steps or len(steps) < facts.words("step").count(check.WORD):
        return
    if isinstance(check, p.Throughput):
        most = max(step.to_mhz for step in steps if isinstance(step, p.FindThroughput))
        wanted, words = check.at_least_mhz, format_frequency(most)
    else:
        most = max(step.up_to for step in steps if isinstance(step, p.FindBackToBack))
        wanted, words = check.at_least, f"{most}"
    if wanted > most:
        facts.problem(f"{path}.at_least", f"the search ends at {words}", f"at most {words}, or search on")


def check_recovery(check: p.Recovery, path: str, facts: Facts) -> None:
    """Refuse a recovery from what the plan never does, or that no step watches for long enough."""
    if facts.no_step(check.after):
        example = "overload: {rate: 250 Hz}" if check.after == "overload" else "restart: {device: receiver}"
        facts.problem(
            path, f"recovery after {check.after} without such a step", f"add one, such as `{example}`"
        )
        return
    steps = [made for made in facts.reading.made.values() if isinstance(made, p.Overload | p.Restart)]
    watched = [step.after_ns for step in steps if check.after == step.WORD]
    if watched and max(watched) <= check.within_ns:
        found = f"no {check.after} step watches longer than {format_duration(max(watched))}"
        facts.problem(f"{path}.within", found, f"write less, or a longer `after` in the {check.after} step")
