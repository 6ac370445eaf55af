"""How does a picture get into a file? Drawn once by matplotlib, as PNG or SVG, the same bytes every time.

matplotlib is an optional extra: what needs it raises UserError with the command that installs it. Texts are
cleaned, never read as formulas, and stay text in an SVG.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from harness.errors import UserError
from harness.escape import clean
from harness.plots.looks import palette
from harness.plots.model import Picture, Strip

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI: Final = 100
INSTALL: Final = "python -m pip install matplotlib"
SETTINGS: Final[Mapping[str, Any]] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Arial", "Helvetica", "sans-serif"],
    "svg.fonttype": "none",
    "svg.hashsalt": "propsoff",
    "axes.formatter.useoffset": False,
    "text.parse_math": False,
    "text.usetex": False,
}


def require_matplotlib() -> None:
    """Raise UserError unless pictures can be drawn here."""
    try:
        import matplotlib.backends.backend_agg
        import matplotlib.backends.backend_svg  # noqa: F401
    except ImportError as error:
        raise UserError(
            f"pictures need matplotlib, which cannot be imported ({clean(str(error))}); install it: {INSTALL}"
        ) from error


def figure(picture: Picture, *, dark: bool = False) -> Figure:
    """Return the picture as a matplotlib figure, for a notebook; it may be changed before it is saved."""
    require_matplotlib()
    with _settings():
        return _drawn(picture, dark=dark)


def png(picture: Picture, *, dark: bool = False) -> bytes:
    """Return the picture as PNG, with what it shows in words inside."""
    return _saved(picture, "png", dark=dark)


def svg(picture: Picture, *, dark: bool = False) -> bytes:
    """Return the picture as SVG, with what it shows in words inside."""
    return _saved(picture, "svg", dark=dark)


def _saved(picture: Picture, kind: str, *, dark: bool) -> bytes:
    require_matplotlib()
    words = {"Title": clean(picture.title), "Description": clean(picture.about, 2_000)}
    nobody: dict[str, Any] = {"Date": None} if kind == "svg" else {"Software": None}
    file = io.BytesIO()
    with _settings(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*Glyph .* missing from")
        drawn = _drawn(picture, dark=dark)
        drawn.savefig(file, format=kind, metadata=words | nobody, facecolor=drawn.get_facecolor())
    return file.getvalue()


@contextmanager
def _settings() -> Iterator[None]:
    """Draw by our settings alone, whatever the user's own file of settings says."""
    import matplotlib as mpl

    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        settings.update(SETTINGS)
        yield


def _drawn(picture: Picture, *, dark: bool) -> Figure:
    from harness.plots.axes import draw_plot
    from harness.plots.strips import draw_strip

    colours = palette(dark=dark)
    return draw_strip(picture, colours) if isinstance(picture, Strip) else draw_plot(picture, colours)


__all__ = ["figure", "png", "require_matplotlib", "svg"]
