"""How did a run end, and how are its last calls made? Whatever stands in the way of one, the next is made."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from harness.errors import BenchError, StorageError

TRIES: Final = 3
"""So often is a last call made again that somebody interrupted."""


@dataclass(frozen=True, slots=True)
class End:
    """How a run ended: `why` is complete, interrupted, wait missed, port gone, PC asleep, error, or other."""

    why: str = "complete"
    detail: str = ""
    step: str = ""
    role: str = ""
    port: str = ""


def call_anyway(call: Callable[[], object], troubles: list[StorageError]) -> None:
    """Make a last call whatever stands in its way; what could not be stored is told later."""
    for _ in range(TRIES):
        try:
            call()
        except StorageError as error:  # what was to be sent has been sent; it is only not recorded
            troubles.append(error)
        except BenchError:
            pass
        except KeyboardInterrupt:  # it may not have gone out
            continue
        return


@contextlib.contextmanager
def no_collector() -> Iterator[None]:
    """Keep the cyclic collector from stalling the run; it can take 20 ms and more (measured)."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
