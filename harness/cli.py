"""The `propsoff` command: reads the command line, calls one stage after the other, returns the exit code.

Only what a command needs is imported, so that `--help` answers at once. Reports go to stdout, progress and
errors to stderr.
"""

from __future__ import annotations

import argparse
import errno
import io
import os
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness import parsers
from harness.errors import ExitCode, PropsoffError, UserError
from harness.escape import printable, printable_lines

if TYPE_CHECKING:
    from harness.plan.model import Plan
    from harness.report.document import Outcome
    from harness.report.live import Show
    from harness.running import Request


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    words = sys.argv[1:] if argv is None else argv
    if "--bisect" not in words:
        return _main(words)
    from harness.compare.command import for_bisect

    return for_bisect(lambda: _main(words))


def _main(words: Sequence[str]) -> int:
    for stream in (sys.stdout, sys.stderr):  # a plan's title may hold what an ASCII terminal cannot show
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        arguments = parsers.read(words)
        return int(COMMANDS[arguments.command](arguments))
    except PropsoffError as error:
        _complain(str(error))
        return int(error.exit_code)
    except KeyboardInterrupt:
        _complain("stopped from the keyboard")
        return 130
    except BrokenPipeError:
        # the reader of our output went away; say nothing more to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(ExitCode.USER_ERROR)
    except Exception:
        import traceback

        print(printable_lines(traceback.format_exc()), file=sys.stderr)
        _complain("this is our fault, not yours: please report the lines above and the command")
        return int(ExitCode.INTERNAL_ERROR)


def _complain(text: str) -> None:
    print(f"propsoff: {printable_lines(text)}", file=sys.stderr)


def _run(arguments: argparse.Namespace) -> int:
    from harness import interlock
    from harness.report.summaries import Summaries
    from harness.running import timeline_for

    _require_showable(arguments.show)
    requests = _requests(arguments)
    for request in requests:  # nothing starts before every plan is known to be sound
        interlock.require_clearable(request)
        timeline_for(request)
    names = [request.plan.name for request in requests]
    if arguments.out and len(set(names)) < len(names):
        raise UserError("with --out every plan needs a name of its own: rename a file, or leave --out away")
    summaries = Summaries(arguments.junit, arguments.markdown)
    summaries.clear()
    outcomes, recordings = [], []
    for request in interlock.cleared(requests):
        out = arguments.out
        if out is not None and len(requests) > 1:
            out = out / request.plan.name
        outcome, recording, interrupted = _run_one(request, out, full=arguments.full, shown=arguments.show)
        outcomes.append(outcome)
        recordings.append(recording)
        if interrupted:
            break
    summaries.write(outcomes, recordings)
    return int(max((one.judgement.verdict for one in outcomes), key=lambda verdict: verdict.rank).exit_code)


def _require_showable(show: Show | None) -> None:
    from harness.report.live import can_view

    if show == "view" and not can_view(sys.stderr):
        raise UserError(
            "--show view draws on a terminal that can place text, and stderr is none; "
            "use --show lines, or leave --show out"
        )


def _requests(arguments: argparse.Namespace) -> list[Request]:
    from harness.bench.rig import find_rig
    from harness.chance import fresh_seed
    from harness.interlock import capped
    from harness.running import Request

    rig = find_rig(arguments.rig)
    _require_whole_defect(arguments)
    seed = fresh_seed() if arguments.seed is None else arguments.seed
    requests = [
        Request(
            plan=plan,
            file=str(path),
            rig=rig,
            seed=seed,
            defect=arguments.defect,
            near_miss=arguments.near_miss,
            props_off=arguments.props_off,
            words=(word, arguments.rig),
            real_time=arguments.real_time,
            hold_to_run=arguments.hold_to_run,
            unit=arguments.unit or "",
        )
        for word, (path, plan) in zip(arguments.plans, _load(arguments.plans), strict=True)
    ]
    return [capped(request, arguments.throttle_up_to) for request in requests]


def _require_whole_defect(arguments: argparse.Namespace) -> None:
    if arguments.near_miss and not arguments.defect:
        raise UserError("--near-miss goes with --defect NAME; name the defect too, or leave --near-miss out")


def _load(words: Sequence[str]) -> list[tuple[Path, Plan]]:
    """Read every plan named; raises PlanError with what is wrong in all of them."""
    from harness.errors import PlanError, Problem
    from harness.plan.find import find_plan
    from harness.plan.reader import load_plan

    plans: list[tuple[Path, Plan]] = []
    problems: list[Problem] = []
    for word in words:
        try:
            path = find_plan(word)
            plans.append((path, load_plan(path)))
        except PlanError as error:
            problems.extend(error.problems)
    if problems:
        raise PlanError(tuple(problems))
    return plans


def _run_one(
    request: Request, out: Path | None, *, full: bool, shown: Show | None
) -> tuple[Outcome, str, bool]:
    """Run one plan and print its report; returns its outcome, its recording, whether somebody stopped it."""
    from harness.clock import SystemClock
    from harness.report.apart import progress_apart
    from harness.report.folder import PAGE, RECORDING
    from harness.report.live import progress_for
    from harness.running import default_folder, run

    show = progress_apart if request.rig.is_hardware else progress_for
    progress = show(sys.stderr, SystemClock(), shown)
    folder = default_folder(request, out)
    try:
        with folder:
            ran = run(request, folder, progress)
    finally:
        progress.close()
        if folder.kept:
            _complain(
                f"what was recorded is kept in {folder.kept}; `propsoff judge {folder.kept}` judges it "
                "as far as it goes"
            )
    recording = str(folder.final / RECORDING)
    _show(ran.outcome, recording, request, page=folder.final / PAGE, full=full)
    return ran.outcome, recording, ran.interrupted


def _show(
    outcome: Outcome, recording: str, request: Request | None = None, *, page: Path | None = None, full: bool
) -> None:
    from harness.report.text import render, replay_commands
    from harness.running import replay_words

    terminal = sys.stdout.isatty()
    replay = replay_commands(outcome.header, recording, **replay_words(request))
    width = shutil.get_terminal_size().columns if terminal else None
    colour = terminal and "NO_COLOR" not in os.environ
    shown = printable(str(page)) if page else ""
    text = render(outcome, page=shown, replay=replay, width=width, colour=colour, full=full)
    try:
        print(text, end="", flush=True)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the terminal was closed


def _check(arguments: argparse.Namespace) -> int:
    from harness.bench.rig import find_rig, rig_baud
    from harness.outline import outline
    from harness.running import Request, timeline_for

    rig = find_rig(arguments.rig)
    texts = []
    for path, plan in _load(arguments.plans):
        timeline = timeline_for(Request(plan=plan, file=str(path), rig=rig, seed=0))
        texts.append(f"{path}: sound\n{outline(timeline, rig_baud(rig))}")
    print("\n".join(texts), end="")
    return int(ExitCode.PASS)


def _explain(arguments: argparse.Namespace) -> int:
    from harness.explain import explain, overview

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    pages = [explain(word, width) for word in arguments.check]
    print("\n".join(pages) if pages else overview(width), end="")
    return int(ExitCode.PASS)


def _judge(arguments: argparse.Namespace) -> int:
    from harness.report import document, junit, markdown
    from harness.report.folder import RECORDING
    from harness.running import see_file

    if arguments.page and len(arguments.recordings) > 1:
        raise UserError("--page writes the page of one recording; name one, or leave --page out")
    if arguments.page:
        from harness.page.storing import require_page_place

        require_page_place(arguments.page)
    outcomes, paths = [], []
    for given in arguments.recordings:
        path = given / RECORDING if given.is_dir() else given
        outcome, evidence = see_file(path)
        outcomes.append(outcome)
        if arguments.page:
            from harness.page.report import write_page

            write_page(outcome, evidence, path, arguments.page)
            _complain(f"{arguments.page}: written")
        paths.append(str(path))
        if arguments.json:
            print(document.to_json(document.verdict_document(outcome)), end="")
        elif not (arguments.junit or arguments.markdown):
            _show(outcome, str(path), full=arguments.full)
    if arguments.junit:
        print(junit.junit_xml(tuple(outcomes)), end="")
    if arguments.markdown:
        print(markdown.markdown_summary(outcomes, paths), end="")
    worst = max((outcome.judgement.verdict for outcome in outcomes), key=lambda verdict: verdict.rank)
    return int(worst.exit_code)


def _plots(arguments: argparse.Namespace) -> int:
    from harness.plots.command import PlotWords, listing, plots

    words = PlotWords(
        arguments.run, arguments.out, arguments.form, tuple(arguments.only), arguments.dark,
        tuple(arguments.during), (arguments.low, arguments.high), arguments.overwrite,
    )  # fmt: skip
    if arguments.list:
        print(listing(words), end="")
    else:
        print("\n".join(printable_lines(str(path)) for path in plots(words)))
    return int(ExitCode.PASS)


def _explore(arguments: argparse.Namespace) -> int:
    from harness import interlock
    from harness.bench.rig import find_rig
    from harness.explore.command import explore, limits_for
    from harness.running import Request

    _require_whole_defect(arguments)
    rig = find_rig(arguments.rig)
    path, plan = _load([arguments.link])[0]
    request = Request(
        plan=plan, file=str(path), rig=rig, seed=0, defect=arguments.defect, near_miss=arguments.near_miss,
        props_off=arguments.props_off, words=(arguments.link, arguments.rig),
    )  # fmt: skip
    request = interlock.capped(request, arguments.throttle_up_to)
    interlock.require_clearable(request)
    (request,) = interlock.cleared([request])
    limits = limits_for(rig, arguments.link_time)
    explored = explore(request, arguments.out, limits, seed=arguments.seed, say=_complain)
    print(explored.text, end="")
    if explored.state.ended == "stopped":
        raise KeyboardInterrupt
    return int(explored.exit_code)


def _mock(arguments: argparse.Namespace) -> int:
    import signal

    from harness.bench.opening import serve_mock
    from harness.bench.rig import find_rig
    from harness.chance import fresh_seed

    _require_whole_defect(arguments)
    link = _load([arguments.plan])[0][1].link
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # links and rig file are cleared as on Ctrl-C
    seed = fresh_seed() if arguments.seed is None else arguments.seed
    serve_mock(
        find_rig(arguments.rig), link, seed,
        defect=arguments.defect, near_miss=arguments.near_miss, link_dir=arguments.link,
        listen=arguments.listen,
    )  # fmt: skip
    return int(ExitCode.PASS)


def _defects(arguments: argparse.Namespace) -> int:
    from harness.bench.mocked import list_defects, require_defect
    from harness.bench.rig import find_rig
    from harness.catalogue import entry, listing

    rig = find_rig(arguments.rig)
    if rig.is_hardware:
        raise UserError(f"the rig {rig.name} is hardware, which has only the defects it has; use --rig mock")
    known = list_defects(rig.kind)
    for name in arguments.names:
        require_defect(rig.kind, name)
    told = [entry(one, arguments.rig) for name in arguments.names for one in known if one.name == name]
    print("\n".join(told) if told else listing(known, arguments.rig), end="")
    return int(ExitCode.PASS)


def _scoreboard(arguments: argparse.Namespace) -> int:
    from harness.bench.rig import find_rig
    from harness.board import command

    rig = find_rig(arguments.rig)
    if rig.name not in ("mock", "avr"):
        raise UserError(f"the scoreboard plays the built-in rigs mock and avr, not {rig.name}")
    plans = arguments.plans or command.PLANS
    command.require_plans(plans)
    if rig.name != "mock" and arguments.healthy:
        raise UserError("healthy rigs are played on the mock alone; leave --healthy out, or use --rig mock")
    asked = command.Asked(
        rig.name, arguments.seeds, 1 if arguments.seed is None else arguments.seed,
        command.HEALTHY if arguments.healthy is None else arguments.healthy, plans,
        arguments.defects or (), arguments.everywhere, arguments.near_misses,
    )  # fmt: skip
    told = _progress if sys.stderr.isatty() else None
    if arguments.jobs == 0:
        raise UserError("--jobs 0 leaves nobody to play; write 1 or more, or leave it out")
    executor = None if arguments.jobs == 1 else command.processes(arguments.jobs)
    with command.open_page(arguments.out) as write:
        board, runs = command.score(asked, executor, told)
        write(command.render(asked, board, runs))
    return int(ExitCode.FAIL if board.misses() else ExitCode.PASS)


def _progress(done: int, of: int) -> None:
    from harness.plan.wording import many

    print(
        f"\rscoreboard: {done} of {many(of, 'run')}",
        end="\n" if done == of else "",
        file=sys.stderr,
        flush=True,
    )


def _ports(arguments: argparse.Namespace) -> int:
    from harness.finding.command import ports

    return int(ports(arguments.ports, ask=arguments.ask, json=arguments.json, baud=arguments.baud))


def _rig(arguments: argparse.Namespace) -> int:
    from harness.finding.command import RigWords, rig

    return int(rig(RigWords(arguments.words, arguments.check, arguments.overwrite, arguments.baud)))


def _compare(arguments: argparse.Namespace) -> int:
    from harness.compare.command import compare_command
    from harness.units.command import refuse_for_two_sides, units

    if arguments.candidate is None:
        return units(arguments)
    refuse_for_two_sides(arguments)
    return compare_command(arguments)


def _baseline(arguments: argparse.Namespace) -> int:
    from harness.compare.command import baseline_command

    return baseline_command(arguments)


def _history(arguments: argparse.Namespace) -> int:
    from harness.history.command import Outputs, history, show, write
    from harness.history.rows import Wanted

    wanted = Wanted(
        arguments.unit, arguments.firmware, arguments.plan, arguments.since,
        tuple(arguments.figure), arguments.last,
    )  # fmt: skip
    outputs = Outputs(arguments.csv, arguments.parquet, arguments.page, arguments.overwrite)
    outputs.require_free()
    told = history(arguments.path, wanted, _complain, whole=bool(outputs.files))
    write(told, outputs, _complain)
    if arguments.json or not outputs.files:
        print(show(told, json=arguments.json, terminal=sys.stdout), end="")
    return int(ExitCode.PASS)


COMMANDS: Final[Mapping[str, Callable[[argparse.Namespace], int]]] = {
    "run": _run,
    "check": _check,
    "judge": _judge,
    "plots": _plots,
    "explore": _explore,
    "mock": _mock,
    "defects": _defects,
    "scoreboard": _scoreboard,
    "explain": _explain,
    "ports": _ports,
    "rig": _rig,
    "compare": _compare,
    "baseline": _baseline,
    "history": _history,
}
