"""What do `propsoff ports` and `propsoff rig` do? Words of the command line in, exit code out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.bench.ports import scheme
from harness.bench.protocol import Role
from harness.bench.rig import SUFFIXES, Rig, find_rig
from harness.clock import S
from harness.errors import ExitCode, UserError
from harness.finding.answers import Answer, Outcome
from harness.finding.asking import MOST_AT_ONCE, Asking, ask_all
from harness.finding.listing import Found, Kind, find_ports, trouble
from harness.finding.rigfile import Placed, placed, require_free, rig_text, write_rig
from harness.finding.system import System
from harness.finding.telling import WIDTH, ports_document, ports_text, say, to_json
from harness.plan.wording import many

RIG_FILE: Final = "my-bench.yaml"
ASK_CAUTION: Final = """\
Opening a port restarts many boards, and restarting lets some of them twitch: take the propellers off, put the
transmitter's own throttle stick at its low end, tie the model down, and use a supply with a current limit."""
ASK_EVERY: Final = """\
Identify is sent to every port that nobody holds; if something else than your bench is plugged in, name the
ports to ask."""
CHECK_CAUTION: Final = """\
Only Identify, Ping and idle bytes are sent: no stick, and the devices stay their own masters. So the
transmitter's own sticks rule: propellers off, throttle stick at its low end, model tied down."""


@dataclass(frozen=True, slots=True)
class RigWords:
    """What `propsoff rig` was told: the file and the ports among its words, a rig to check instead."""

    words: Sequence[str] = ()
    check: str | None = None
    overwrite: bool = False
    baud: int | None = None


def ports(
    names: Sequence[str], *, ask: bool, json: bool, baud: int | None = None, system: System | None = None
) -> ExitCode:
    """List ports, ask them if told to, and print what is known.

    Returns 3 if a port that was named is missing, or a device that was asked for.
    """
    if baud is not None and not ask:
        raise UserError("--baud goes with --ask; add --ask, or leave --baud out")
    system = system or System()
    found = find_ports(system, names)
    answers = None
    if ask:
        asked = [port for port in found if names or port.kind is not Kind.EMPTY]
        said = _ask(asked, baud, system, named=bool(names))
        answers = dict(zip((port.name for port in asked), said, strict=True))
    print(to_json(ports_document(found, answers)) if json else ports_text(found, answers), end="")
    return _ports_code(found, answers, every=bool(names))


def _ports_code(found: Sequence[Found], answers: dict[str, Answer] | None, *, every: bool) -> ExitCode:
    if answers is None:
        there = not any(map(trouble, found))
        return ExitCode.PASS if there else ExitCode.BENCH_ERROR
    good = [answer.outcome is Outcome.DEVICE for answer in answers.values()]
    return ExitCode.PASS if good and (all(good) if every else any(good)) else ExitCode.BENCH_ERROR


def _ask(found: Sequence[Found], baud: int | None, system: System, *, named: bool) -> list[Answer]:
    asking = Asking() if baud is None else Asking(bauds=(baud,))
    if found:
        say(ASK_CAUTION if named else f"{ASK_CAUTION}\n{ASK_EVERY}")
        at_once = " at the same time" if len(found) > 1 else ""
        turns = -(-len(found) // MOST_AT_ONCE)
        say(f"asking {many(len(found), 'port')}{at_once}, up to {turns * asking.longest_ns / S:.0f} s ...")
    return ask_all(found, asking, system)


def rig(told: RigWords, system: System | None = None) -> ExitCode:
    """Write a rig file from what answers and prove it, or prove one that is there; 3 if a line is bad."""
    if told.check is not None:
        if told.words or told.overwrite or told.baud:
            raise UserError("--check proves a rig file as it stands; leave the other words away")
        return _prove(find_rig(told.check), told.check)
    file, names = _sorted(told.words)
    require_free(file, overwrite=told.overwrite)
    system = system or System()
    found = [port for port in find_ports(system, names) if names or port.kind is not Kind.EMPTY]
    places = placed(found, _ask(found, told.baud, system, named=bool(names)))
    write_rig(file, rig_text(places), overwrite=told.overwrite)
    print(f"{file}: written\n{_who(places)}\n", flush=True)
    return _prove(find_rig(str(file)), str(file))


def _sorted(words: Sequence[str]) -> tuple[Path, list[str]]:
    """Tell the file from the ports: its name ends as YAML files do, and is no URL."""
    files = [word for word in words if word.lower().endswith(SUFFIXES) and not scheme(word)]
    if len(files) > 1:
        raise UserError(f"two rig files are named, {files[0]} and {files[1]}; name one, and ports")
    names = [word for word in words if word not in files]
    strange = [name for name in names if _is_no_port(name)]
    if strange:
        raise UserError(
            f"{strange[0]} is no port that is there, and no rig file, whose name ends in .yaml; "
            "`propsoff ports` lists the ports"
        )
    return Path(files[0] if files else RIG_FILE), names


def _is_no_port(name: str) -> bool:
    looks_like_one = scheme(name) or name.startswith(("/dev/", "\\\\")) or name[:3].lower() == "com"
    return not looks_like_one and not os.path.lexists(name)


def _who(places: dict[Role, Placed]) -> str:
    return "\n".join(
        f"  {place.answer.found}, at {place.answer.baud} baud on {place.found.name}"
        for place in places.values()
    )


def _prove(rig: Rig, word: str) -> ExitCode:
    if not rig.is_hardware:
        raise UserError(
            f"the rig {rig.name} is simulated and has no lines to prove; "
            f"`propsoff run first-look --rig {word}` runs on it as it is"
        )
    if set(rig.devices) >= set(rig.ports):
        raise UserError(
            f"no device of the rig {rig.name} speaks the bench protocol, so none can be asked; "
            f"`propsoff run first-look --rig {word}` shows what their lines lose"
        )
    from harness.finding.proof import proof_of

    say(CHECK_CAUTION)
    proof = proof_of(rig, word)
    print(proof.text(WIDTH), end="")
    return proof.exit_code
