"""Where are the simulated devices? The one place in the harness that knows of `mocks`, loaded when needed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from harness.bench.protocol import Bench

if TYPE_CHECKING:
    from harness.plan.model import Link
    from mocks.defects import Defect
    from mocks.settings import MockSettings


def mock_settings() -> type[MockSettings]:
    """Return the dataclass of the mock's settings: the keys of a rig file's `mock:` section."""
    from mocks.settings import MockSettings

    return MockSettings


def list_defects() -> list[tuple[str, str]]:
    """Return name and fault of every defect that the mock bench can have."""
    from mocks.defects import CATALOGUE

    return [(defect.name, defect.wrong) for defect in CATALOGUE]


def require_defect(name: str | None) -> None:
    """Raise UserError, with the nearest name, unless the defect exists or none is named."""
    _defect(name)


def open_mock(link: Link, settings: object, seed: int, defect: str | None, *, near_miss: bool) -> Bench:
    """Return the virtual bench for a rig's mock settings; raises UserError for an unknown defect."""
    from mocks.bench import open_virtual

    return open_virtual(link, _checked(settings), seed, _defect(defect), near_miss)


def serve(
    link: Link | None,
    settings: object,
    seed: int,
    defect: str | None,
    *,
    near_miss: bool,
    link_dir: Path | None,
) -> None:
    """Serve the mock devices on two pseudo-terminals in real time until Ctrl-C."""
    from mocks.ptys import serve as serve_ptys

    serve_ptys(link, _checked(settings), seed, _defect(defect), near_miss, link_dir=link_dir)


def _checked(settings: object) -> MockSettings:
    assert isinstance(settings, mock_settings())
    return settings


def _defect(name: str | None) -> Defect | None:
    from mocks.defects import find_defect

    return find_defect(name) if name else None
