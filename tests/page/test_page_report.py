"""The harness writes a page of each run that leaves nothing out, and says what the run did not show."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from hostile import HOSTILE
from page_samples import latency, sticks, strip
from test_cli import TINY

from harness.cli import main
from harness.errors import UserError
from harness.findings import Figure, Grid, Section
from harness.likely import Likely
from harness.page.model import Lanes
from harness.page.placing import BEYOND, cards, lanes, place
from harness.page.report import NO_PICTURES, PARTS, page_of, write_page
from harness.page.writing import render
from harness.recording.model import Header
from harness.report.document import Outcome
from harness.verdict import CheckResult, Judgement, Verdict

HEADER = Header(
    plan_name="first-look", plan_text="propsoff: 1\n", rig_name="mock", rig_text="", seed=7,
    versions=(("propsoff", "0.5.0"),), clock="virtual", wall_seconds=0, hardware=False, baud={},
    facts={"unit": "module 3", "defect": "failsafe-late"},
)  # fmt: skip
DELIVERY = CheckResult(
    "delivery", "delivery", Verdict.PASS, "enough", 99.5, "%", (99.0, 99.9), 0.95, 0.0, 98.0, "at least",
    2000, "packets", None, {"lost": 10},
)  # fmt: skip
LATE = CheckResult(
    "worst latency", "latency", Verdict.FAIL, "too slow", float("inf"), "ms", None, None, None, 30.0,
    "at most", 2000, "packets", examples=("packet 7 at 1.2 s",), advice=("look for delays",),
)  # fmt: skip
ENTRY = replace(LATE, name="entry", kind="failsafe_entry", verdict=Verdict.PASS, value=480.0, limit=500.0)
DOUBT = replace(DELIVERY, name="gap", kind="control_gap", verdict=Verdict.INCONCLUSIVE, needed=300)
PINS = CheckResult("pins", "pins", Verdict.NONE, "no witness on this bench")
EXACT = CheckResult("order", "order", Verdict.PASS, "none", 0.0, "packets", limit=0.0, side="at most")
SECTIONS = (
    Section("latency", "Latency", (Figure("p95", 1.5, "ms", (1, 2), 0.95, "RFC 2679"),), (), ("A note.",)),
    Section("proof", "Failsafe: what was shown", grids=(
        Grid("What was not shown", ("what", "why"),
             (("cuts by a fade", "no step"), ("cuts at power", "no step"))),
    )),
    Section("margin", "Link margin", (Figure("margin", 12.0, "dB"),)),
)  # fmt: skip
CAUSE = Likely("blocking", "A loop stops every 97 packets", ("delivery",), 0.9, ("Lost ones are 97 apart.",),
               ("Two are not.",), "Take the display out.")  # fmt: skip


def outcome(*results: CheckResult, **how: object) -> Outcome:
    judgement = Judgement(
        results, 44.1, 2002, 1990, {"receiver": "mock 0.5"}, ("cut short",), SECTIONS, (CAUSE,)
    )
    return Outcome(replace(judgement, **how), HEADER, "First look")  # type: ignore[arg-type]


WHOLE = outcome(DELIVERY, LATE, ENTRY, DOUBT, PINS, EXACT)
DRAWN = {"sticks": (sticks(),), "packets": (strip(),), "latency": (latency(),), "odd": (latency(),)}


def words(text: str) -> str:
    """All text of a page in one line, without scripts and styles."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", "", text, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", bare)).split())


def test_the_answer_first_then_what_was_tested_and_what_was_not():
    told = words(render(page_of(WHOLE, DRAWN)))
    places = [
        told.index(word)
        for word in (
            "Fail", "1 of 5 checks failed", "Look at: worst latency", "Tested", "mock (simulated devices)",
            "module 3", "mock 0.5", "failsafe-late", "none: simulated time", "cut short", "Not tested",
            "pins: no witness on this bench", "cuts by a fade, cuts at power: no step", "loss of range",
            "devices were simulated", "not permission to fly", "Each check against its limit",
        )
    ]  # fmt: skip
    assert places == sorted(places)


def test_nothing_that_was_measured_left_out():
    told = words(render(page_of(WHOLE, DRAWN, ("propsoff run first-look --seed 7",))))
    for word in (
        "99.00 to 99.90 %", "at least 98 %", "packet 7 at 1.2 s", "look for delays", "about 300 more packets",
        "lost 10", "p95", "1 to 2 (95 %)", "RFC 2679", "A note.", "margin 12 dB",
        "A loop stops every 97 packets", "Lost ones are 97 apart.", "Two are not.", "Take the display out.",
        "propsoff run first-look --seed 7", "recording.pcapng", "holds with 95 % confidence",
    ):  # fmt: skip
        assert word in told, word


def test_every_part_in_its_place_and_in_the_menu():
    text = render(page_of(WHOLE, DRAWN))
    ids = re.findall(r'<section id="(\w+)"', text)
    assert ids == ["checks", "causes", "sticks", "packets", "latency", "cuts", "limits", "odd", "repeat"]
    assert re.findall(r'<a href="#(\w+)">', text.split("</nav>")[0]) == ids


def test_figures_folded_under_pictures_and_open_without_them():
    assert "<summary>All figures: Latency</summary>" in render(page_of(WHOLE, DRAWN))
    assert "All figures" not in render(page_of(WHOLE, {}))


def test_a_section_that_has_no_part_of_its_own_all_the_same():
    placed = {key for _, _, keys in PARTS for key in keys}
    lost = replace(SECTIONS[0], key="lines")
    assert "lines" in placed
    assert "RFC 2679" in render(page_of(outcome(DELIVERY, sections=(lost,)), {}))


def test_that_a_soak_has_no_pictures_and_why():
    soak = (Section("soak", "Hours", (Figure("rounds", 8),)),)
    assert NO_PICTURES in words(render(page_of(outcome(DELIVERY, sections=soak), {})))


def test_a_run_without_anything_judged():
    told = words(render(page_of(outcome(sections=(), causes=()), {})))
    assert "Inconclusive" in told
    assert "Nothing was judged." in told


@pytest.mark.parametrize("text", HOSTILE.values(), ids=list(HOSTILE))
def test_hostile_words_of_a_device_as_text_only(text):
    t = text.decode("utf-8", "replace")
    cause = replace(CAUSE, title=t, speaks_for=(t,), next_step=t)
    result = replace(LATE, name=t, reason=t, unit=t, sample_unit=t, examples=(t,), advice=(t,), counts={t: 1})
    sections = tuple(replace(one, title=t, notes=(t,)) for one in SECTIONS)
    hostile = outcome(result, devices={"receiver": t}, notes=(t,), sections=sections, causes=(cause,))
    page = render(
        page_of(replace(hostile, title=t, header=replace(HEADER, facts={t: t}, rig_name=t)), {}, (t,))
    )
    plain = render(page_of(outcome(LATE, sections=SECTIONS), {}, ("x",)))
    assert "<script>alert" not in page
    assert page.count("<script") == plain.count("<script") == 1
    assert "\x1b" not in page
    assert "\u202e" not in page


# --- where a figure stands ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "limit", "side", "stands"),
    [
        (98.0, "%", 98.0, "at least", 0.0),
        (100.0, "%", 98.0, "at least", 1.0),
        (96.0, "%", 98.0, "at least", -1.0),
        (0.0, "ms", 500.0, "at most", 1.0),
        (500.0, "ms", 500.0, "at most", 0.0),
        (375.0, "ms", 500.0, "at most", 0.5),  # a quarter of the way, drawn as its square root
        (1000.0, "ms", 500.0, "at most", -1.0),
        (float("inf"), "ms", 500.0, "at most", -BEYOND),
        (100.0, "Hz", 50.0, "at least", 1.0),
        (0.0, "packets", 0.0, "at most", 0.0),
        (1.0, "packets", 0.0, "at most", -BEYOND),
        (float("nan"), "ms", 500.0, "at most", None),
        (None, "ms", 500.0, "at most", None),
        (1.0, "ms", None, "", None),
        (-20.0, "dB", -10.0, "at least", -1.0),
    ],
)  # fmt: skip
def test_a_limit_in_the_middle_and_good_to_the_right(value, unit, limit, side, stands):
    result = CheckResult("x", "x", Verdict.PASS, "", value, unit, limit=limit, side=side)
    found = place(result, value)
    assert found is None if stands is None else found == pytest.approx(stands)


def test_an_interval_on_the_side_of_the_verdict():
    drawn = {lane.name: lane for lane in lanes(WHOLE.judgement.results).lanes}
    delivery = drawn["delivery"]
    assert 0 < delivery.low < delivery.at < delivery.high < 1
    assert drawn["worst latency"].at == -BEYOND
    assert drawn["order"].told == "none, as wanted"
    assert (drawn["pins"].told, drawn["pins"].at) == ("no figure", None)
    assert isinstance(lanes(()), Lanes)


def test_the_three_figures_that_matter():
    assert [card.name for card in cards(WHOLE.judgement.results)] == ["delivery", "worst latency", "entry"]
    assert [card.name for card in cards((EXACT, DELIVERY, DOUBT))] == ["delivery", "gap", "order"]
    assert cards((PINS,)) == ()


# --- from the command line ----------------------------------------------------------------------------------


def test_a_page_in_each_run_folder_the_same_bytes_for_the_same_seed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tiny.yaml").write_text(TINY)
    for out in ("one", "two"):
        main(["run", "tiny.yaml", "--seed", "7", "--out", out])
    one, two = ((tmp_path / out / "report.html").read_text("utf-8") for out in ("one", "two"))
    assert one.replace("judge one/recording", "judge two/recording") == two
    code = main(["judge", "one", "--page", "again.html"])
    assert code in (0, 1, 5)
    capsys.readouterr()
    again = (tmp_path / "again.html").read_text("utf-8")
    assert again.replace("propsoff run tiny ", "propsoff run tiny.yaml ") == one
    assert main(["judge", "one", "--page", "again.html"]) == code
    assert main(["judge", "one", "--page", "tiny.yaml"]) == 2
    assert (tmp_path / "tiny.yaml").read_text() == TINY
    assert "is no page" in capsys.readouterr().err
    assert main(["judge", "one", "two", "--page", "both.html"]) == 2
    assert main(["judge", "one", "--page", "not-there/again.html"]) == 2


def test_no_page_over_anything_else(tmp_path):
    file = tmp_path / "recording.pcapng"
    file.write_bytes(b"\x0a\x0d\x0d\x0a")
    with pytest.raises(UserError, match="is no page"):
        write_page(WHOLE, None, file, file)
    assert file.read_bytes() == b"\x0a\x0d\x0d\x0a"
