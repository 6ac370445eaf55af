"""An invented page with every kind of block and picture on it, for the tests in this folder."""

from __future__ import annotations

import numpy as np

from harness.page.model import (
    Card,
    Commands,
    Drawn,
    Facts,
    Folded,
    Lane,
    Lanes,
    Page,
    Part,
    Points,
    Table,
    Words,
)
from harness.plots.model import Axis, Fate, Plot, Rule, Series, Span, Strip

FATES = (
    Fate("applied", "muted", "bar", 0),
    Fate("late", "doubt", "triangle", 1),
    Fate("lost in the air", "bad", "cross", 2),
)


def losses(count: int) -> np.ndarray:
    """Which of so many packets are lost: every 97th, and two next to each other at the end."""
    lost = np.arange(count) % 97 == 50
    lost[-2:] = True
    return lost


def sticks(count: int = 2_000, name: str = "sticks") -> Plot:
    """A stick and its output over time, with losses that must not vanish, a cut and a limit."""
    at_s = np.arange(count) * 0.02 + 1.5
    stick = 1500 + np.rint(500 * np.sin(at_s / 3))
    lost = losses(count)
    spike = np.where(np.arange(count) == count // 3, 2400.0, stick)
    return Plot(
        key=name,
        title="Left motor: stick and output",
        about=f"{int(lost.sum())} of {count} packets were lost.",
        x=Axis("time", "s"),
        y=Axis("pulse width", "us"),
        series=(
            Series("stick", at_s, stick, "steps", "one"),
            Series("output", at_s, spike, "line", "two"),
            Series("lost packet", at_s[lost], stick[lost], "dots", "bad", "cross",
                   keep=np.ones(int(lost.sum()), dtype=bool)),
        ),
        spans=(Span(at_s[count // 2], at_s[count // 2 + count // 20], "cut", "doubt"),),
        rules=(Rule(2000.0, "y", "full throttle", "muted"),),
    )  # fmt: skip


def latency() -> Plot:
    """A distribution with a band, bars, a log axis and percentiles."""
    at = np.linspace(0.5, 9.5, 19)
    share = 100 * np.exp(-at)
    return Plot(
        "latency", "Latency", "Half of all packets took 0.7 ms.",
        Axis("latency", "ms"), Axis("packets", "%", log=True, low=0.01),
        (Series("packets", at, share, "bars", "one"),
         Series("interval", at, share / 2, "band", "two", high=share * 2)),
        rules=(Rule(3.0, "x", "95 %: 3.0 ms"), Rule(3.1, "x", "99 %: 3.1 ms"), Rule(1.0, "y", "one percent")),
        note="Invented.",
    )  # fmt: skip


def states() -> Plot:
    """A plot with words on its axis and a gap."""
    at_s = np.arange(6.0)
    level = np.array([0, 1, 1, np.nan, 2, 0.0])
    axis = Axis("state", ticks=((0.0, "at rest"), (1.0, "linked"), (2.0, "in failsafe")))
    return Plot("states", "States", "From rest to failsafe.", Axis("time", "s"), axis,
                (Series("state", at_s, level, "steps", "three"),))  # fmt: skip


def strip(count: int = 2_000) -> Strip:
    """Packets with single losses among them."""
    fate = np.where(losses(count), 2, 0).astype(np.uint8)
    fate[7] = 1
    return Strip("packets", "Every packet", f"{int((fate == 2).sum())} lost.", FATES, fate,
                 np.arange(count) * 0.02 + 1.5, ((count // 2, "cut"),), "Invented too.")  # fmt: skip


def page(text: str = "") -> Page:
    """A page with everything on it; `text` stands in every place that takes one."""
    t = text
    table = Table(f"Levels{t}", ("level, dBm", "packets", f"came to{t}"),
                  ((-10, 100, f"whole{t}"), (-40.5, None, "lost")), f"rows{t}", (None, "bad"))  # fmt: skip
    lanes = Lanes(f"Checks{t}", (
        Lane(f"delivery{t}", "good", f"pass{t}", f"99.9 %{t}", f"at least 98 %{t}", 0.9, 0.5, 1.0),
        Lane("latency", "bad", "fail", "never", "at most 30 ms", -9.0, None, None),
        Lane("noise", "muted", "none", "", "", told=f"not judged{t}"),
    ), (f"worse{t}", "better"), note=f"note{t}")  # fmt: skip
    blocks = (
        Words(f"A strong word.{t}", strong=True), Facts(((f"rig{t}", f"mock{t}"),)), table,
        Points((f"first{t}",)), Commands((f"propsoff run first-look{t}", "propsoff judge x")), lanes,
        Folded(f"More{t}", (Words(f"folded{t}"), Drawn(states()))),
    )  # fmt: skip
    return Page(
        title=f"First look{t}", verdict=f"Fail{t}", mood="bad", lead=f"1 of 3 checks failed.{t}",
        parts=(Part("checks", f"Checks{t}", blocks),
               Part("sticks", "Sticks and outputs", (Drawn(sticks()), Drawn(sticks(name="again")))),
               Part("packets", "Packets", (Drawn(strip()), Drawn(latency())))),
        cards=(Card(f"delivery{t}", f"97 %{t}", f"96 to 98 %{t}", f"at least 99 %{t}", f"fail{t}", "bad"),),
        tested=((f"firmware{t}", f"mock 0.5.0{t}"),), untested=(f"range{t}",),
        cautions=(f"not permission{t}",),
        made=(("version", f"0.6.0{t}"), ("seed", f"7{t}")),
    )  # fmt: skip
