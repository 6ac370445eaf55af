"""How is a port opened again while others must be served? In a thread, for a network may take seconds."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from harness.bench.protocol import Role
from harness.errors import BenchError

if TYPE_CHECKING:
    from serial import Serial

PATIENCE_S: Final = 0.05
"""Nobody waits longer for a port to open: devices on the other ports want their keep-alives."""


class Reopening:
    """Ports that are being opened again."""

    def __init__(self) -> None:
        self._under_way: dict[Role, Future[Serial]] = {}

    def port(self, role: Role, url: str, opens: Callable[[], Serial]) -> Serial:
        """Return the open port; BenchError if it does not open, or is still being opened."""
        if role not in self._under_way:
            pool = ThreadPoolExecutor(1, f"opening {role}")
            self._under_way[role] = pool.submit(opens)
            pool.shutdown(wait=False)
        future = self._under_way[role]
        try:
            port = future.result(PATIENCE_S)
        except TimeoutError as error:
            raise BenchError(f"{role} port {url} does not open yet", role=role.value, port=url) from error
        except BenchError:
            del self._under_way[role]
            raise
        del self._under_way[role]
        return port

    def give_up(self) -> None:
        """Close what opens from now on."""
        for future in self._under_way.values():
            future.add_done_callback(_close)
        self._under_way.clear()


def _close(future: Future[Serial]) -> None:
    with suppress(BenchError, OSError):
        future.result().close()
