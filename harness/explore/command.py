"""What does `propsoff explore` do? Prepares a search on the bench that was asked for, and tells what came."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.bench.rig import Rig
from harness.chance import fresh_seed
from harness.errors import ExitCode, StorageError
from harness.explore.finding import Scene
from harness.explore.hunt import Play
from harness.explore.search import Explorer, Limits
from harness.explore.state import State, load_state, save_state
from harness.explore.telling import exit_code, report
from harness.explore.trying import Tried, Trier
from harness.explore.words import MINUTE, time_words
from harness.plan.model import Plan
from harness.plan.wording import many
from harness.report.live import Quiet
from harness.running import Request, keys_for, require_props_off, stop_on_signals, stopping

HARDWARE_NS: Final = 5 * MINUTE
SIMULATED_NS: Final = 60 * MINUTE
"""Link time of a call that names none; simulated, an hour takes about a minute."""
TENTHS: Final = 10


@dataclass(frozen=True, slots=True)
class Explored:
    """What a search came to: its state, the lines that tell it, and what the command returns."""

    state: State
    text: str
    exit_code: ExitCode


def explore(
    request: Request,
    folder: Path,
    limits: Limits,
    *,
    seed: int | None = None,
    say: Callable[[str], None] = lambda _line: None,
) -> Explored:
    """Explore the bench of `request`, whose plan gives link and safety, and keep what is found in `folder`.

    A folder that holds a search of the same scene is gone on with. `request.seed` is not used: without a
    `seed` it is the folder's, or a fresh one. Raises UserError (hardware not cleared, another search's
    folder), StorageError, and BenchError if the devices do not answer at the start. Ctrl-C ends it safely.
    """
    require_props_off(request)
    state = load_state(folder, request, seed, fresh_seed())
    state.troubles, state.ended = [], ""  # of the call before
    scene = scene_for(request)
    with (
        stop_on_signals() as signalled,
        keys_for(request) as keys,
        closing(Trier(request, Quiet(), stopping(signalled, keys))) as trier,
    ):
        bounds = trier.probe()
        _make(folder)
        save_state(folder, state)
        explorer = Explorer(
            play=_told(trier.play, limits, say),
            link=request.plan.link,
            safety=request.plan.safety,
            bounds=bounds,
            scene=scene,
            folder=folder,
            is_hardware=request.rig.is_hardware,
            say=say,
        )
        explorer.explore(state, limits)
    save_state(folder, state)
    text = report(state, scene, folder, request.plan.link, bounds)
    return Explored(state, text, exit_code(state))


def scene_for(request: Request) -> Scene:
    """Return the scene as it was typed; a rig of real ports was cleared to move, and a replay must be too."""
    return Scene(
        rig=request.words[1] or request.rig.name,
        defect=request.defect or "",
        near_miss=request.near_miss,
        props_off=request.rig.is_hardware,
    )


def _told(play: Play, limits: Limits, say: Callable[[str], None]) -> Play:
    """Return `play` with a line for each tenth of the time."""
    count = used_ns = 0

    def told(plan: Plan, seed: int) -> Tried:
        nonlocal count, used_ns
        tried = play(plan, seed)
        before, count, used_ns = used_ns, count + 1, used_ns + tried.link_ns
        if before * TENTHS // limits.link_ns < used_ns * TENTHS // limits.link_ns < TENTHS:
            of = f"{time_words(used_ns)} of {time_words(limits.link_ns)} of link time"
            say(f"{many(count, 'scenario')}, {of}")
        return tried

    return told


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"{folder}: cannot make this folder: {error.strerror or error}; choose another with --out"
        ) from error


def limits_for(rig: Rig, link_ns: int | None) -> Limits:
    """Return how long a search on this rig goes on, if its link time was asked for or not."""
    return Limits(link_ns or (HARDWARE_NS if rig.is_hardware else SIMULATED_NS))
