"""Is this rig proved? Opens it, checks its lines for ten seconds, tells each figure and the next command."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass

from harness.bench.identify import WIRE_ROLES
from harness.bench.protocol import Role
from harness.bench.rig import Rig
from harness.bench.serial import SerialBench
from harness.clock import S
from harness.codec import messages as m
from harness.errors import ExitCode
from harness.finding.answers import device_name, particulars
from harness.finding.figures import measure
from harness.finding.proving import CHECK_NS, prove
from harness.finding.telling import say
from harness.finding.words import Line, Word, judged
from harness.measure.tables import read_stream
from harness.plan.wording import many
from harness.recording import Direction, Recording
from harness.report.escape import clean

VERDICTS = {
    Word.GOOD: "PROVED: {name}: every line is good",
    Word.WEAK: "PROVED, WITH LIMITS: {name}: plans run on it, and what is weak widens their uncertainty",
    Word.BAD: "NOT PROVED: {name}: plans would end in bench trouble",
}


@dataclass(frozen=True, slots=True)
class Proof:
    """What a check came to: each line's device and figures. `word` names the rig in commands.

    `untried` tells what of the rig such a check says nothing about.
    """

    word: str
    seconds: float
    lines: dict[Role, tuple[Line, ...]]
    who: dict[Role, str]
    port: dict[Role, str]
    untried: tuple[str, ...] = ()

    @property
    def worst(self) -> Word:
        """The worst word of any figure."""
        order = list(Word)
        return max((line.word for lines in self.lines.values() for line in lines), key=order.index)

    @property
    def exit_code(self) -> ExitCode:
        """3 if a line is bad."""
        return ExitCode.BENCH_ERROR if self.worst is Word.BAD else ExitCode.PASS

    def text(self, width: int) -> str:
        """Return the report, the verdict first."""
        return "\n".join(self._told(width)) + "\n"

    def _told(self, width: int) -> Iterator[str]:
        yield VERDICTS[self.worst].format(name=self.word)
        yield f"{self.seconds:.0f} s of Identify, Ping and idle bytes; no stick was sent"
        for role, lines in self.lines.items():
            yield ""
            yield f"{role}: {self.who[role]}"
            yield from _wrapped(self.port[role], width, "  ", "  ")
            for line in lines:
                head = f"  {line.what:<10}  {line.word:<4}  "
                pad = " " * len(head)
                yield from _wrapped(line.told, width, head, pad)
                if line.advice:
                    yield from _wrapped(line.advice, width, f"{pad}-> ", f"{pad}   ")
        if self.untried:
            yield ""
            yield from (line for text in self.untried for line in _wrapped(text, width, "", "  "))
        yield ""
        again = f"propsoff rig --check {self.word}"
        if self.worst is Word.BAD:
            yield f"Then check it again: {again}"
        else:
            yield f"Next, with the propellers off: propsoff run first-look --rig {self.word} --props-off"
        yield "A good line says nothing of the link, and a pass is not permission to fly."


def _wrapped(text: str, width: int, head: str, pad: str) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=head,
        subsequent_indent=pad,
        break_long_words=False,
        break_on_hyphens=False,
    )


def proof_of(rig: Rig, word: str, for_ns: int = CHECK_NS) -> Proof:
    """Open the rig's ports, check them for `for_ns`, and give them back. Raises BenchError."""
    ports = {role: spec for role, spec in rig.ports.items() if role not in rig.devices}
    with closing(SerialBench(ports)) as bench:
        say(f"checking {many(len(ports), 'line')} for {for_ns / S:.0f} s ...")
        recording = prove(bench, rig, for_ns)
    lines = {role: tuple(judged(one)) for role, one in measure(recording).items()}
    who = {role: _who(recording, role) for role in lines}
    port = {role: port_words(recording, role) for role in lines}
    return Proof(word, for_ns / S, lines, who, port, tuple(_untried(rig)))


def _untried(rig: Rig) -> Iterator[str]:
    for role, keys in rig.devices.items():
        yield f"{role}: speaks {keys.speaks}, so nothing could be asked; what its line loses, a run shows"
    if rig.switching is not None:
        yield "what this rig switches was not switched; `propsoff run failsafe` does"


def port_words(recording: Recording, role: Role) -> str:
    """Return the port and what the system did to it when it was opened, as far as it bears on the figures."""
    facts = recording.header.facts
    named = clean(facts.get(f"{role} port", "a port without a name"))
    topics = ("latency timer", "also open in")
    told = [f"{topic} {clean(facts[f'{role} {topic}'])}" for topic in topics if f"{role} {topic}" in facts]
    return "; ".join([named, *told])


def _who(recording: Recording, role: Role) -> str:
    heard = read_stream(recording.ports.get(role), Direction.TO_PC)
    given = [note.message for note in heard.others if isinstance(note.message, m.Identity)]
    mine = [one for one in given if one.role == WIRE_ROLES[role]]
    return f"{device_name(mine[-1])}: {particulars(mine[-1])}" if mine else "it never said who it is"
