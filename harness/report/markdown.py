"""How is a run told in a pull request? In short Markdown: the verdict, what is wrong, the rest folded away.

CommonMark with the tables of GitHub Flavored Markdown (spec 0.29, 4.10), as most places that show pull
requests read it. No foreign text gets to be Markdown or HTML: words are escaped, and a word that such places
might take for a mention or a reference goes between backticks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from harness.clock import label_of
from harness.report.document import Outcome
from harness.report.escape import clean
from harness.report.figures import figures, with_unit
from harness.report.text import NAMED, cautions, devices_words, headline, replay_commands
from harness.verdict import CheckResult, Verdict

MARK: Final = "<!-- propsoff -->"
"""First line of every summary: a program that comments on pull requests finds its comment again by it."""
REASON_MAX: Final = 300
CAUSES_MAX: Final = 3
ROWS_MAX: Final = 60
"""Checks in one table: places for comments take some 60 000 characters (common practice, no source)."""
HEADS: Final = ("check", "verdict", "value", "limit", "margin")
_PUNCTUATION: Final = re.compile(r"([!-/:-@\[-`{-~])")
"""Whatever CommonMark lets a backslash stand before (spec 0.31, section 2.4)."""
_WORD: Final = re.compile(r"[^\s|]+")
"""What stands between blanks; `|` would end a cell."""
_ODD: Final = re.compile(r"@|#\d|://|www\.")
"""In words that may become a mention, a reference or a link though they are escaped."""


def markdown_summary(outcomes: Sequence[Outcome], recordings: Sequence[str]) -> str:
    """Return the summary of one or more runs, the worst first; `recordings` are their files, to repeat them.

    Ends in a newline. A few screens at most, whatever the runs hold.
    """
    both = sorted(zip(outcomes, recordings, strict=True), key=lambda pair: -pair[0].judgement.verdict.rank)
    return "\n\n".join([MARK, *(_run(outcome, recording) for outcome, recording in both)]) + "\n"


def _run(outcome: Outcome, recording: str) -> str:
    results = outcome.judgement.results
    open_checks = [one for one in results if one.verdict not in (Verdict.PASS, Verdict.NONE)]
    open_checks.sort(key=lambda one: -one.verdict.rank)
    passed = [one for one in results if one.verdict is Verdict.PASS]
    parts = [
        f"### {text(headline(outcome))}",
        _facts(outcome),
        _table(open_checks),
        _items(f"**{text(one.name)}**: {text(one.reason)}" for one in open_checks[:ROWS_MAX]),
        _causes(outcome),
        _folded(f"{with_unit(str(len(passed)), 'checks')} passed", _table(passed)) if passed else "",
        _not_tested(results),
        _folded("To repeat", _code(replay_commands(outcome.header, recording))),
        " ".join(cautions(outcome.header)),
    ]
    return "\n\n".join(part for part in parts if part)


def _facts(outcome: Outcome) -> str:
    judgement, header = outcome.judgement, outcome.header
    named = [f"{fact} {code(header.facts[fact])}" for fact in NAMED if fact in header.facts]
    told = [
        text(outcome.title),
        *named,
        f"rig {code(header.rig_name)}, {devices_words(header)}",
        *(f"{text(role)} {code(words)}" for role, words in sorted(judgement.devices.items())),
        f"seed {header.seed}",
        *([f"started {label_of(header.wall_seconds)}"] if header.wall_seconds else []),
        f"{judgement.link_seconds:.1f} s of link time, {judgement.packets_sent} packets sent, "
        f"{judgement.packets_applied} applied",
    ]
    return "; ".join(told) + "".join(f"\n\nNote: {text(note)}" for note in judgement.notes)


def _table(results: Sequence[CheckResult]) -> str:
    if not results:
        return ""
    rows = [HEADS, ("---",) * len(HEADS), *map(_row, results[:ROWS_MAX])]
    more = f"\n\nand {len(results) - ROWS_MAX} more" if len(results) > ROWS_MAX else ""
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + more


def _row(result: CheckResult) -> tuple[str, ...]:
    told = figures(result)
    verdict = result.verdict.value
    bold = verdict if result.verdict is Verdict.PASS else f"**{verdict}**"
    return (text(result.name), bold, text(told.value), text(told.limit), text(told.margin))


def _causes(outcome: Outcome) -> str:
    """Name the likeliest causes of what did not pass, each with what would settle it."""
    bad = {one.name for one in outcome.judgement.results if one.verdict is not Verdict.PASS}
    causes = [cause for cause in outcome.judgement.causes if bad & set(cause.explains)][:CAUSES_MAX]
    if not causes:
        return ""
    lines = _items(
        f"{text(cause.title)}" + (f" Next: {text(cause.next_step)}" if cause.next_step else "")
        for cause in causes
    )
    return f"Likely causes:\n\n{lines}"


def _not_tested(results: Sequence[CheckResult]) -> str:
    names = [text(one.name) for one in results if one.verdict is Verdict.NONE]
    return f"Not tested in this run: {', '.join(names)}." if names else ""


def _items(lines: Iterable[str]) -> str:
    return "\n".join(f"- {line}" for line in lines)


def _folded(title: str, body: str) -> str:
    """Return a body that is opened on demand; the blank lines make it Markdown again (spec, section 4.6)."""
    return f"<details><summary>{title}</summary>\n\n{body}\n\n</details>"


def _code(lines: Sequence[str]) -> str:
    fence = "`" * max(3, _longest_run("\n".join(lines)) + 1)
    return "\n".join([f"{fence}sh", *lines, fence])


def text(foreign: str) -> str:
    """Return words, cleaned and bounded, so that Markdown shows them as they are, in a table too."""
    words = clean(foreign, REASON_MAX)
    shown: list[str] = []
    end = 0
    for word in _WORD.finditer(words):
        if _ODD.search(word[0]):
            shown += [_escaped(words[end : word.start()]), code(word[0])]
            end = word.end()
    return "".join([*shown, _escaped(words[end:])])


def _escaped(words: str) -> str:
    """Escape punctuation, but where it can do nothing, as in `98.5 %`, `failsafe_entry` and `(late), too`.

    A point or bracket behind a number begins a list, and stays escaped.
    """
    escaped = _PUNCTUATION.sub(r"\\\1", words)
    inside = re.sub(r"(?<=\w)\\([.,:%_'-])(?=\w)", r"\1", escaped)
    after = re.sub(r"(?<=[^\W\d_])\\([.)])(?=\s|$)|(?<=\w)\\([,:;%])(?=\s|$)", r"\1\2", inside)
    return re.sub(r"(?<=\s)\\([(%])(?=\S|$|\s)", r"\1", after)


def code(words: str) -> str:
    """Return words, cleaned, between as many backticks as it takes; in a table only without any `|`."""
    shown = clean(words)
    fence = "`" * (_longest_run(shown) + 1)
    pad = " " if shown.startswith(("`", " ")) or shown.endswith(("`", " ")) else ""
    inner = f"{pad}{shown}{pad}" if shown else " "
    return f"{fence}{inner}{fence}"


def _longest_run(words: str) -> int:
    return max((len(run) for run in re.findall("`+", words)), default=0)
