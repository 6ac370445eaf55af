"""What stands on the page of a comparison? Its answer, every figure, and both sides laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness._version import __version__
from harness.compare.answers import Answer, Compared
from harness.compare.comparison import Comparison
from harness.compare.pictures import plots
from harness.compare.sides import Side
from harness.compare.words import EXPLAINED, FLIGHT, HEADS, cells, reason, summary
from harness.page.model import Block, Card, Drawn, Mood, Page, Part, Points, Table, Words
from harness.plan.wording import many

MOODS: Final[dict[Answer, Mood]] = {
    Answer.BETTER: "good", Answer.NO_WORSE: "good", Answer.CANNOT_TELL: "doubt", Answer.WORSE: "bad",
}  # fmt: skip
CARDS: Final = 3
USUAL: Final = ("delivery", "latency_p90", "age_p99", "failsafe_worst", "latency_p99", "failsafe_entry")
"""Figures for the first screen, where fewer than three are worse."""


def build_page(found: Comparison) -> Page:
    """Return the page; it has no figures and no pictures where the sides cannot be compared."""
    answer = found.answer
    lead = "These runs cannot be held against each other." if answer is None else summary(found)
    parts = [_answer(found)] if answer is None else [_answer(found), _figures(found), _pictures(found)]
    word = "not comparable" if answer is None else str(answer)
    return Page(
        title=f"{found.candidate.words} held against {found.base.words}",
        verdict=word[0].upper() + word[1:],
        mood="doubt" if answer is None else MOODS[answer],
        lead=f"{lead[0].upper()}{lead[1:]}",
        parts=(*parts, _sides(found)),
        cards=tuple(map(_card, _that_matter(found.figures))),
        tested=tuple(
            _side(name, side) for name, side in (("base", found.base), ("candidate", found.candidate))
        ),
        cautions=(FLIGHT,),
        made=(("version", __version__),),
    )


def _that_matter(figures: Sequence[Compared]) -> list[Compared]:
    """Return three figures: what is worse first, then one of delivery, of delay and of failsafe."""
    worse = [one for one in figures if one.answer is Answer.WORSE]
    usual = [one for key in USUAL for one in figures if one.figure.key == key]
    return list({one.figure.key: one for one in (*worse, *usual)}.values())[:CARDS]


def _card(one: Compared) -> Card:
    row = dict(zip(HEADS, cells(one), strict=True))
    return Card(
        name=row["figure"],
        value=row["difference"] or row["candidate"],
        interval=row["interval"],
        limit="",
        word=row["answer"],
        mood=MOODS[one.answer],
        more=f"base {row['base']}, candidate {row['candidate']}, margin {row['margin']}",
    )


def _side(name: str, side: Side) -> tuple[str, str]:
    first = side.runs[0].header
    runs = f"{many(len(side.runs), 'run')} of {first.plan_name} on rig {first.rig_name}"
    return name, f"{side.words}: {runs}; {_devices(side)}"


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
    return Part("answer", "Is it as good?", tuple(blocks))


def _figures(found: Comparison) -> Part:
    rows = tuple(cells(one) for one in found.figures)
    blocks: list[Block] = [
        Table("Every figure", HEADS, rows, EXPLAINED.format(confidence=f"{100 * found.confidence:g} %"),
              tuple(None if one.answer is Answer.NO_WORSE else MOODS[one.answer] for one in found.figures),
              right=tuple(range(2, len(HEADS)))),
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
                right=(2, 3),
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
    blocks: list[Block] = [Table("Runs", ("side", "folder", "plan", "rig", "seed", "verdict"), rows)]
    if found.told:
        blocks += [Words("What differs besides:"), Points(found.told)]
    return Part("runs", "What was compared", tuple(blocks))


def _devices(side: Side) -> str:
    told = {f"{role}: {words}" for run in side.runs for role, words in run.devices.items()}
    return "; ".join(sorted(told)) or "devices that said nothing of themselves"
