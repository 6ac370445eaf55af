"""How is a run told to the maker? The verdict first, then each check, what to try next, how to repeat it.

For a terminal a table fitted to its width, otherwise plain aligned lines. Foreign text is escaped.
"""

from __future__ import annotations

import shlex
import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from harness.clock import label_of
from harness.findings import percent
from harness.recording.model import MODULE_FACT, UNIT_FACT, Header
from harness.report.causes import cause_lines
from harness.report.document import Outcome
from harness.report.escape import clean
from harness.report.figures import figures, with_unit
from harness.report.sections import render_sections, titles
from harness.report.table import plain_table, terminal_table
from harness.verdict import CheckResult, Verdict

PLAIN_WIDTH: Final = 100
"""Prose is wrapped here when the report goes to a file or a pipe."""
WIDTH_MIN: Final = 40
NAMED: Final = (UNIT_FACT, MODULE_FACT)
"""Facts that name what was tested, as the report's head shows them."""
_MEANINGS: Final = {
    Verdict.ERROR: "not judged because of bench trouble",
    Verdict.FAIL: "failed",
    Verdict.INCONCLUSIVE: "inconclusive",
    Verdict.PASS: "passed",
    Verdict.NONE: "not judged",
}
_LIMITS_OF_A_PASS: Final = (
    "A pass is not permission to fly. It tells how this bench, these devices and these settings did in this "
    "run; it does not tell of range, antennas, vibration, heat, wear, or other transmitters in the field.",
    "On the bench: propellers off, model restrained, supply current-limited, lithium batteries watched. "
    "In the air: the radio and flying rules where you are.",
)
_SIMULATED: Final = (
    "The devices were simulated: this run says nothing about your own transmitter and receiver."
)
_EMULATED: Final = (
    "The firmware was real and ran on emulated microcontrollers; radio, serial lines and sensors were "
    "simulated. This run says nothing about your own boards, nor of UART overruns, brown-out or the radio."
)


def render(
    outcome: Outcome,
    *,
    page: str = "",
    replay: Sequence[str] = (),
    width: int | None = None,
    colour: bool = False,
    full: bool = False,
) -> str:
    """Return the report, a newline at the end.

    `width` is the terminal's in columns, or None for plain lines. `colour` allows terminal colours. `page`
    says where the report page is. `replay` holds commands, as `replay_commands` gives them, and comes last.
    `full` tells everything that was measured, section by section; without it one line names the sections.
    """
    if width is not None:
        width = max(width, WIDTH_MIN)
    results = outcome.judgement.results
    paragraphs = [_introduction(outcome, width)]
    if results:
        paragraphs.append(
            plain_table(results) if width is None else terminal_table(results, width, colour=colour)
        )
        paragraphs.append(_wrap([about_intervals(results)], width))
    paragraphs += [_wrap(details(result).splitlines(), width) for result in results if needs_words(result)]
    paragraphs.append(_wrap(cause_lines(outcome.judgement.causes, full=full), width))
    paragraphs += _measured(outcome, width, full=full)
    paragraphs.append(_wrap(_not_tested(results), width))
    paragraphs.append(_wrap(cautions(outcome.header), width))
    if page:
        paragraphs.append(f"To look at it, in a browser:\n  {page}")
    if replay:
        paragraphs.append("\n".join(["To repeat:", *(f"  {command}" for command in replay)]))
    text = "\n\n".join(paragraph for paragraph in paragraphs if paragraph) + "\n"
    return _coloured_headline(text, outcome.judgement.verdict) if colour else text


def cautions(header: Header) -> tuple[str, ...]:
    """Return what a run does not show, whatever its verdict."""
    unreal = _EMULATED if "avr" in header.facts else _SIMULATED
    return _LIMITS_OF_A_PASS if header.hardware else (unreal, *_LIMITS_OF_A_PASS)


def headline(outcome: Outcome) -> str:
    """Return the verdict in one line: `FAIL: first-look: 1 of 9 checks failed, 8 passed`."""
    verdict, results = outcome.judgement.verdict, outcome.judgement.results
    return f"{verdict.value.upper()}: {clean(outcome.header.plan_name)}: {tally(results)}"


def details(result: CheckResult) -> str:
    """Return an account of one check in several lines: reason, numbers, examples, what to try next."""
    lines = [f"{clean(result.name)}: {result.verdict.value}: {clean(result.reason)}"]
    numbers = figures(result).line()
    if numbers:
        lines.append(f"  {numbers}")
    if result.counts:
        lines.append(
            "  counts: "
            + ", ".join(f"{clean(name)} {count}" for name, count in sorted(result.counts.items()))
        )
    if result.needed:
        needed = with_unit(f"{result.needed} more", clean(result.sample_unit))
        lines.append(f"  to settle it: about {needed}")
    lines += [f"  seen: {clean(example)}" for example in result.examples]
    lines += [f"  try next: {clean(advice)}" for advice in result.advice]
    return "\n".join(lines)


def replay_commands(
    header: Header,
    recording: str,
    *,
    plan: str = "",
    rig: str = "",
    defect: Sequence[str] = (),
    more: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return the commands that repeat the run and judge its recording again, quoted for a shell.

    `defect` is the defect's name, if any, and options that belong to it; by default what the header says.
    `more` are further words, as they were typed.
    The word that clears hardware is left out: whoever repeats a run must look at the propellers again.
    """
    words = [
        "propsoff",
        "run",
        plan or header.plan_name,
        "--rig",
        rig or header.rig_name,
        "--seed",
        str(header.seed),
    ]
    for word in defect or _recorded_defect(header):
        words += [word] if word.startswith("--") else ["--defect", word]
    return (_command([*words, *more]), _command(["propsoff", "judge", recording]))


def needs_words(result: CheckResult) -> bool:
    """Return whether a row in the table is not enough: anything but a pass."""
    return result.verdict is not Verdict.PASS


def _recorded_defect(header: Header) -> list[str]:
    name, _, rest = header.facts.get("defect", "").partition(" ")
    return [word for word in (name, "--near-miss" if rest == "(near miss)" else "") if word]


def _command(words: Iterable[str]) -> str:
    return " ".join(shlex.quote(clean(word, 4000)) for word in words)


def tally(results: Sequence[CheckResult]) -> str:
    """Return how many checks came to what: `1 of 9 checks failed, 8 passed`."""
    count = Counter(result.verdict for result in results)
    judged = len(results) - count[Verdict.NONE]
    if not judged:
        return "nothing was judged"
    first, *others = [f"{count[verdict]} {words}" for verdict, words in _MEANINGS.items() if count[verdict]]
    number, _, words = first.partition(" ")
    told = f"{number} of {judged} checks {words}"
    if count[Verdict.PASS] == judged:
        told = f"all {judged} checks passed" if judged > 1 else "the only check passed"
    return ", ".join([told, *others])


def _measured(outcome: Outcome, width: int | None, *, full: bool) -> list[str]:
    """Return what was measured beside the checks: all of it, or where it is told."""
    sections = outcome.judgement.sections
    if full:
        return render_sections(sections, width or PLAIN_WIDTH)
    told = [f"Measured as well, in report.txt or with --full: {titles(sections)}."] if sections else []
    return [_wrap(told, width)]


def _not_tested(results: Sequence[CheckResult]) -> list[str]:
    """Name the checks that were not judged, as the plan allows."""
    names = [clean(result.name) for result in results if result.verdict is Verdict.NONE]
    return [f"Not tested in this run: {', '.join(names)}."] if names else []


def _introduction(outcome: Outcome, width: int | None) -> str:
    judgement, header = outcome.judgement, outcome.header
    started = f", started {label_of(header.wall_seconds)}" if header.wall_seconds else ""
    lines = [
        clean(outcome.title),
        f"rig {clean(header.rig_name)} ({devices_words(header)}), seed {header.seed}{started}",
        f"{judgement.link_seconds:.1f} s of link time, {judgement.packets_sent} packets sent, "
        f"{judgement.packets_applied} applied",
        *(f"{fact}: {clean(header.facts[fact])}" for fact in NAMED if fact in header.facts),
        *(f"{clean(role)}: {clean(words)}" for role, words in sorted(judgement.devices.items())),
        *(f"note: {clean(note)}" for note in judgement.notes),
    ]
    first = headline(outcome) if width is None else _wrap([headline(outcome)], width)
    return f"{first}\n{_wrap(lines, width)}"


def devices_words(header: Header) -> str:
    """Return whether the devices were real: `real devices`, `emulated devices` or `simulated devices`."""
    kind = "emulated" if "avr" in header.facts else "simulated"
    return "real devices" if header.hardware else f"{kind} devices"


def about_intervals(results: Sequence[CheckResult]) -> str:
    """Say what an interval is, with each confidence that occurs; "" without any."""
    shares = sorted({result.confidence for result in results if result.interval and result.confidence})
    if not shares:
        return ""
    confidence = " or ".join(map(percent, shares))
    return (
        f"Each end of an interval holds with {confidence} confidence and allows for the measurement "
        "uncertainty (+- where there is nothing else). A check passes only if all of its interval is on the "
        "good side of the limit, and fails only if none of it is."
    )


def _wrap(lines: Iterable[str], width: int | None) -> str:
    """Wrap each line at `width`; its continuation is indented two columns more than its beginning."""
    wrapped: list[str] = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        wrapped += textwrap.wrap(line, width or PLAIN_WIDTH, subsequent_indent=indent, break_on_hyphens=False)
    return "\n".join(wrapped)


def _coloured_headline(text: str, verdict: Verdict) -> str:
    codes = {Verdict.PASS: "32", Verdict.FAIL: "1;31", Verdict.ERROR: "1;35"}
    word = verdict.value.upper()
    return f"\x1b[{codes.get(verdict, '33')}m{word}\x1b[0m{text[len(word) :]}"
