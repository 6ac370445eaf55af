"""What stands on the page of a comparison? Its answer, every figure, and both sides laid over each other."""

from __future__ import annotations

from typing import Final

from harness.compare.answers import Answer
from harness.compare.comparison import Comparison
from harness.compare.pictures import plots
from harness.compare.sides import Side
from harness.compare.words import EXPLAINED, FLIGHT, HEADS, cells, reason, summary
from harness.page.model import Block, Drawn, Facts, Mood, Page, Part, Points, Table, Words

MOODS: Final[dict[Answer, Mood]] = {
    Answer.BETTER: "good", Answer.NO_WORSE: "good", Answer.CANNOT_TELL: "doubt", Answer.WORSE: "bad",
}  # fmt: skip


def build_page(found: Comparison) -> Page:
    """Return the page; it has no figures and no pictures where the sides cannot be compared."""
    answer = found.answer
    lead = "These runs cannot be held against each other." if answer is None else summary(found)
    parts = [_answer(found)] if answer is None else [_answer(found), _figures(found), _pictures(found)]
    return Page(
        title=f"{found.candidate.words} held against {found.base.words}",
        verdict="not comparable" if answer is None else str(answer),
        mood="doubt" if answer is None else MOODS[answer],
        lead=lead,
        parts=(*parts, _sides(found)),
    )


def _answer(found: Comparison) -> Part:
    blocks: list[Block] = []
    if found.against:
        blocks.append(Points(found.against))
    told = tuple(
        f"{one.figure.title}: {reason(one)}"
        for one in found.figures
        if one.answer in (Answer.WORSE, Answer.CANNOT_TELL)
    ) + tuple(f"{line}: cannot tell" for line in found.missing)
    if told:
        blocks.append(Points(told))
    blocks += [Words(note) for note in found.notes]
    return Part("answer", "Is it as good?", (*blocks, Words(FLIGHT)))


def _figures(found: Comparison) -> Part:
    rows = tuple(cells(one) for one in found.figures)
    blocks: list[Block] = [
        Table("Every figure", HEADS, rows, EXPLAINED.format(confidence=f"{100 * found.confidence:g} %"),
              tuple(None if one.answer is Answer.NO_WORSE else MOODS[one.answer] for one in found.figures)),
    ]  # fmt: skip
    if found.faults:
        blocks.append(
            Table(
                "What sound links never do",
                ("fault", "answer", "base", "candidate"),
                tuple(
                    (one.fault.title, str(one.answer), f"{one.base[0]} of {one.base[1]}",
                     f"{one.candidate[0]} of {one.candidate[1]}")
                    for one in found.faults
                ),
                moods=tuple(
                    None if one.answer is Answer.NO_WORSE else MOODS[one.answer] for one in found.faults
                ),
            )
        )  # fmt: skip
    return Part("figures", "Figures", tuple(blocks))


def _pictures(found: Comparison) -> Part:
    drawn = tuple(Drawn(one) for one in plots(found.base, found.candidate, found.figures))
    return Part("pictures", "Both over each other", drawn or (Words("There is nothing to draw."),))


def _sides(found: Comparison) -> Part:
    rows = tuple(
        (name, str(run.folder), run.header.plan_name, run.header.rig_name, run.header.seed, str(run.verdict))
        for name, side in (("base", found.base), ("candidate", found.candidate))
        for run in side.runs
    )
    blocks: list[Block] = [
        Facts((("base", _devices(found.base)), ("candidate", _devices(found.candidate)))),
        Table("Runs", ("side", "folder", "plan", "rig", "seed", "verdict"), rows),
    ]
    if found.told:
        blocks += [Words("What differs besides:"), Points(found.told)]
    return Part("runs", "What was compared", tuple(blocks))


def _devices(side: Side) -> str:
    told = {f"{role}: {words}" for run in side.runs for role, words in run.devices.items()}
    return "; ".join(sorted(told)) or "devices that said nothing of themselves"
