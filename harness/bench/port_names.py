"""Is there a better name for a port, on the system we run on? In words for messages and recordings.

macOS has two names for each adapter: `/dev/tty.NAME` waits for a carrier signal, which a board does not give,
`/dev/cu.NAME` does not (common practice, no source). Windows' `COM10` and beyond need no care: pyserial puts
the prefix before them that the system asks for.
"""

from __future__ import annotations

import sys
from typing import Final

_WAITS: Final = "/dev/tty."
_DOES_NOT: Final = "/dev/cu."


def other_name(url: str, platform: str = sys.platform) -> str:
    """Return the name under which the same port is better opened, "" if `url` is good."""
    if platform == "darwin" and url.startswith(_WAITS):
        return _DOES_NOT + url.removeprefix(_WAITS)
    return ""


def name_hint(url: str, platform: str = sys.platform) -> str:
    """Return what to say about a port's name beside whatever else went wrong, "" if it is good."""
    better = other_name(url, platform)
    return f"; on macOS use {better}: the name {url} waits for a carrier signal" if better else ""
