"""Which words does the command line take? Every command with its options and examples, read by argparse."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness import options
from harness._version import __version__
from harness.units.command import add_options as many_units

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

EPILOG = """\
examples:
  propsoff run first-look                         the mock bench, no hardware
  propsoff run acceptance --rig my-bench.yaml --props-off
  propsoff run failsafe --defect failsafe-late    see a faulty receiver caught
  propsoff check my-plan.yaml                     what a plan will do, without a bench
  propsoff judge propsoff-runs/first-look-7       the same verdict again, from the recording
  propsoff compare RUN-BEFORE RUN-AFTER           is it better, no worse or worse?
  propsoff history                                kept runs, and how their figures went
  propsoff explore --for 20m                      look for what no plan was written for
  propsoff ports --ask                            which device is on which serial port

exit codes: 0 pass, 1 fail, 2 plan or command line wrong, 3 bench trouble, 4 our bug, 5 inconclusive
A pass is not permission to fly."""


def read(words: Sequence[str]) -> argparse.Namespace:
    """Return what the words of a command line say; argparse leaves the program where they say nothing.

    `command` is the word of the command, the rest its options.
    """
    parser = _parser()
    arguments, rest = parser.parse_known_args(options.with_values(words))
    if rest:  # told by the command that they were meant for
        arguments.parser.error(f"not understood: {' '.join(rest)}")
    return arguments


def _parser() -> argparse.ArgumentParser:
    parser = _command_parser("propsoff", "Test a home-built radio-control link on the bench.", EPILOG)
    parser.add_argument("--version", action="version", version=f"propsoff {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for add in (
        _add_run,
        _add_check,
        _add_explain,
        _add_judge,
        _add_plots,
        _add_explore,
        _add_mock,
        _add_defects,
        _add_scoreboard,
        _add_ports,
        _add_rig,
        _add_compare,
        _add_baseline,
        _add_history,
    ):
        add(commands)
    return parser


def _command_parser(prog: str, about: str, epilog: str) -> argparse.ArgumentParser:
    return options.Parser(
        prog=prog, description=about, epilog=epilog, formatter_class=argparse.RawDescriptionHelpFormatter
    )


def _add(commands: Commands, name: str, about: str, epilog: str) -> argparse.ArgumentParser:
    parser = commands.add_parser(
        name, help=about, description=about[0].upper() + about[1:] + ".",
        epilog=epilog, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.set_defaults(parser=parser)
    return parser


def _add_run(commands: Commands) -> None:
    parser = _add(
        commands,
        "run",
        "carry out plans on a bench and judge them",
        "examples:\n"
        "  propsoff run first-look --seed 7\n"
        "  propsoff run acceptance failsafe --rig my-bench.yaml --props-off --out module-3\n"
        "  propsoff run failsafe --defect failsafe-late --near-miss",
    )
    _plans(parser)
    _rig_and_seed(parser)
    parser.add_argument(
        "--out", metavar="DIR", type=options.path, help="run folder; with several plans a folder of them"
    )
    parser.add_argument(
        "--defect", metavar="NAME", help="give the simulated bench this defect (see propsoff defects)"
    )
    parser.add_argument(
        "--near-miss",
        action="store_true",
        help="its near miss instead: the plan that catches the defect passes it",
    )
    parser.add_argument(
        "--unit", metavar="NAME", type=options.unit,
        help="name the unit under test, for reports and the history; goes before the rig file's",
    )  # fmt: skip
    _safety(parser)
    parser.add_argument(
        "--hold-to-run", action="store_true",
        help="real ports: open a throttle only while somebody holds the space bar",
    )  # fmt: skip
    _real_time(parser)
    parser.add_argument(
        "--show", choices=("view", "lines", "nothing"),
        help="while a run goes on: a view that is drawn over again, plain lines for a log or a screen "
        "reader, or nothing but what you must know (default: the view on a terminal, lines elsewhere)",
    )  # fmt: skip
    _full(parser)
    parser.add_argument("--junit", metavar="FILE", type=options.path, help="also all plans in one junit.xml")
    parser.add_argument(
        "--markdown", metavar="FILE", type=options.path, help="also a short summary for a pull request"
    )
    parser.set_defaults(command="run")


def _add_check(commands: Commands) -> None:
    parser = _add(
        commands,
        "check",
        "read plans and say what they will do, without any bench",
        "example:\n  propsoff check my-plan.yaml --rig my-bench.yaml",
    )
    _plans(parser)
    parser.add_argument("--rig", default="mock", help="whose baud rates count (default: mock)")
    parser.set_defaults(command="check")


def _add_judge(commands: Commands) -> None:
    parser = _add(
        commands,
        "judge",
        "judge recordings again, without hardware",
        "examples:\n"
        "  propsoff judge propsoff-runs/first-look-7\n"
        "  propsoff judge propsoff-runs/first-look-7 --full\n"
        "  propsoff judge recording.pcapng --json > verdict.json\n"
        "  propsoff judge recording.pcapng --page report.html",
    )
    parser.add_argument(
        "recordings", nargs="+", metavar="RECORDING", type=Path, help="recording or run folder"
    )
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print verdict.json instead of the report")
    shape.add_argument("--junit", action="store_true", help="print junit.xml instead of the report")
    parser.add_argument(
        "--page", metavar="FILE", type=options.path, help="also write the report page there, as one HTML file"
    )
    shape.add_argument(
        "--markdown", action="store_true", help="print a short summary for a pull request instead"
    )
    _full(parser)
    parser.set_defaults(command="judge")


def _add_plots(commands: Commands) -> None:
    parser = _add(
        commands,
        "plots",
        "draw what a recording shows as PNG or SVG files: sticks, packets, latency, cuts, telemetry, clocks",
        "examples:\n"
        "  propsoff plots propsoff-runs/first-look-7                   into its folder plots\n"
        "  propsoff plots propsoff-runs/first-look-7 --list            which pictures there are\n"
        "  propsoff plots recording.pcapng --only packets latency-within --as svg --out post\n"
        "  propsoff plots propsoff-runs/first-look-7 --only sticks --from 28 --to 31 --out cut\n\n"
        "Needs matplotlib: python -m pip install matplotlib",
    )
    parser.add_argument("run", metavar="RUN", type=options.path, help="run folder or recording")
    parser.add_argument(
        "--out", metavar="DIR", type=options.path,
        help="folder of pictures (default: plots in the run folder, or beside a recording)",
    )  # fmt: skip
    parser.add_argument(
        "--as", dest="form", choices=("png", "svg"), default="png", help="kind of file (default: png)"
    )
    parser.add_argument("--only", metavar="NAME", nargs="+", default=[], help="only these, by kind or name")
    parser.add_argument("--list", action="store_true", help="name the pictures and write nothing")
    parser.add_argument("--dark", action="store_true", help="light on dark")
    parser.add_argument(
        "--during", metavar="STEP", action="append", default=[],
        help="only the plan's steps of this name; may be given again",
    )  # fmt: skip
    parser.add_argument("--from", dest="low", metavar="S", type=options.moment, help="from this s of the run")
    parser.add_argument("--to", dest="high", metavar="S", type=options.moment, help="up to this s of the run")
    parser.add_argument(
        "--overwrite", action="store_true", help="replace pictures of the same names in a folder"
    )
    parser.set_defaults(command="plots")


def _add_explore(commands: Commands) -> None:
    parser = _add(
        commands,
        "explore",
        "look for what no plan was written for: generated scenarios, each violation kept as a plan",
        "examples:\n"
        "  propsoff explore --seed 7\n"
        "  propsoff explore --rig my-bench.yaml --for 20m --props-off\n"
        "  propsoff explore --defect duplicates-applied --out look\n\n"
        "A second call with the same folder goes on. Nothing found is not a proof.\n"
        "exit codes: 0 nothing found, 1 violation, 2 command line or link wrong, 3 bench trouble, 4 our bug",
    )
    _rig_and_seed(parser)
    parser.add_argument(
        "--for", metavar="TIME", dest="link_time", type=options.link_time,
        help="link time of this call, such as 5m (default: 5m; simulated rigs 60m, which take a minute)",
    )  # fmt: skip
    parser.add_argument(
        "--link",
        metavar="PLAN",
        default="acceptance",
        help="plan whose link section counts (default: acceptance, which has telemetry)",
    )
    parser.add_argument(
        "--out", metavar="DIR", type=options.path, default=Path("propsoff-explored"),
        help="folder of findings (default: propsoff-explored)",
    )  # fmt: skip
    parser.add_argument("--defect", metavar="NAME", help="give the simulated bench this defect")
    parser.add_argument("--near-miss", action="store_true", help="its near miss instead")
    _safety(parser)
    parser.set_defaults(command="explore")


def _add_mock(commands: Commands) -> None:
    parser = _add(
        commands,
        "mock",
        "serve simulated devices in real time on pseudo-terminals or TCP ports",
        "examples:\n"
        "  propsoff mock --link mock-ports\n"
        "  propsoff run first-look --rig mock-ports/rig.yaml --props-off\n"
        "  propsoff mock --listen 4000 --link mock-ports       on TCP ports of this machine only",
    )
    parser.add_argument(
        "--plan", metavar="PLAN", default="first-look", help="be the link of this plan (default: first-look)"
    )
    _rig_and_seed(parser)
    parser.add_argument("--defect", metavar="NAME", help="give the devices this defect")
    parser.add_argument("--near-miss", action="store_true", help="its near miss instead")
    parser.add_argument(
        "--link",
        metavar="DIR",
        type=options.path,
        help="also make DIR/transmitter, DIR/receiver and DIR/rig.yaml",
    )
    parser.add_argument(
        "--listen",
        metavar="[HOST:]PORT",
        help="serve TCP ports: transmitter PORT, receiver PORT+1, witness PORT+2; "
        "without HOST for this machine only, otherwise anybody who can reach it can drive the devices",
    )
    parser.set_defaults(command="mock")


def _add_defects(commands: Commands) -> None:
    parser = _add(
        commands,
        "defects",
        "list the defects that a simulated bench can have, or tell some in full",
        "examples:\n  propsoff defects\n  propsoff defects failsafe-late\n  propsoff defects --rig avr",
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="tell these in full")
    parser.add_argument("--rig", default="mock", help="rig file or built-in rig (default: mock)")
    parser.set_defaults(command="defects")


def _add_scoreboard(commands: Commands) -> None:
    parser = _add(
        commands,
        "scoreboard",
        "play every defect and a thousand healthy rigs, and count what is caught and what is passed",
        "examples:\n"
        "  propsoff scoreboard\n"
        "  propsoff scoreboard --rig avr --seeds 2\n"
        "  propsoff scoreboard --defects failsafe-late,failsafe-early --everywhere --healthy 0",
    )
    parser.add_argument("--rig", default="mock", metavar="RIG", help="mock (default) or avr")
    parser.add_argument(
        "--seeds", type=options.count, default=20, metavar="N", help="runs of each (default: 20)"
    )
    parser.add_argument("--seed", type=options.seed, metavar="N", help="first seed (default: 1)")
    parser.add_argument(
        "--healthy", type=options.count, metavar="N", help="healthy rigs in all (default: 1000; avr: 0)"
    )
    parser.add_argument(
        "--plans", type=options.names, metavar="P,Q", help="shipped plans (default: all but the soak)"
    )
    parser.add_argument("--defects", type=options.names, metavar="D,E", help="only these defects")
    parser.add_argument(
        "--everywhere", action="store_true", help="each defect on every plan, not only on its own"
    )
    parser.add_argument("--near-misses", action="store_true", help="each near-miss too, on its defect's plan")
    parser.add_argument(
        "--jobs", type=options.count, metavar="N", help="processes (default: one a processor)"
    )
    parser.add_argument("--out", type=options.path, metavar="FILE", help="write the page there")
    parser.set_defaults(command="scoreboard")


def _plans(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "plans", nargs="+", metavar="PLAN", help="plan file, or a shipped plan such as first-look"
    )


def _real_time(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--real-time",
        action="store_true",
        help="on real ports ask the system for real-time scheduling and locked memory; goes on without",
    )


def _safety(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--props-off",
        action="store_true",
        help="the propellers are off: clears real ports to move (at a terminal you are asked otherwise)",
    )
    parser.add_argument(
        "--throttle-up-to", metavar="SHARE", type=options.share,
        help="lower the cap on throttle sticks, such as 10 %% of their travel",
    )  # fmt: skip


def _full(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--full", action="store_true", help="print everything that was measured, as in report.txt"
    )


def _add_explain(commands: Commands) -> None:
    parser = _add(
        commands,
        "explain",
        "say what a check measures, why a pilot cares, where its limit comes from and what to try",
        "examples:\n  propsoff explain                 every check in one line\n  propsoff explain latency",
    )
    parser.add_argument("check", nargs="*", metavar="CHECK", help="a check's word, such as delivery")
    parser.set_defaults(command="explain")


def _add_ports(commands: Commands) -> None:
    parser = _add(
        commands,
        "ports",
        "list the serial ports with names that last, and with --ask which device answers on each",
        "examples:\n"
        "  propsoff ports\n"
        "  propsoff ports --ask\n"
        "  propsoff ports --ask COM5 rfc2217://bench-host:4000\n\n"
        "--ask opens ports and sends Identify at the common baud rates, which takes up to 8 s. Nothing can\n"
        "move by that, but opening a port restarts many boards: propellers off.\n"
        "exit codes: 0 done, 2 command line wrong, 3 no such port or, with --ask, no device",
    )
    parser.add_argument("ports", nargs="*", metavar="PORT", help="only these (default: all there are)")
    parser.add_argument("--ask", action="store_true", help="open the free ports and ask who is there")
    _baud(parser)
    parser.add_argument("--json", action="store_true", help="print JSON, for scripts")
    parser.set_defaults(command="ports")


def _add_rig(commands: Commands) -> None:
    parser = _add(
        commands,
        "rig",
        "write a rig file from the devices that answer, and prove both lines in ten seconds",
        "examples:\n"
        "  propsoff rig                                    asks all ports, writes my-bench.yaml\n"
        "  propsoff rig bench.yaml /dev/ttyUSB0 /dev/ttyUSB1\n"
        "  propsoff rig --check bench.yaml                 proves a rig file, writes nothing\n\n"
        "Only Identify, Ping and idle bytes are sent; no stick, so nothing moves that did not move before.\n"
        "exit codes: 0 proved, 2 command line or rig file wrong, 3 a device, a port or a line is at fault",
    )
    parser.add_argument(
        "words", nargs="*", metavar="FILE|PORT",
        help="the file to write, NAME.yaml (default: my-bench.yaml), and the ports to ask (default: all)",
    )  # fmt: skip
    parser.add_argument("--check", metavar="RIG", help="prove this rig file and write nothing")
    parser.add_argument("--overwrite", action="store_true", help="write over a file that is there already")
    _baud(parser)
    parser.set_defaults(command="rig")


def _add_compare(commands: Commands) -> None:
    parser = _add(
        commands,
        "compare",
        "hold a candidate against a base, or the units of a lot against each other",
        "examples:\n"
        "  propsoff compare propsoff-runs/regression-7 propsoff-runs/regression-8\n"
        "  propsoff compare baseline:good new-firmware/ --margin latency='3 ms' --margin delivery='0.5 %'\n"
        "  propsoff compare baseline:good new-firmware/ --page comparison.html\n"
        "  propsoff compare lot --lot size=40,limit=30%\n\n"
        "With two sides: is each figure better, no worse or worse, or can it not be told? With one folder\n"
        "that holds runs of different units: which stand out, and is the lot accepted?\n"
        "BASE and CANDIDATE: a run folder, a folder of runs, or baseline:NAME (see propsoff baseline).\n"
        "Several runs on each side tell more than one: only they show how much runs differ.\n"
        "exit codes: 0 no worse, or better, in all that the plan judges; 1 worse; 5 cannot tell;\n"
        "  of a lot 0 accepted, 1 rejected, 5 undecided;\n"
        "  2 not comparable, a run cannot be read, or the command line is wrong\n"
        "with --bisect: 0 good, 1 bad, 125 leave this commit out, 128 and above: stop the search",
    )
    parser.add_argument(
        "base", metavar="BASE", help="run folder, folder of runs, or baseline:NAME; a lot if it stands alone"
    )
    parser.add_argument("candidate", metavar="CANDIDATE", nargs="?", help="what is to be held against it")
    parser.add_argument(
        "--margin", action="append", metavar="FIGURE=VALUE",
        help="how much worse still counts as no worse, such as latency_p90='3 ms'; may be given again",
    )  # fmt: skip
    parser.add_argument("--confidence", metavar="SHARE", help="default: 95 %%")
    parser.add_argument("--page", metavar="FILE", type=options.path, help="write a page that draws it")
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print JSON, for scripts")
    shape.add_argument("--markdown", action="store_true", help="print a short table for a pull request")
    parser.add_argument("--bisect", action="store_true", help="return exit codes for git bisect run")
    many_units(parser)
    parser.set_defaults(command="compare")


def _add_baseline(commands: Commands) -> None:
    parser = _add(
        commands,
        "baseline",
        "keep runs under a name to compare later ones with, or list those that are kept",
        "examples:\n"
        "  propsoff baseline                               what is kept\n"
        "  propsoff baseline good propsoff-runs/regression-7 propsoff-runs/regression-8\n\n"
        "Runs are copied whole into propsoff-baselines/NAME; what is kept there is never written over.",
    )
    parser.add_argument("name", nargs="?", metavar="NAME", help="letters, digits, - _ and .")
    parser.add_argument(
        "runs", nargs="*", type=options.path, metavar="RUN", help="run folders, or folders of runs"
    )
    parser.set_defaults(command="baseline")


def _add_history(commands: Commands) -> None:
    parser = _add(
        commands,
        "history",
        "list kept runs by unit, firmware and plan, with their figures as trends",
        "examples:\n"
        "  propsoff history\n"
        "  propsoff history --unit 'left wing' --figure failsafe_entry --last 20\n"
        "  propsoff history module-tests --since 2026-11-01 --csv runs.csv --parquet runs.parquet\n\n"
        "UNIT, FIRMWARE, PLAN and NAME match whole; * stands for anything. shared/history.md explains\n"
        "the columns of CSV and Parquet. .propsoff-index.sqlite in the folder only saves time: remove it\n"
        "whenever you like.\n"
        "exit codes: 0 told, 2 no run that fits, or a file cannot be written, 4 our bug",
    )
    parser.add_argument(
        "path", nargs="?", type=options.path, default=Path("propsoff-runs"), metavar="PATH",
        help="folder of runs (default: propsoff-runs)",
    )  # fmt: skip
    parser.add_argument("--unit", metavar="UNIT", default="", help="only runs of this unit")
    parser.add_argument("--firmware", metavar="FIRMWARE", default="", help="only with this firmware")
    parser.add_argument("--plan", metavar="PLAN", default="", help="only by this plan")
    parser.add_argument(
        "--since",
        metavar="DATE",
        type=options.date,
        help="only from then on, UTC: 2026-11-25, or with a time",
    )
    parser.add_argument(
        "--figure", metavar="NAME", nargs="+", default=(), help="only these checks, by name or kind"
    )
    parser.add_argument("--last", metavar="N", type=options.some, help="only the newest N runs of each group")
    parser.add_argument("--json", action="store_true", help="print JSON, for scripts")
    parser.add_argument(
        "--csv", metavar="FILE", type=options.path, help="write every check of every run there"
    )
    parser.add_argument("--parquet", metavar="FILE", type=options.path, help="the same as Parquet")
    parser.add_argument(
        "--page", metavar="FILE", type=options.path, help="write the trends as a page of HTML"
    )
    parser.add_argument(
        "--overwrite", action="store_true", help="write over CSV and Parquet files that are there already"
    )
    parser.set_defaults(command="history")


def _baud(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--baud",
        type=options.baud,
        metavar="N",
        help="ask at this rate only (default: the common ones in turn)",
    )


def _rig_and_seed(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rig", default="mock", help="rig file or built-in rig (default: mock)")
    parser.add_argument(
        "--seed", type=options.seed, help="whole number that all chance comes from (default: a fresh one)"
    )
