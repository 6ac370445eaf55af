"""How does one run look as a page? Its answer, what it rests on, what it does not tell, why, then pictures.

Everything that report.txt tells stands here too, in the part that it belongs to.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from harness._version import __version__
from harness.account.unshown import ALWAYS
from harness.clock import label_of
from harness.findings import Cell, Figure, Section
from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.page.model import Block, Commands, Drawn, Facts, Folded, Named, Page, Part, Points, Table, Words
from harness.page.placing import MOODS, cards, lanes
from harness.page.storing import store_page
from harness.page.writing import render
from harness.plan.wording import many
from harness.plots.model import Picture
from harness.recording.model import Header
from harness.report.causes import how_likely
from harness.report.document import Outcome
from harness.report.figures import figures, with_unit
from harness.report.sections import value_words
from harness.report.text import NAMED, about_intervals, cautions, devices_words, replay_commands, tally
from harness.verdict import CheckResult, Verdict

PARTS: Final[tuple[tuple[str, str, tuple[str, ...]], ...]] = (
    ("sticks", "Sticks and outputs", ("fidelity",)),
    ("packets", "Packets", ("delivery", "losses")),
    ("latency", "Latency", ("latency",)),
    ("age", "Control age", ("age",)),
    ("cuts", "Cuts and failsafe", ("proof", "failsafe")),
    ("telemetry", "Telemetry", ("telemetry",)),
    ("limits", "Limits of the link", ("limits", "margin")),
    ("clocks", "Clocks", ("clocks",)),
    ("lines", "Serial lines", ("lines",)),
    ("soak", "Hours", ("soak",)),
)
"""Parts with pictures and what was measured: key of the pictures, title, keys of the sections."""
SECOND: Final = re.compile(
    r".*-(beyond|bins|trips)|stick-time|acknowledgement-.*|cuts-in-([3-9]|\d\d)|cuts-out-\d+"
)
"""Keys of pictures for a second look: they are folded away."""
UNSHOWN: Final = "What was not shown"
"""Title of the table in the section on failsafe, as `harness.account.unshown` gives it."""
NO_PICTURES: Final = (
    "A soak is judged round by round and never held as a whole, so there are no pictures of its packets. "
    "Play its plan without the line that begins with soak to see one round."
)
FILES: Final = (
    ("recording.pcapng", "everything that crossed the ports; the verdict is made from it alone"),
    ("verdict.json", "verdicts and figures for programs"),
    ("junit.xml", "verdicts for build servers"),
    ("report.txt", "what stands here, as text"),
    ("report.html", "this page"),
)


def report_page(outcome: Outcome, evidence: Evidence | None, replay: Sequence[str] = ()) -> str:
    """Return the page of one run as HTML. `evidence` is None for a soak, `replay` holds commands.

    Pure: equal outcomes and evidence give equal bytes.
    """
    from harness.plots import pictures

    drawn = {} if evidence is None else pictures(evidence, outcome)
    return render(page_of(outcome, drawn, replay))


def write_page(outcome: Outcome, evidence: Evidence | None, recording: Path, file: Path) -> None:
    """Write the page of a judged recording; raises UserError or StorageError as `store_page` does."""
    store_page(file, report_page(outcome, evidence, replay_commands(outcome.header, str(recording))))


def page_of(outcome: Outcome, drawn: Mapping[str, tuple[Picture, ...]], replay: Sequence[str] = ()) -> Page:
    """Return the page of one run as a value; `drawn` holds its pictures by the key of their part."""
    judgement, header = outcome.judgement, outcome.header
    parts = [_checks(judgement.results), *_causes(judgement.causes), *_measured(outcome, drawn)]
    parts.append(_repeat(header, replay))
    return Page(
        title=outcome.title,
        verdict=judgement.verdict.value.capitalize(),
        mood=MOODS[judgement.verdict],
        lead=_lead(judgement.results),
        parts=tuple(parts),
        cards=cards(judgement.results),
        tested=_tested(outcome),
        untested=_untested(outcome),
        cautions=cautions(header),
        made=(("version", __version__), ("seed", str(header.seed))),
    )


def _lead(results: Sequence[CheckResult]) -> str:
    told = f"{tally(results)}."
    bad = [one.name for one in results if one.verdict in (Verdict.FAIL, Verdict.ERROR)]
    return f"{told[0].upper()}{told[1:]}" + (f" Look at: {', '.join(bad)}." if bad else "")


def _tested(outcome: Outcome) -> tuple[tuple[str, str], ...]:
    judgement, header = outcome.judgement, outcome.header
    named = [(fact, header.facts[fact]) for fact in NAMED if header.facts.get(fact)]
    defect = [("defect", header.facts["defect"])] if "defect" in header.facts else []
    packets = f"{judgement.packets_sent} packets sent, {judgement.packets_applied} applied"
    return (
        ("plan", header.plan_name),
        ("rig", f"{header.rig_name} ({devices_words(header)})"),
        *named,
        *sorted(judgement.devices.items()),
        *defect,
        ("seed", str(header.seed)),
        ("date", label_of(header.wall_seconds) if header.wall_seconds else "none: simulated time"),
        ("link time", f"{judgement.link_seconds:.1f} s; {packets}"),
        *(("note", note) for note in judgement.notes),
    )


def _untested(outcome: Outcome) -> tuple[str, ...]:
    """Return what this run says nothing about: checks without a judge, and gaps in the proof of failsafe."""
    results, sections = outcome.judgement.results, outcome.judgement.sections
    points = [f"{one.name}: {one.reason}" for one in results if one.verdict is Verdict.NONE]
    unshown = [grid for section in sections for grid in section.grids if grid.title == UNSHOWN]
    rows = [row for grid in unshown for row in grid.rows if row not in ALWAYS]
    points += [f"{', '.join(whats)}: {why}" for why, whats in _by_reason(rows).items()]
    return (*points, f"what no run on a bench shows: {'; '.join(what for what, _ in ALWAYS)}")


def _by_reason(rows: Sequence[tuple[Cell, ...]]) -> dict[str, list[str]]:
    """Return what was not shown, collected under why."""
    found: dict[str, list[str]] = {}
    for what, why, *_ in rows:
        found.setdefault(str(why), []).append(str(what))
    return found


def _checks(results: Sequence[CheckResult]) -> Part:
    if not results:
        return Part("checks", "Checks", (Words("The plan has no checks."),))
    blocks: list[Block] = [lanes(results), _table(results)]
    told = about_intervals(results)
    blocks += [Words(told)] if told else []
    blocks += [_details(result) for result in results if result.verdict is not Verdict.PASS]
    passed = tuple(_details(result) for result in results if result.verdict is Verdict.PASS)
    if passed:
        blocks.append(Folded("What the passed checks rest on", passed))
    return Part("checks", "Checks", tuple(blocks))


def _table(results: Sequence[CheckResult]) -> Table:
    rows = []
    for result in results:
        told = figures(result)
        rows.append(
            (
                result.name,
                result.verdict.value,
                told.value,
                told.interval,
                told.limit,
                told.margin,
                told.samples,
            )
        )
    heads = ("check", "verdict", "value", "interval", "limit", "margin", "samples")
    moods = tuple(None if result.verdict is Verdict.PASS else MOODS[result.verdict] for result in results)
    return Table("All checks", heads, tuple(rows), moods=moods, right=(2, 3, 4, 5, 6))


def _details(result: CheckResult) -> Named:
    """Return one check in words: reason, numbers, examples, what to try next."""
    counts = ", ".join(f"{name} {count}" for name, count in sorted(result.counts.items()))
    needed = with_unit(f"{result.needed} more", result.sample_unit) if result.needed else ""
    rows = [
        ("figures", figures(result).line()),
        ("counts", counts),
        ("to settle it", f"about {needed}" if needed else ""),
        *(("seen", example) for example in result.examples),
        *(("try next", advice) for advice in result.advice),
    ]
    blocks = (Words(result.reason), Facts(tuple(row for row in rows if row[1])))
    return Named(result.name, blocks, MOODS[result.verdict], result.verdict.value)


def _causes(causes: Sequence[Likely]) -> list[Part]:
    if not causes:
        return []
    if all(cause.by_design for cause in causes):
        return [Part("causes", "By design", tuple(map(_cause, causes)))]
    intro = Words(
        "By traces in the recording, the likeliest first. None of them is proved before its next step is "
        "done."
    )
    return [Part("causes", "Likely causes", (intro, *map(_cause, causes)))]


def _cause(cause: Likely) -> Named:
    rows = [
        ("how likely", how_likely(cause)),
        ("explains", ", ".join(cause.explains)),
        *(("for it", words) for words in cause.speaks_for),
        *(("against it", words) for words in cause.speaks_against),
        ("to settle it", cause.next_step),
    ]
    return Named(cause.title, (Facts(tuple(row for row in rows if row[1])),))


def _measured(outcome: Outcome, drawn: Mapping[str, tuple[Picture, ...]]) -> list[Part]:
    """Return a part for each key of `PARTS` that has a picture or a section, and one for any other."""
    sections = {section.key: section for section in outcome.judgement.sections}
    placed = {key for _, _, keys in PARTS for key in keys}
    known = {key for key, _, _ in PARTS}
    others = tuple((key, key.capitalize(), ()) for key in drawn if key not in known)
    left = (("more", "More figures", tuple(key for key in sections if key not in placed)),)
    parts = []
    for key, title, keys in (*PARTS, *others, *left):
        found = [sections[one] for one in keys if one in sections]
        blocks = _blocks(drawn.get(key, ()), found)
        if key == "soak" and blocks and not drawn:
            blocks = (Words(NO_PICTURES), *blocks)
        if blocks:
            parts.append(Part(key, title, blocks))
    return parts


def _blocks(drawn: Sequence[Picture], found: Sequence[Section]) -> tuple[Block, ...]:
    """Return pictures, then what was measured: folded under pictures, open where there are none."""
    shown = tuple(Drawn(picture) for picture in drawn if not SECOND.fullmatch(picture.key))
    more = tuple(Drawn(picture) for picture in drawn if SECOND.fullmatch(picture.key))
    if shown:
        folded = (Folded(f"{many(len(more), 'more picture')}", more),) if more else ()
        return (*shown, *folded, *(Folded(f"All figures: {one.title}", _section(one)) for one in found))
    return tuple(block for section in found for block in _section(section))


def _section(section: Section) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if section.figures:
        rows = tuple(map(_figure, section.figures))
        blocks.append(Table(section.title, ("figure", "value", "interval", "note"), rows, right=(1, 2)))
    blocks += [Table(grid.title, grid.heads, grid.rows, grid.note) for grid in section.grids]
    if section.notes:
        blocks.append(Points(section.notes))
    return tuple(blocks)


def _figure(figure: Figure) -> tuple[str, str, str, str]:
    value, interval = value_words(figure)
    return figure.name, value, interval, figure.note


def _repeat(header: Header, replay: Sequence[str]) -> Part:
    commands = (Words("Play it again, and judge the recording again:"), Commands(tuple(replay)))
    made = (
        *header.versions,
        ("clock", header.clock),
        *((f"{role.value} line", f"{header.baud[role]} baud") for role in sorted(header.baud)),
        *sorted(header.facts.items()),
    )
    blocks: tuple[Block, ...] = (
        *(commands if replay else ()),
        Table("In the run folder", ("file", "what it is"), FILES),
        Folded("What the run was made under", (Facts(made),)),
    )
    return Part("repeat", "To repeat it", blocks)


__all__ = ["page_of", "report_page", "write_page"]
