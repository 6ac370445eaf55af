"""Pictures become files that others can read, the same every time, whatever words they hold."""

import io
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from hostile import HOSTILE, is_harmless
from seen import CUTS, at_index, by_key, evidence_of

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import Scenario

from harness.cli import main
from harness.plots import Picture, Plot, drawing
from harness.plots.looks import DARK, LIGHT
from harness.plots.model import Axis, Fate, Rule, Series, Span, Strip
from harness.plots.sheet import packed
from harness.plots.strips import columns_for, worst_of

SVG = "{http://www.w3.org/2000/svg}"


@cache
def seen() -> dict[str, Picture]:
    """The pictures of one run, made when they are first needed."""
    return every_picture()


def every_picture() -> dict[str, Picture]:
    scenario = Scenario(seconds=7.0, silences=CUTS, lost=at_index(60, 61))
    scenario.inject_often()
    return by_key(evidence_of(scenario))


SOME = ("sticks-1", "packets", "latency-within", "latency-beyond", "cuts-in", "cuts-in-1", "clocks-budget",
        "telemetry-3", "lines-pauses", "age-time", "latency-bins")  # fmt: skip


def named(text: str) -> tuple[Plot, Strip]:
    """A plot and a strip that hold a text wherever one can stand."""
    x = np.arange(4.0)
    series = (Series(text, x, x), Series(f"{text}2", x, x, "steps"), Series("c", x, x, "dots", keep=x > 1))
    ticks = Axis(text, text, ticks=((1.0, text), (2.0, "b")))
    plot = Plot(
        "a", text, f"{text}.", ticks, Axis(text, text), series, (Span(1, 2, text),),
        (Rule(1.5, "x", text), Rule(1, "y", text, "bad")), text,
    )  # fmt: skip
    fates = (Fate(text, "good", "circle", 0), Fate("b", "bad", "cross", 1))
    strip = Strip(
        "s", text, f"{text}.", fates, np.array([0, 1, 0], dtype=np.uint8), x[:3], ((1, text),), text
    )
    return plot, strip


@pytest.mark.parametrize("key", SOME)
def test_a_picture_is_sound_as_png_and_as_svg(key: str) -> None:
    picture = seen()[key]
    image = Image.open(io.BytesIO(drawing.png(picture)))
    image.load()
    assert image.width == 1100
    assert image.info["Description"] == picture.about
    root = ET.fromstring(drawing.svg(picture, dark=True))
    assert root.tag == f"{SVG}svg"
    assert picture.title in {"".join(node.itertext()) for node in root.iter(f"{SVG}text")}


def test_the_same_picture_gives_the_same_bytes() -> None:
    again = every_picture()
    for key in ("sticks-1", "packets"):
        assert drawing.png(seen()[key]) == drawing.png(again[key])
        assert drawing.svg(seen()[key]) == drawing.svg(again[key])


def test_no_date_and_no_program_stand_in_a_file() -> None:
    svg = drawing.svg(seen()["sticks-1"]).decode()
    assert "dc:date" not in svg
    assert set(Image.open(io.BytesIO(drawing.png(seen()["packets"]))).info) == {"Title", "Description", "dpi"}


def test_dark_pictures_are_dark_and_light_ones_light() -> None:
    for dark, look in ((False, LIGHT), (True, DARK)):
        image = Image.open(io.BytesIO(drawing.png(seen()["latency-bins"], dark=dark))).convert("RGB")
        assert "#{:02x}{:02x}{:02x}".format(*image.getpixel((2, 2))) == look.paper  # type: ignore[misc]


def test_tones_can_be_read_on_their_paper() -> None:
    """WCAG 2.2, 1.4.11: graphical objects need a contrast of 3:1; 1.4.3: text needs 4.5:1."""

    def light(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(one: str, other: str) -> float:
        high, low = sorted((light(one), light(other)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for look in (LIGHT, DARK):
        assert contrast(look.ink, look.paper) >= 7
        assert min(contrast(colour, look.paper) for colour in look.tones.values()) >= 3
        for tone in ("bad", "good", "doubt"):  # limits are labelled in these
            assert contrast(look.tones[tone], look.paper) >= 4.2


PAINTED = ("formula", "broken formula", "other scripts", "tower", "noncharacters")


@pytest.mark.parametrize(
    "name", [*HOSTILE, "formula", "broken formula", "underscore", "other scripts", "nothing"]
)
def test_hostile_words_do_no_harm(name: str) -> None:
    more = {"formula": "$x^2$", "broken formula": "$\\frac{", "underscore": "_nolegend_", "nothing": "",
            "other scripts": "\u7d30 \u0928\u092e \u0645\u0631"}  # fmt: skip
    text = more[name] if name in more else HOSTILE[name].decode("utf-8", "replace")
    for picture in named(text):
        svg = drawing.svg(picture)
        root = ET.fromstring(svg)
        words = ["".join(node.itertext()) for node in root.iter(f"{SVG}text")]
        assert all(is_harmless(word) for word in words)
        assert not list(root.iter(f"{SVG}script"))
        assert not list(root.iter(f"{SVG}a"))
        if name in PAINTED:
            assert drawing.png(picture).startswith(b"\x89PNG")
    if name == "formula":
        assert any("$x^2$" in word for word in words)


def test_a_plot_without_series_says_why() -> None:
    bare = Plot("a", "A", "Nothing was seen.", Axis(""), Axis(""), (), note="Nothing was seen.")
    assert "Nothing was seen." in drawing.svg(bare).decode()


def test_odd_plots_are_drawn() -> None:
    nan, one = np.full(3, np.nan), np.ones(1)
    for plot in (
        Plot("a", "A", "a.", Axis("x"), Axis("y"), (Series("s", np.arange(3.0), nan),)),
        Plot("a", "A", "a.", Axis("x"), Axis("y", log=True), (Series("s", one, one),)),
        Plot("a", "A", "a.", Axis("x"), Axis("y"), (Series("s", one, one, "bars"),)),
        Plot("a", "A", "a.", Axis("x"), Axis("y"), (Series("s", one, one, "band", high=one),)),
        Plot("a", "A", "a.", Axis("x"), Axis("y"), (Series("s", one[:0], one[:0]),)),
        Plot("a", "A", "a.", Axis("x", log=True), Axis("y"), (Series("s", one, one),)),
    ):
        assert Image.open(io.BytesIO(drawing.png(plot))).height > 300
    empty = Strip("s", "S", "s.", (), np.zeros(0, dtype=np.uint8), np.zeros(0))
    assert drawing.png(empty)


def test_a_figure_can_be_had_for_a_notebook() -> None:
    from matplotlib.figure import Figure

    assert isinstance(drawing.figure(seen()["latency-within"]), Figure)


def test_a_loss_among_many_packets_stays_in_sight() -> None:
    fates = (
        Fate("applied", "good", "circle", 0),
        Fate("late", "bad", "bar", 7),
        Fate("lost", "bad", "cross", 8),
    )
    fate = np.zeros(1_000_000, dtype=np.uint8)
    fate[[7, 123_456, 999_999]] = 2
    fate[500_000] = 1
    strip = Strip("s", "S", "s.", fates, fate, np.arange(1e6) / 50)
    for each in (2, 7, 90, 1_000):
        worst = worst_of(strip, each)
        assert (worst == 2).sum() == 3
        assert (worst == 1).sum() == 1
    assert "lost: 3" in drawing.svg(strip).decode()


def test_a_row_of_the_strip_is_a_round_time() -> None:
    assert columns_for(np.arange(1_000) / 50) == 125  # 2.5 s
    assert columns_for(np.arange(1_000) / 100) == 100  # 1 s
    assert columns_for(np.zeros(5)) == 100
    assert columns_for(np.zeros(0)) == 60


def test_labels_never_overlap() -> None:
    rows = packed([0, 10, 20, 300, 5], [50, 50, 50, 50, 400], 3)
    assert rows == [0, 1, 2, 0, -1]


def test_without_matplotlib_one_error_names_the_command_that_mends_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.backends.backend_agg", None)
    assert main(["plots", "any-run"]) == 2
    told = capsys.readouterr().err
    assert "python -m pip install matplotlib" in told
    assert told.count("\n") == 1


def test_settings_of_the_user_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    import matplotlib as mpl

    before = drawing.png(seen()["age-time"])
    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30, "text.parse_math": True, "savefig.dpi": 30}):
        assert drawing.png(seen()["age-time"]) == before


def test_a_picture_with_verdicts_differs_only_in_its_note() -> None:
    noted = replace(seen()["age-time"], note="Checks: age: fail.")
    assert b"age: fail" in drawing.svg(noted)
