"""Is this bench cleared to move? Cautions first, then a word that the propellers are off, then the cap.

`--props-off` is that word. At a terminal it may be typed instead, after the cautions were read; anything else
leaves every port closed.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Final

from harness import keys
from harness.errors import UserError
from harness.plan.units import format_share
from harness.running import CAUTIONS, Request, require_props_off

WORDS: Final = "props off"
MOST_TYPED: Final = 200


def capped(request: Request, share: Fraction | None) -> Request:
    """Return the request with the throttle's cap lowered to `share` of its travel; None leaves it.

    Raises UserError for more than the plan allows: its author knows the model.
    """
    if share is None:
        return request
    safety = request.plan.safety
    if share > safety.throttle_up_to:
        allowed = format_share(safety.throttle_up_to)
        raise UserError(
            f"--throttle-up-to {format_share(share)} is more than {request.file} allows; "
            f"give at most {allowed}, or raise safety.throttle_up_to in the plan"
        )
    plan = replace(request.plan, safety=replace(safety, throttle_up_to=share))
    return replace(request, plan=plan, throttle_up_to=share)


def can_ask() -> bool:
    """Return whether somebody sits at a terminal, who reads the cautions and can type."""
    return keys.can_read() and sys.stderr is not None and sys.stderr.isatty()


def require_clearable(request: Request) -> None:
    """Raise UserError if the request is neither cleared nor can be by somebody at the terminal."""
    if not can_ask():
        require_props_off(request)
    if not request.hold_to_run:
        return
    if not request.rig.is_hardware:
        raise UserError(
            f"--hold-to-run is for real ports, and the rig {request.rig.name} is simulated: leave it out"
        )
    if not keys.can_read():
        raise UserError(
            "--hold-to-run needs a terminal at which somebody holds the space bar, and there is none; "
            "run it in front of a terminal, or leave --hold-to-run out"
        )


def cleared(requests: Sequence[Request]) -> list[Request]:
    """Print the cautions if one of the requests drives real ports, and have those cleared that are not yet.

    Raises UserError unless exactly the words are typed. Nothing is open before this returns.
    """
    hardware = [request for request in requests if request.rig.is_hardware]
    if not hardware:
        return list(requests)
    print(CAUTIONS, file=sys.stderr)
    if not all(request.props_off for request in hardware):
        _ask(hardware[0])
    return [replace(request, props_off=True) for request in requests]


def _ask(request: Request) -> None:
    if not can_ask():
        require_props_off(request)
    _forget_typed()
    print(f"If that is done, type {WORDS} and press Enter: ", end="", file=sys.stderr, flush=True)
    try:
        typed = sys.stdin.readline(MOST_TYPED)
    except (KeyboardInterrupt, UnicodeDecodeError):
        typed = ""
    if not typed.endswith("\n"):
        print(file=sys.stderr)
    if typed != f"{WORDS}\n":
        raise UserError(
            f"the words were not typed, so nothing was opened; type exactly: {WORDS}, or give --props-off"
        )


def _forget_typed() -> None:
    """Throw away what was typed before the cautions could be read."""
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            msvcrt.getch()
        return
    import termios

    termios.tcflush(0, termios.TCIFLUSH)
