"""One run from plan to verdict: opens the bench, carries out the plan, judges, writes the folder.

The command line and the pytest plugin both come through here.
"""

from __future__ import annotations

import platform
import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from threading import current_thread, main_thread
from typing import TYPE_CHECKING, Any, BinaryIO

from harness._version import __version__
from harness.bench.opening import open_bench
from harness.bench.promptness import refusals
from harness.bench.protocol import Bench, WithBeside, extra
from harness.bench.rig import Rig, rig_baud
from harness.clock import SystemClock, wall_seconds
from harness.codec.messages import PROTOCOL_VERSION
from harness.errors import BenchError, PlanError, Problem, RecordingError, UserError
from harness.extending import Rounds
from harness.hand import TerminalHand
from harness.holding import HoldToRun
from harness.keys import STOP_WORDS, Keyboard, keyboard
from harness.load import load_problems
from harness.plan.model import Plan
from harness.plan.reader import parse_plan, place_of
from harness.plan.units import format_share
from harness.recording import (
    Header,
    Recording,
    RecordingWriter,
    Window,
    read_header,
    read_recording,
    read_windows,
)
from harness.recording.model import MODULE_FACT, UNIT_FACT
from harness.report.document import Outcome
from harness.report.folder import PAGE, RECORDING, RunFolder
from harness.runner import Runner
from harness.showing import KEYS, Observer
from harness.soaking import SoakRounds
from harness.timeline import Timeline, build_timeline

if TYPE_CHECKING:
    from harness.measure.evidence import Evidence

INSISTED = 3
"""Signals after which somebody really means it, whatever is under way."""
STOPS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGBREAK")
"""Signals that ask for the end: SIGTSTP, Ctrl-Z, too, for a run that is suspended cannot close a throttle."""
FATAL = ("SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM", "SIGPROF", "SIGXCPU", "SIGPWR")
"""Signals that nobody sends for that, and that would end the program at once where nobody handles them."""
THROTTLE_CAP = "throttle cap"
"""Key of the fact that says how far throttle sticks could go, where that was limited."""
CAUTIONS = """\
Before this bench moves anything:
  * take the propellers off;
  * put the transmitter's own throttle stick at its low end: it rules whenever nobody else does, before the
    first step, after a restart of the transmitter and at the end, and no cap holds it then;
  * tie the model down, hands and cables clear of everything that turns;
  * use a supply with a current limit; never leave a lithium battery charging or running unattended;
  * keep to the radio and flying rules where you are.
A pass is not permission to fly."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be run: a plan on a rig under a seed, maybe with a mock defect or its near miss.

    `real_time` asks the system for real-time scheduling, on real ports. `file` is the plan's file for
    messages; `words` are plan and rig as they were typed, to be typed again.
    `unit` names what is tested, whatever the rig says.
    `harness.interlock.capped` sets `throttle_up_to`; with `hold_to_run` a throttle opens only while the space
    bar is held.
    """

    plan: Plan
    file: str
    rig: Rig
    seed: int
    defect: str | None = None
    near_miss: bool = False
    props_off: bool = False
    words: tuple[str, str] = ("", "")
    real_time: bool = False
    throttle_up_to: Fraction | None = None
    hold_to_run: bool = False
    unit: str = ""

    @property
    def throttle_share(self) -> Fraction:
        """How far throttle sticks may go: on hardware what the plan says, in a simulation as far as they can.

        `throttle_up_to`, which was asked for beside the plan, has lowered the plan's own by now.
        """
        if self.rig.is_hardware:
            return self.plan.safety.throttle_up_to
        return Fraction(1) if self.throttle_up_to is None else self.throttle_up_to


@dataclass(frozen=True, slots=True)
class Ran:
    """What one run came to: its outcome, and whether somebody stopped it."""

    outcome: Outcome
    interrupted: bool


def run(request: Request, folder: RunFolder, observer: Observer) -> Ran:
    """Carry out one run into `folder` and return what came out of it.

    The folder gets recording.pcapng, verdict.json, junit.xml, report.txt and report.html. Raises PlanError
    when the rig's lines cannot carry the plan, UserError when hardware is not cleared, BenchError when no run
    came about.
    Ctrl-C, a stop key and signals end the run safely; what was recorded is judged all the same.
    """
    timeline = timeline_for(request)
    require_props_off(request)
    with closing(open_for(request)) as bench, folder.open_recording() as file:
        for line in refusals(bench.facts):
            observer.say(line)
        writer = writer_for(request, bench, file)
        try:
            with stop_on_signals() as signalled, keys_for(request) as keys:
                runner = Runner(bench, writer, request.plan, observer)
                runner.talk.stop_requested = stopping(signalled, keys)
                if keys is not None:
                    observer.say(STOP_WORDS)
                    runner.showing.safety = KEYS
                    runner.levels.hand = runner.outside.hand = TerminalHand(observer.say, keys.typed)
                if request.hold_to_run:
                    held = _never if keys is None else keys.is_held
                    runner.hold = HoldToRun(runner.talk, request.plan.link, held, observer.say)
                read = partial(read_recording, folder.path / RECORDING)
                end = runner.run(timeline, rounds_for(request.plan, timeline, read))
        except BenchError:  # no run came about: nothing half-written is left behind
            folder.discard()
            raise
        finally:
            writer.close()
    outcome, evidence = see_file(folder.path / RECORDING)
    write_reports(outcome, folder, request, evidence)
    return Ran(outcome, end.why == "interrupted")


@contextmanager
def keys_for(request: Request) -> Iterator[Keyboard | None]:
    """Read the keys of whoever sits at the terminal of a run on real ports; None if nobody does."""
    if not request.rig.is_hardware:
        yield None
        return
    with keyboard(SystemClock().now_ns) as keys:
        yield keys


def stopping(signalled: Callable[[], bool], keys: Keyboard | None) -> Callable[[], bool]:
    """Return what tells that the run is to stop: by a signal, or by a key."""
    return signalled if keys is None else lambda: signalled() or keys.stop_requested()


def _never() -> bool:
    """Tell that nobody holds the space bar: there is none."""
    return False


def rounds_for(plan: Plan, timeline: Timeline, read: Callable[[], Recording]) -> Rounds | SoakRounds | None:
    """Return the rounds of a plan that is extended or soaked, None for one that is played once.

    `read` reads back what was recorded so far.
    """
    if plan.soak is not None:
        return SoakRounds(plan, timeline.seed, timeline.throttle_share)
    if plan.extend is None:
        return None
    return Rounds(plan, timeline.seed, timeline.throttle_share, read)


def require_props_off(request: Request) -> None:
    """Raise UserError unless the run is a simulation or the propellers were said to be off."""
    if request.rig.is_hardware and not request.props_off:
        raise UserError(
            f"the rig {request.rig.name} drives real ports: "
            f"add --props-off once the propellers are off\n{CAUTIONS}"
        )


def timeline_for(request: Request) -> Timeline:
    """Return the request's timeline; raises PlanError if a serial line of its rig cannot carry it."""
    timeline = build_timeline(request.plan, request.seed, throttle_share=request.throttle_share)
    problems = []
    for path, found, allowed in load_problems(timeline, rig_baud(request.rig)):
        line, column = place_of(request.plan.text, path)
        problems.append(Problem(request.file, line, column, path, found, allowed))
    if problems:
        raise PlanError(tuple(problems))
    return timeline


def judge_file(path: Path) -> Outcome:
    """Judge the recording in a file by the plan inside it, a soak round by round in bounded memory.

    Raises RecordingError. Pure as `judge_recording` is.
    """
    return see_file(path)[0]


def see_file(path: Path) -> tuple[Outcome, Evidence | None]:
    """Judge as `judge_file` does, and return the evidence too; None for a soak, which is never held whole."""
    header = read_header(path)
    try:
        plan = plan_of(header)
    except PlanError:
        return judge_seen(read_recording(path))
    if plan.soak is None:
        return judge_seen(read_recording(path))
    return judge_rounds(plan, header, read_windows(path)), None


def judge_rounds(plan: Plan, header: Header, windows: Iterable[Window]) -> Outcome:
    """Judge the rounds of a soak, one after the other."""
    from harness.soak import judge_windows
    from harness.why.hours import Watch

    watch = Watch(plan)
    judgement = judge_windows(plan, windows, watch.take)
    return Outcome(replace(judgement, causes=watch.causes(judgement.results)), header, plan.title)


def plan_of(header: Header) -> Plan:
    """Return the plan in a recording's header; raises PlanError."""
    return parse_plan(header.plan_text, f"the plan in the recording ({header.plan_name})", header.plan_name)


def judge_recording(recording: Recording) -> Outcome:
    """Judge a recording by the plan inside it. Pure: equal recordings give equal outcomes, to the bit.

    All at once, a soak too: `judge_file` judges one by its rounds.
    """
    return judge_seen(recording)[0]


def judge_seen(recording: Recording) -> tuple[Outcome, Evidence]:
    """Judge a recording as `judge_recording` does, and return the evidence too: what there is to see."""
    from harness.judge import judge_evidence  # numpy and scipy are slow to import
    from harness.measure.evidence import gather
    from harness.why import likely_causes

    header = recording.header
    try:
        plan = plan_of(header)
    except PlanError as error:
        if recording.damaged:
            raise RecordingError(
                "the recording's header is damaged: its plan can no longer be read"
            ) from error
        raise
    evidence = gather(plan, recording)
    judgement = judge_evidence(evidence)
    causes = likely_causes(evidence, judgement.results)
    return Outcome(replace(judgement, causes=causes), header, plan.title), evidence


def write_reports(
    outcome: Outcome, folder: RunFolder, request: Request | None = None, evidence: Evidence | None = None
) -> None:
    """Write verdict.json, junit.xml, report.txt and report.html into the run folder."""
    from harness.page.report import report_page
    from harness.report import document, junit, text

    replay = text.replay_commands(outcome.header, str(folder.final / RECORDING), **replay_words(request))
    folder.write("verdict.json", document.to_json(document.verdict_document(outcome)))
    folder.write("junit.xml", junit.junit_xml((outcome,)))
    folder.write("report.txt", text.render(outcome, replay=replay, full=True))
    folder.write(PAGE, report_page(outcome, evidence, replay))


def replay_words(request: Request | None) -> dict[str, Any]:
    """Return what `replay_commands` needs to repeat a run as it was typed."""
    if request is None:
        return {}
    defect = (request.defect, "--near-miss") if request.near_miss else (request.defect,)
    cap = (
        ("--throttle-up-to", format_share(request.throttle_share))
        if request.throttle_up_to is not None
        else ()
    )
    return {
        "plan": request.words[0],
        "rig": request.words[1],
        "defect": defect if request.defect else (),
        "more": (*cap, "--unit", request.unit) if request.unit else cap,
    }


def open_for(request: Request) -> Bench:
    """Open the bench that a request names."""
    return open_bench(
        request.rig, request.plan.link, request.seed, defect=request.defect, near_miss=request.near_miss,
        real_time=request.real_time,
    )  # fmt: skip


def writer_for(request: Request, bench: Bench, file: BinaryIO) -> RecordingWriter:
    """Return the writer of a run's recording; what crosses the bench's further ports goes into it at once."""
    writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
    further = extra(bench, WithBeside)
    if further is not None:
        further.tap(writer.beside)
    return writer


def header_for(request: Request, bench: Bench) -> Header:
    """Return the recording's header: everything the run is made under."""
    further = extra(bench, WithBeside)
    facts = dict(bench.facts)
    facts.pop("defect", None)
    if request.defect:
        facts["defect"] = request.defect + (" (near miss)" if request.near_miss else "")
    if bench.is_hardware or request.throttle_up_to is not None:
        facts[THROTTLE_CAP] = format_share(request.throttle_share)
    named = {UNIT_FACT: request.unit or request.rig.unit, MODULE_FACT: request.rig.module}
    facts |= {fact: words for fact, words in named.items() if words}
    return Header(
        plan_name=request.plan.name,
        plan_text=request.plan.text,
        rig_name=request.rig.name,
        rig_text=request.rig.text,
        seed=request.seed,
        versions=(
            ("propsoff", __version__),
            ("protocol", str(PROTOCOL_VERSION)),
            ("python", platform.python_version()),
        ),
        clock="virtual" if bench.is_virtual else "monotonic",
        wall_seconds=0 if bench.is_virtual else wall_seconds(),
        hardware=bench.is_hardware,
        baud=dict(bench.baud),
        facts=facts,
        beside=further.beside if further is not None else (),
    )


@contextmanager
def stop_on_signals() -> Iterator[Callable[[], bool]]:
    """Turn signals that would end or suspend the program into a request to stop, told by the function given.

    A flag instead of an exception: the run looks at it between two of its acts, so that none is torn. Only a
    third signal raises KeyboardInterrupt. One that is ignored (as SIGHUP is under nohup) stays so, and one of
    `FATAL` that somebody handles stays theirs.
    """
    seen: list[int] = []

    def note(number: int, _frame: object) -> None:
        seen.append(number)
        if len(seen) >= INSISTED:
            raise KeyboardInterrupt

    before: dict[int, Any] = {}
    if current_thread() is main_thread():  # elsewhere whoever runs us handles signals
        before = {number: signal.signal(number, note) for number in _ours()}
    try:
        yield lambda: bool(seen)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _ours() -> list[int]:
    """Return the signals that a run takes over."""
    stops = [getattr(signal, name) for name in STOPS if hasattr(signal, name)]
    fatal = [getattr(signal, name) for name in FATAL if hasattr(signal, name)]
    return [number for number in stops if signal.getsignal(number) is not signal.SIG_IGN] + [
        number for number in fatal if signal.getsignal(number) is signal.SIG_DFL
    ]


def default_folder(request: Request, out: Path | None) -> RunFolder:
    """Return the folder for a run: `out`, or the next free propsoff-runs/PLAN-SEED."""
    from harness.report.folder import default_out

    if out is not None:
        return RunFolder.create(out)
    return RunFolder.create(default_out(request.plan.name, request.seed), numbered=True)
