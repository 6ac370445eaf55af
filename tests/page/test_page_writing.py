"""The harness writes pages that stand alone, quote every text and are the same bytes every time."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
import zlib
from html.parser import HTMLParser
from pathlib import Path

import html5lib
import numpy as np
import pytest
from hostile import HOSTILE, is_harmless
from hypothesis import given
from hypothesis import strategies as st
from page_samples import latency, page, states, sticks, strip

from harness.page.model import Drawn, Part
from harness.page.packing import EXACT, pack_places, pack_values, pack_whole
from harness.page.picturing import picture_json
from harness.page.quoting import Html, joined, quoted, tag
from harness.page.writing import ASSETS, LIBRARY, render
from harness.plots.model import Axis, Plot, Rule, Series, Span

TEXTS = [
    *(data.decode("utf-8", "replace") for data in HOSTILE.values()),
    "</script><script>alert(1)</script>",
]
every = pytest.mark.parametrize("text", TEXTS, ids=[*HOSTILE, "end of a script"])


def unpacked(packed: dict) -> np.ndarray:
    """What the page's script makes of a packed array, done again here."""
    wire = np.frombuffer(
        zlib.decompress(base64.b64decode(packed["data"])), dtype="<" + packed["type"].lstrip("<")
    )
    if packed["type"] == "u1":
        return wire
    values = wire.astype(np.float64)
    gaps = (wire == np.iinfo(wire.dtype).min) & packed.get("gaps", False) if wire.dtype.kind == "i" else None
    if packed.get("delta"):
        values = np.cumsum(values) + packed["first"]
    values = values / 10.0 ** packed.get("places", 0)
    if gaps is not None:
        values[gaps] = np.nan
    return values


class Elements(HTMLParser):
    """Every element with its attributes, in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.found.append((tag, dict(attrs)))


def test_well_formed_html_by_a_parser_of_the_standard():
    html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(
        render(page())
    )  # HTML Living Standard


def test_the_same_bytes_every_time():
    assert render(page()) == render(page())


def test_nothing_that_points_outside_of_the_file():
    text = render(page())
    ours = text.replace((ASSETS / LIBRARY).read_text("utf-8"), "")
    assert "://" not in ours
    addresses = [
        value
        for _, attributes in Elements(text).found
        for name, value in attributes.items()
        if name in ("src", "href", "action", "srcset", "data", "poster", "formaction")
    ]
    assert addresses
    assert all(str(address).startswith("#") for address in addresses)


def test_a_policy_that_allows_its_own_script_and_style_and_nothing_else():
    text = render(page())
    policy = next(
        attributes["content"]
        for name, attributes in Elements(text).found
        if name == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules.pop("default-src") == "'none'"
    script, style = (re.search(f"<{name}>(.*?)</{name}>", text, re.DOTALL)[1] for name in ("script", "style"))
    for name, content in (("script-src", script), ("style-src", style)):
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules.pop(name) == f"'sha256-{digest}'"
    assert rules == {"base-uri": "'none'", "form-action": "'none'"}


def test_no_attribute_that_the_policy_would_forbid():
    for _, attributes in Elements(render(page())).found:
        assert not [name for name in attributes if name == "style" or name.startswith("on")]


def test_its_own_version_and_seed_in_its_source():
    metas = {a.get("name"): a.get("content") for name, a in Elements(render(page())).found if name == "meta"}
    assert metas["propsoff-version"] == "0.6.0"
    assert metas["propsoff-seed"] == "7"


@every
def test_hostile_text_in_every_place_as_text_only(text):
    plain, told = render(page()), render(page(text))
    assert [name for name, _ in Elements(told).found] == [name for name, _ in Elements(plain).found]
    names = [sorted(attributes) for _, attributes in Elements(told).found]
    assert names == [sorted(attributes) for _, attributes in Elements(plain).found]
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(told)
    words = [
        word for one in tree.iter() if one.tag not in ("script", "style") for word in (one.text, one.tail)
    ]
    words += [value for one in tree.iter() for value in one.attrib.values()]
    assert all(
        is_harmless(word.replace("\n", "").replace("\xa0", " ")) for word in words if isinstance(word, str)
    )


@every
def test_hostile_text_in_a_picture_as_text_only(text):
    t = text
    given_ = Plot(
        t, t, t, Axis(t, t, ticks=((0.0, t),)), Axis(t, t),
        (Series(t, np.arange(3.0), np.arange(3.0)),), (Span(0, 1, t),), (Rule(1, "x", t),), t,
    )  # fmt: skip
    for picture in (given_, dataclasses.replace(strip(60), title=t, breaks=((3, t),))):
        written = picture_json(picture)
        assert not set("<>&") & set(written)
        told = json.loads(written)
        assert is_harmless(json.dumps(told, ensure_ascii=False))


def test_every_child_that_nobody_called_html_quoted():
    assert tag("p", "<b>", Html("<i></i>"), title='"&') == '<p title="&quot;&amp;">&lt;b&gt;<i></i></p>'
    assert joined("<", Html("<")) == "&lt;<"
    assert quoted("a\x1b[2J") == "a\\x1b[2J"
    assert tag("td", "x", class_=None, hidden=True, open=False) == "<td hidden>x</td>"


NUMBERS = st.lists(st.floats(-1e9, 1e9) | st.just(float("nan")), max_size=60)


@given(NUMBERS)
def test_values_to_seven_digits_and_gaps_as_gaps(numbers):
    values = np.array(numbers, dtype=np.float64)
    back = unpacked(pack_values(values))
    assert np.isnan(back).tolist() == np.isnan(values).tolist()
    noise = 2 * EXACT * np.nanmax(np.abs(values), initial=0.0)
    assert np.allclose(back, values, rtol=1e-7, atol=noise, equal_nan=True)


@given(st.lists(st.integers(0, 10**12), min_size=3, max_size=60, unique=True))
def test_places_to_a_thousandth_of_their_distance_and_in_order(places_ns):
    x = np.sort(np.array(places_ns, dtype=np.float64) / 1e9)
    back = unpacked(pack_places(x))
    distance = float(np.median(np.diff(x)))
    assert np.abs(back - x).max() <= 1e-3 * distance + 1e-12 * float(x.max())
    assert (np.diff(back) >= 0).all()


@pytest.mark.parametrize(
    "values",
    [
        [],
        [0.0],
        [float("inf"), 1.0],
        [float("nan")],
        [1e300, -1e300],
        [1e-300],
        [0.1] * 9,
        [-128.0, 127.0, float("nan")],
    ],
)
def test_odd_values_as_they_are(values):
    back = unpacked(pack_values(np.array(values)))
    wanted = np.array(values, dtype=np.float64)
    with np.errstate(over="ignore"):
        exact = wanted.astype(np.float32).astype(np.float64)
    assert np.array_equal(back, wanted, equal_nan=True) or np.array_equal(back, exact, equal_nan=True)


def test_a_packet_a_period_in_a_few_bytes():
    x = np.arange(100_000) * 0.02
    assert len(pack_places(x)["data"]) < 1_000
    assert len(pack_whole(np.zeros(100_000, dtype=np.uint8))["data"]) < 1_000


def test_each_array_once():
    spec = json.loads(picture_json(sticks()))
    assert [one["x"] for one in spec["series"]][:2] == [0, 0]
    assert len(spec["arrays"]) == 6


def test_all_numbers_of_a_picture_again_from_its_json():
    for picture in (sticks(), latency(), states()):
        spec = json.loads(picture_json(picture))
        for told, series in zip(spec["series"], picture.series, strict=True):
            assert np.allclose(unpacked(spec["arrays"][told["x"]]), series.x, rtol=1e-9)
            assert np.allclose(unpacked(spec["arrays"][told["y"]]), series.y, rtol=1e-7, equal_nan=True)


def test_no_drawing_where_there_is_nothing_to_draw():
    bare = dataclasses.replace(sticks(), series=(), about="Nothing was seen.", note="No packet was sent.")
    text = render(dataclasses.replace(page(), parts=(Part("sticks", "Sticks", (Drawn(bare),)),)))
    assert "Nothing was seen." in text
    assert "No packet was sent." in text
    assert '<figure id="sticks-0" class="nothing">' in text


def test_numbers_without_end_left_out_of_spans_and_lines():
    endless = float("inf")
    plot = dataclasses.replace(
        sticks(),
        spans=(Span(0, endless, "cut"),),
        rules=(Rule(float("nan"), "x", "no"),),
        y=Axis("y", low=endless),
    )
    spec = json.loads(picture_json(plot))
    assert (spec["spans"], spec["rules"], spec["y"]["low"]) == ([], [], None)


def test_the_library_unchanged_and_with_its_licence():
    lines = (ASSETS / "VENDORED.txt").read_text("utf-8").splitlines()
    assert "uPlot 1.6.32" in lines[0]
    for digest, name in map(str.split, lines[1:]):
        assert hashlib.sha256((ASSETS / name).read_bytes()).hexdigest() == digest, name
    assert LIBRARY in lines[1]
    assert "MIT" in (ASSETS / "uPlot.LICENSE").read_text("utf-8")


# --- colours: contrast by WCAG 2.2, success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (marks, 3:1) ---------


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def themes() -> list[dict[str, str]]:
    style = (ASSETS / "page.css").read_text("utf-8")
    blocks = re.findall(r"\{([^{}]*--paper:[^{}]*)\}", style)
    return [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)) for block in blocks]


def test_black_on_white_has_the_contrast_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(
        4.48, abs=0.01
    )  # WCAG techniques G18: just too little


def test_enough_contrast_in_both_themes():
    light, dark, again = themes()
    assert dark == again
    assert light.keys() == dark.keys()
    for theme in (light, dark):
        for name in theme.keys() - {"paper", "sheet", "edge", "grid", "focus"}:
            for ground in ("paper", "sheet"):
                assert contrast(theme[name], theme[ground]) >= 4.5, (name, ground)
        assert contrast(theme["focus"], theme["paper"]) >= 3


def test_its_files_short_enough_to_read():
    for file in Path(ASSETS).iterdir():
        if file.name != LIBRARY:
            assert file.read_text("utf-8").count("\n") < 600, file.name
