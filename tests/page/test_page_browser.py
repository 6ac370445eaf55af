"""The harness writes pages that a real browser draws, zooms and prints, and that harm nobody there.

One start of headless Chromium serves all tests. Without it they are skipped, and with
PROPSOFF_BROWSER=required they fail.
"""

from __future__ import annotations

import os
import re
import shutil
from itertools import pairwise

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from hostile import HOSTILE
from page_samples import FATES, losses, page, sticks, strip
from playwright.sync_api import sync_playwright

from harness.page.model import Drawn, Page, Part
from harness.page.writing import render

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
MANY = 200_000
HARM = "<img src=x onerror='window.hurt=1'><script>window.hurt=1</script>\"'><svg onload=window.hurt=1>"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
DRAWN = """() => [...document.querySelectorAll('figure.picture')]
  .filter((one) => one.checkVisibility()).every((one) => one.dataset.drawn === 'yes')"""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def browser():
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        told = f"pages were not tried in a browser: none of {', '.join(NAMES)} is installed"
        if os.environ.get("PROPSOFF_BROWSER") == "required":
            pytest.fail(told)
        pytest.skip(told)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Three pages on disk: with everything, with many packets, and with texts that try to act."""
    folder = tmp_path_factory.mktemp("pages")
    many = Part("many", "Many", (Drawn(sticks(MANY)), Drawn(strip(MANY))))
    hostile = HARM + "".join(data.decode("utf-8", "replace") for data in HOSTILE.values())
    pages = {
        "plain": page(),
        "many": Page("Many", "Pass", "good", "Many packets.", (many,)),
        "hostile": page(hostile),
    }
    for name, one in pages.items():
        (folder / f"{name}.html").write_text(render(one), encoding="utf-8")
    return folder


@pytest.fixture
def opened(browser, files):
    """Open a page from disk; whatever it says on its console, asks for or throws makes the test fail."""
    contexts, complaints = [], []

    def open_page(name="plain", width=1400, **how):
        context = browser.new_context(viewport={"width": width, "height": 900}, **how)
        contexts.append(context)
        tab = context.new_page()
        address = (files / f"{name}.html").as_uri()
        tab.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
        tab.on("pageerror", lambda error: complaints.append(str(error)))
        tab.on("dialog", lambda dialog: complaints.append(f"dialog: {dialog.message}"))
        tab.on("request", lambda asked: asked.url != address and complaints.append(f"asks for {asked.url}"))
        tab.goto(address)
        return tab

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


def all_drawn(tab):
    for figure in tab.query_selector_all("figure.picture"):
        if figure.is_visible():
            figure.scroll_into_view_if_needed()
    tab.wait_for_function(DRAWN)
    return tab


def state(tab, selector):
    return tab.eval_on_selector(selector, "figure => figure.view.state()")


# --- drawn ------------------------------------------------------------------------------------------------


def test_every_part_and_every_picture(opened):
    tab = opened()
    tab.click("summary")
    all_drawn(tab)
    assert tab.locator("main section > h2").all_inner_texts() == ["Checks", "Sticks and outputs", "Packets"]
    assert tab.locator("nav a").count() == 3
    assert tab.locator("h1").inner_text().split() == ["First", "look", "✕", "Fail"]
    assert tab.locator("figure.picture").count() == 5
    assert tab.locator("figure.picture[data-drawn=yes]").count() == 5
    tab.click("nav a:last-child")
    assert tab.url.endswith("#checks")


def test_no_picture_before_it_comes_near(opened):
    tab = opened()
    assert tab.locator("#packets-1[data-drawn=yes]").count() == 0


def test_the_part_that_was_asked_for_though_pictures_above_it_grow(opened):
    tab = opened()
    tab.set_viewport_size({"width": 1400, "height": 300})
    tab.click("nav a[href='#packets']")
    tab.wait_for_function("() => document.querySelector('#packets figure').dataset.drawn === 'yes'")
    tab.wait_for_timeout(300)
    assert 0 <= tab.evaluate("() => document.querySelector('#packets').getBoundingClientRect().top") < 60


def test_a_legend_that_names_what_is_drawn_and_hides_it(opened):
    tab = all_drawn(opened())
    shown = tab.locator("#sticks-0 .legend button")
    assert shown.all_inner_texts() == ["stick", "output", "lost packet"]
    assert "cut" in tab.locator("#sticks-0 .legend").inner_text()
    shown.nth(1).click()
    assert shown.nth(1).get_attribute("aria-pressed") == "false"
    assert [one and one["name"] for one in state(tab, "#sticks-0")["series"]] == [
        "stick",
        None,
        "lost packet",
    ]
    legend = tab.locator("#packets-0 .legend").inner_text().split("\n")
    assert legend == ["applied: 1976", "late: 1", "lost in the air: 23", "something was done here"]


def test_the_numbers_of_a_picture_as_a_table_on_demand(opened):
    tab = all_drawn(opened())
    tab.click("#packets-0 .tools >> text=Numbers")
    rows = tab.locator("#packets-0 .numbers tbody tr")
    assert rows.count() == 25
    assert rows.first.inner_text().split("\t")[::2] == ["8", "late"]
    tab.click("#sticks-0 .tools >> text=Numbers")
    assert "first 300 of" in tab.locator("#sticks-0 .numbers").inner_text()
    assert tab.locator("#sticks-0 .numbers tbody tr").count() == 300


# --- zoom -------------------------------------------------------------------------------------------------


def kept_in(span):
    """How many losses of the sticks lie within a stretch of time."""
    at_s = (np.arange(MANY) * 0.02 + 1.5)[losses(MANY)]
    return int(((at_s >= span[0] - 1e-6) & (at_s <= span[1] + 1e-6)).sum())


def test_every_loss_and_every_extreme_at_any_zoom_down_to_one_packet(opened):
    tab = all_drawn(opened("many"))
    tab.focus("#many-0 .canvas")
    seen = []
    for _ in range(40):
        now = state(tab, "#many-0")
        stick, output, lost = now["series"]
        assert lost["kept"] == kept_in(now["view"]["x"])
        if now["view"]["x"][0] < (MANY // 3) * 0.02 + 1.5 < now["view"]["x"][1]:
            assert output["most"] == 2400
        assert stick["marks"] < 12_000
        seen.append(stick["seen"])
        if stick["seen"] <= 1:
            break
        tab.keyboard.press("+")
    assert kept_in((0, 1e9)) == int(losses(MANY).sum()) > 2_000
    assert seen[-1] <= 1
    tab.keyboard.press("0")
    assert state(tab, "#many-0")["view"]["x"] == state(tab, "#many-0")["whole"]["x"]


def test_the_worst_packet_of_each_mark_and_then_every_single_one(opened):
    tab = all_drawn(opened("many"))
    now = state(tab, "#many-1")
    each = now["each"]
    assert each > 1
    fate = strip(MANY).fate
    rows = np.pad(fate, (0, -len(fate) % each)).reshape(-1, each)
    worst = rows.max(axis=1)  # ranks rise with the number of the fate
    assert [one.rank for one in FATES] == [0, 1, 2]
    assert now["counts"]["lost in the air"] == int((worst == 2).sum())
    tab.focus("#many-1 .packets")
    tab.keyboard.press("n")
    assert "packet 8 of" in tab.locator("#many-1 .readout").inner_text()
    tab.keyboard.press("n")
    assert "lost in the air" in tab.locator("#many-1 .readout").inner_text()
    for _ in range(20):
        tab.keyboard.press("+")
    now = state(tab, "#many-1")
    assert (now["each"], now["marks"]) == (1, 1)
    assert now["counts"]["lost in the air"] == 1
    tab.keyboard.press("Home")
    assert state(tab, "#many-1")["view"] == [0, MANY]


def test_a_drag_zooms_and_plots_of_time_move_together(opened):
    tab = all_drawn(opened())
    over = tab.locator("#sticks-0 .u-over")
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    left, right = box["x"] + 0.25 * box["width"], box["x"] + 0.5 * box["width"]
    tab.mouse.move(left, box["y"] + 40)
    tab.mouse.down()
    tab.mouse.move(right, box["y"] + 42, steps=4)
    tab.mouse.up()
    now, other = state(tab, "#sticks-0"), state(tab, "#sticks-1")
    low, high = now["whole"]["x"]
    assert now["view"]["x"] == pytest.approx([low + 0.25 * (high - low), low + 0.5 * (high - low)], abs=0.2)
    assert other["view"]["x"] == now["view"]["x"]
    assert now["view"]["y"] == now["whole"]["y"]
    over.dblclick()
    assert state(tab, "#sticks-1")["view"]["x"] == [low, high]


def test_buttons_zoom_move_and_fit(opened):
    tab = all_drawn(opened())
    tools = tab.locator("#sticks-0 .tools button")
    names = [one.get_attribute("aria-label") for one in tools.all()]
    assert names[:5] == ["Zoom in", "Zoom out", "Earlier", "Later", "Show all"]
    whole = state(tab, "#sticks-0")["view"]
    tools.nth(0).click()
    near = state(tab, "#sticks-0")["view"]["x"]
    assert near[1] - near[0] == pytest.approx((whole["x"][1] - whole["x"][0]) / 2)
    tools.nth(3).click()
    assert state(tab, "#sticks-0")["view"]["x"][0] > near[0]
    tools.nth(5).click()
    fitted = state(tab, "#sticks-0")["view"]["y"]
    assert fitted[1] < whole["y"][1]
    tools.nth(4).click()
    tools.nth(5).click()
    assert state(tab, "#sticks-0")["view"] == whole


def test_the_wheel_zooms_with_a_key_held_only(opened):
    tab = all_drawn(opened())
    over = tab.locator("#sticks-0 .u-over")
    over.scroll_into_view_if_needed()
    over.hover()
    whole = state(tab, "#sticks-0")["view"]["x"]
    tab.mouse.wheel(0, 3)
    assert state(tab, "#sticks-0")["view"]["x"] == whole
    over.scroll_into_view_if_needed()
    over.hover()
    over.dispatch_event("wheel", {"deltaY": -100, "ctrlKey": True, "clientX": 700})
    near = state(tab, "#sticks-0")["view"]["x"]
    assert near[1] - near[0] == pytest.approx(0.8 * (whole[1] - whole[0]))


def test_what_is_under_the_cursor_told_in_words(opened):
    tab = all_drawn(opened())
    over = tab.locator("#sticks-0 .u-over")
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    tab.mouse.move(box["x"] + 0.52 * box["width"], box["y"] + 30)
    told = tab.locator("#sticks-0 .readout").inner_text()
    assert re.fullmatch(r"time 22\.\d+ s · stick \d+ us · output \d+ us · .*cut", told), told


# --- looks ------------------------------------------------------------------------------------------------


def test_dark_and_light_as_the_system_has_it_and_by_a_button(opened):
    grounds = {}
    for scheme in ("light", "dark"):
        tab = opened(color_scheme=scheme)
        grounds[scheme] = tab.evaluate("() => getComputedStyle(document.body).backgroundColor")
        tab.click("#theme")
        grounds[f"not {scheme}"] = tab.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert grounds["light"] == grounds["not dark"] == "rgb(253, 253, 251)"
    assert grounds["dark"] == grounds["not light"] == "rgb(21, 24, 27)"


@pytest.mark.parametrize("width", [320, 360, 768, 1600])
def test_no_sideways_scrolling_at_any_width(opened, width):
    tab = opened("hostile" if width == 360 else "plain", width=width)
    tab.click("summary")
    all_drawn(tab)
    assert tab.evaluate("() => document.documentElement.scrollWidth") <= width
    assert tab.evaluate("() => document.documentElement.clientWidth") == width


def test_on_paper_everything_open_light_and_sharp(opened):
    tab = all_drawn(opened(color_scheme="dark"))
    tab.wait_for_function("() => document.documentElement.dataset.unpacked === 'all'")
    tab.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    tab.emulate_media(media="print")
    tab.set_viewport_size({"width": 688, "height": 1000})  # A4 less its margins
    assert tab.evaluate("() => document.documentElement.scrollWidth") <= 688
    assert tab.locator("canvas.paper").count() == 5
    assert min(tab.eval_on_selector_all("canvas.paper", "all => all.map((one) => one.width)")) >= 2_000
    assert tab.locator("details[open]").count() == 1
    assert (
        tab.evaluate("() => getComputedStyle(document.documentElement).getPropertyValue('--paper')")
        == "#fdfdfb"
    )
    assert not tab.locator(".tools").first.is_visible()
    assert not tab.locator("header.bar").is_visible()
    tab.evaluate("() => window.dispatchEvent(new Event('afterprint'))")
    assert tab.locator("canvas.paper, details[open]").count() == 0


def test_pages_of_a4(opened):
    tab = opened()
    tab.wait_for_function("() => document.documentElement.dataset.unpacked === 'all'")
    paper = tab.pdf(prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", paper)
    assert 2 <= len(boxes) <= 6
    assert {(round(float(wide)), round(float(high))) for wide, high in boxes} == {
        (595, 842)
    }  # ISO 216, in pt
    assert tab.locator("canvas.paper").count() == 0


# --- for everybody ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "scheme", "only"),
    [
        (1400, "light", {"type": "tag", "values": TAGS}),
        (1400, "dark", {"type": "rule", "values": ["color-contrast"]}),
        (360, "light", {"type": "tag", "values": ["wcag21aa", "wcag22aa"]}),
    ],
    ids=["light", "dark", "narrow"],
)
def test_no_fault_that_an_accessibility_checker_finds(opened, width, scheme, only):
    tab = opened(width=width, color_scheme=scheme, bypass_csp=True)
    tab.click("summary")
    all_drawn(tab)
    tab.click("#packets-0 .tools >> text=Numbers")
    found = Axe().run(tab, options={"runOnly": only, "resultTypes": ["violations"]}).response["violations"]
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]][:3]) for one in found] == []


def test_the_keyboard_reaches_everything(opened):
    tab = all_drawn(opened())
    tab.evaluate("() => { document.activeElement.blur(); window.scrollTo(0, 0); }")
    tab.keyboard.press("Tab")
    assert tab.evaluate("() => document.activeElement.className") == "skip"
    tab.keyboard.press("Enter")
    assert tab.evaluate("() => document.activeElement.id") == "content"
    reached = set()
    for _ in range(80):
        tab.keyboard.press("Tab")
        reached.add(tab.evaluate("() => document.activeElement.className || document.activeElement.tagName"))
        outline = tab.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none" or tab.evaluate("() => document.activeElement === document.body")
    assert {"canvas", "packets", "wide", "SUMMARY", "BUTTON", "PRE"} <= reached


def test_headings_in_order(opened):
    levels = opened().eval_on_selector_all(
        "h1, h2, h3, h4", "all => all.map((one) => Number(one.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_pictures_named_by_what_they_show(opened):
    tab = all_drawn(opened())
    named = tab.locator("#packets-0 canvas.packets").get_attribute("aria-label")
    assert named.startswith("Every packet. 23 lost. Keys:")
    assert tab.locator("#sticks-0 .canvas").get_attribute("role") == "img"


def test_everything_in_words_without_scripts(opened):
    tab = opened(java_script_enabled=False)
    told = tab.locator("main").inner_text()
    assert "Half of all packets took 0.7 ms." in told
    assert "Without scripts this is not drawn" in told
    assert "at least 98 %" in told
    assert not tab.locator("button:visible").count()


# --- and harmless -----------------------------------------------------------------------------------------


def test_no_word_of_a_device_acts(opened):
    tab = opened("hostile")
    tab.click("summary")
    all_drawn(tab)
    tab.click("#sticks-0 .tools >> text=Numbers")
    tab.wait_for_timeout(100)
    assert tab.evaluate("() => window.hurt") is None
    assert tab.locator("img, iframe, object, embed, form, svg script").count() == 0
    assert "<img src=x onerror=" in tab.locator("main").inner_text()
