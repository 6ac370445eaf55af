"""How soon does a page with millions of points open? In headless Chromium, from disk; target: seen in 2 s.

    python tests/bench/page_open.py [POINTS]

Builds a page with three plots and a strip of so many points (a million unless said otherwise), tells how long
writing it took and how large it is, and opens it three times: when the first screen was painted, when all
pictures that can be seen were drawn, when all pictures were (the page is scrolled for that), and how long one
zoom to the middle takes. A page with a hundredth of the points, opened between, is the yardstick.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np
from playwright.sync_api import Browser, sync_playwright

from harness.page.model import Drawn, Page, Part, Words
from harness.page.writing import render
from harness.plots.model import Axis, Fate, Plot, Series, Strip

CHROMIUM = "/usr/bin/chromium"
PERIOD_S = 0.02
FATES = (
    Fate("applied", "good", "circle", 0),
    Fate("after retransmission", "one", "triangle", 1),
    Fate("lost", "bad", "cross", 2),
)


def page(points: int) -> str:
    """Return a page with three plots and a strip of so many packets, 1 % of them lost."""
    draw = np.random.default_rng(7)
    at_s = np.round(np.arange(points) * PERIOD_S + draw.uniform(0, 1e-4, points), 9)
    at_s.sort()
    lost = draw.random(points) < 0.01
    stick = 1500 + np.rint(500 * np.sin(at_s / 7))
    delay_ms = np.round(0.4 + draw.exponential(0.3, points), 6)
    delay_ms[lost] = np.nan
    age_ms = np.round(20 + draw.normal(0, 1, points), 3)
    time = Axis("time", "s")
    sticks = Plot(
        "sticks", "Stick and output", "Random.", time, Axis("pulse", "us"),
        (Series("stick", at_s, stick, "steps", "one"), Series("output", at_s, stick + 1, "steps", "two"),
         Series("lost", at_s[lost], stick[lost], "dots", "bad", "cross",
                keep=np.ones(int(lost.sum()), dtype=bool))),
    )  # fmt: skip
    latency = Plot("latency", "Latency", "Random.", time, Axis("latency", "ms"),
                   (Series("latency", at_s, delay_ms, "dots"),))  # fmt: skip
    age = Plot("age", "Age", "Random.", time, Axis("age", "ms"), (Series("age", at_s, age_ms),))
    fate = np.where(lost, 2, np.where(draw.random(points) < 0.05, 1, 0)).astype(np.uint8)
    strip = Strip("packets", "Every packet", "Random.", FATES, fate, at_s)
    parts = (
        Part("packets", "Packets", (Drawn(strip),)),
        Part("sticks", "Sticks", (Drawn(sticks),)),
        Part("latency", "Latency", (Drawn(latency), Drawn(age))),
        Part("words", "Words", (Words("The end."),)),
    )
    return render(Page("A million packets", "Pass", "good", "Invented.", parts))


DRAWN_IN_VIEW = """() => [...document.querySelectorAll('figure.picture')]
  .filter((one) => one.getBoundingClientRect().top < innerHeight)
  .every((one) => one.dataset.drawn === 'yes')"""
ALL_DRAWN = (
    "() => [...document.querySelectorAll('figure.picture')].every((one) => one.dataset.drawn === 'yes')"
)
ZOOM = """() => { const view = document.querySelector('figure.plot').view; const from = performance.now();
  view.zoom(0.001); const near = performance.now(); view.reset();
  return [near - from, performance.now() - near]; }"""


def opened(browser: Browser, file: Path) -> str:
    """Open a page in a fresh context and return its times in words."""
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    tab = context.new_page()
    tab.on("console", lambda message: print("console:", message.text))
    start = perf_counter()
    tab.goto(file.as_uri(), wait_until="commit")
    tab.wait_for_function("() => performance.getEntriesByName('first-contentful-paint').length")
    painted = tab.evaluate("() => performance.getEntriesByName('first-contentful-paint')[0].startTime")
    tab.wait_for_function(DRAWN_IN_VIEW)
    seen = perf_counter() - start
    for figure in tab.query_selector_all("figure.picture"):
        figure.scroll_into_view_if_needed()
    tab.wait_for_function(ALL_DRAWN)
    done = perf_counter() - start
    near, far = tab.evaluate(ZOOM)
    context.close()
    return (
        f"first screen {painted / 1000:.2f} s, all that is in sight {seen:.2f} s, all pictures {done:.2f} s, "
        f"zoom in {near:.0f} ms, out {far:.0f} ms"
    )


def main() -> None:
    """Measure, and print one line for each opening."""
    points = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        files = {}
        for count in (points, max(1, points // 100)):
            start = perf_counter()
            text = page(count)
            took = perf_counter() - start
            files[count] = Path(folder) / f"{count}.html"
            files[count].write_text(text, encoding="utf-8")
            print(f"{count} points in each of 4 pictures: written in {took:.2f} s, {len(text) / 1e6:.2f} MB")
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        opened(browser, files[min(files)])  # the browser's own first start
        for _ in range(3):
            for count, file in files.items():
                print(f"  {count}: {opened(browser, file)}")
        browser.close()


if __name__ == "__main__":
    main()
