"""The harness tells the history in lines that fit a terminal, and hides no run behind another."""

import json
import re
from dataclasses import replace

import pytest
from history_samples import DAY_S, FIRST_S, check, document, wings, write
from hostile import HOSTILE, is_harmless

from harness.errors import UserError
from harness.history.command import history
from harness.history.document import history_document
from harness.history.rows import Wanted
from harness.history.telling import render
from harness.report.document import to_json
from harness.report.table import columns
from harness.verdict import Verdict

WHOLE = """\
3 runs in RUNS: 1 unit, 1 firmware, 1 plan; newest last

unit left wing (module bought in May)
firmware transmitter dunlin-tx 1.0, receiver dunlin-rx 1.0
plan first-look
3 runs: 2 pass, 1 fail
  check           course  first   last    change  limit
  failsafe_entry  ▁▁█     480 ms  525 ms  +45     at most 500 ms
the same in every run: latency 12.2 ms; 0 for duplicates, fidelity
without a figure: pins
  2026-11-01 09:00  pass  run-0
  2026-11-02 09:00  pass  run-1
  2026-11-03 09:00  fail  run-2: failsafe_entry 525 ms

Each course runs from its lowest to its highest value. A trend is named where
    Mann-Kendall's test leaves chance less than 5 % over all figures that
    changed, 1 here. It is no verdict, and figures of other plans, rigs or seeds
    are not alike: `propsoff compare` says what two sets of runs show.
"""


def tell(root, width=80, plain=False, **wanted):
    told = replace(history(root, Wanted(**wanted), print), path="RUNS")
    return render(told, width=width, plain=plain)


def three(root):
    for number, value in enumerate([480.0, 480.4, 525.0]):
        verdict = Verdict.FAIL if value > 500 else Verdict.PASS
        results = (
            check(value=value, verdict=verdict),
            check("latency", 12.25, limit=15.0, samples=1000, sample_unit="packets"),
            check("duplicates", 0.0, unit="duplicates", limit=0.0, interval=None),
            check("fidelity", 0.0, unit="us", limit=0.0, interval=None),
            check("pins", None, Verdict.NONE, unit="", limit=None),
        )
        write(
            root / f"run-{number}", document(*results, at_s=FIRST_S + number * DAY_S, module="bought in May")
        )


def test_tells_the_whole_history(tmp_path):
    three(tmp_path)
    assert tell(tmp_path) == WHOLE


@pytest.mark.parametrize("width", [60, 72, 80, 100, 200])
def test_fits_the_width(tmp_path, width):
    three(tmp_path)
    write(tmp_path / "bad", "{")
    assert max(columns(line) for line in tell(tmp_path, width).splitlines()) <= width


def test_does_without_blocks_where_a_terminal_has_none(tmp_path):
    three(tmp_path)
    assert "__^" in tell(tmp_path, plain=True)
    assert tell(tmp_path, plain=True).isascii()


def test_puts_runs_in_the_order_of_their_start_whatever_their_names(tmp_path):
    for name, day in (("a", 2), ("b", 0), ("c", 1)):
        write(tmp_path / name, document(at_s=FIRST_S + day * DAY_S), modified_s=1000 - day)
    assert re.findall(r"pass  (\w)", tell(tmp_path)) == ["b", "c", "a"]


def test_puts_simulated_runs_in_the_order_of_their_files_and_says_so(tmp_path):
    for name, day in (("a", 2), ("b", 0), ("c", 1)):
        write(tmp_path / name, document(at_s=0), modified_s=FIRST_S + day * DAY_S)
    shown = tell(tmp_path)
    assert re.findall(r"09:00\* pass  (\w)", shown) == ["b", "c", "a"]
    assert "* a simulated run has no date: it stands where its verdict.json was written, in" in shown


def test_groups_by_unit_firmware_and_plan(tmp_path):
    for number, (unit, version, plan) in enumerate(
        [("left", "1", "a"), ("left", "2", "a"), ("right", "1", "a"), ("left", "1", "b"), ("left", "1", "a")]
    ):
        write(tmp_path / str(number), document(unit=unit, version=version, plan=plan, at_s=FIRST_S + number))
    shown = tell(tmp_path)
    assert shown.startswith("5 runs in RUNS: 2 units, 2 firmwares, 2 plans")
    assert shown.count("\nunit ") == 4
    assert "2 runs: 2 pass" in shown


def test_tells_what_cannot_be_read_or_broke_off_beside_the_rest(tmp_path):
    three(tmp_path)
    write(tmp_path / "bad", '{"verdict": "good"}')
    for name in (".x-7.partial-1", "unjudged"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "recording.pcapng").write_bytes(b"x")
    shown = tell(tmp_path, 120)
    assert "not read: bad: verdict.json is none of ours: `checks` is missing or null" in shown
    assert "broke off: .x-7.partial-1; `propsoff judge FOLDER` judges it as far as it goes" in shown
    assert "no verdict.json: unjudged; `propsoff judge FOLDER` judges the recording" in shown
    assert "3 runs: 2 pass, 1 fail" in shown


def test_says_that_a_plans_text_changed(tmp_path):
    wings(tmp_path, 2)
    file = tmp_path / "run-1/verdict.json"
    file.write_text(re.sub(r'"sha256": "\w+"', '"sha256": "00"', file.read_text()))
    assert "plan first-look, whose text changed: 2 versions" in tell(tmp_path)


def test_names_trends_in_words(tmp_path):
    wings(tmp_path, 8)
    assert "trend: failsafe_entry is rising, for the worse (tau +1.00 over 8 runs, p 5e-05)" in tell(tmp_path)


def test_shows_the_newest_and_counts_the_others(tmp_path):
    wings(tmp_path, 9)
    assert "(4 runs before)" in tell(tmp_path)
    assert re.findall(r"run-(\d)", tell(tmp_path)) == list("45678")
    assert re.findall(r"run-(\d)", tell(tmp_path, last=7)) == list("2345678")
    assert "7 runs: 7 pass" in tell(tmp_path, last=7)


@pytest.mark.parametrize(
    ("wanted", "count"),
    [
        ({"unit": "left wing"}, 1), ({"unit": "left*"}, 2), ({"unit": "*"}, 3), ({"firmware": "*1.1*"}, 1),
        ({"plan": "first-look"}, 3), ({"since_s": FIRST_S + 1}, 2), ({"unit": "left [old]"}, 1),
    ],
)  # fmt: skip
def test_shows_only_what_was_asked_for(tmp_path, wanted, count):
    given = [("left wing", "1.0"), ("left [old]", "1.1"), ("right wing", "1.0")]
    for number, (unit, version) in enumerate(given):
        write(tmp_path / str(number), document(unit=unit, version=version, at_s=FIRST_S + number))
    assert len(history(tmp_path, Wanted(**wanted), print).runs) == count


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ({"unit": "leftwing"}, "--unit 'leftwing' fits none of 2 runs; there are: left wing; write one of "
         "them, or * for anything in it; did you mean left wing?"),
        ({"plan": "x"}, "--plan 'x' fits none of 2 runs; there are: first-look"),
        ({"firmware": "\x1b[2J"}, "--firmware '\\x1b[2J' fits none"),
        ({"since_s": FIRST_S * 2}, "none of 2 runs fits everything that was asked for; the newest is of "
         "2026-11-02"),
        ({"figures": ("latencies",)}, "--figure 'latencies' is no check of these runs; there are: failsafe"),
    ],
)  # fmt: skip
def test_says_what_there_is_where_nothing_fits(tmp_path, wanted, told):
    wings(tmp_path, 2)
    with pytest.raises(UserError) as caught:
        history(tmp_path, Wanted(**wanted), print)
    assert told in str(caught.value)


def test_shows_a_figure_that_was_named_though_it_never_changed(tmp_path):
    three(tmp_path)
    shown = tell(tmp_path, figures=("lat*", "duplicates"))
    assert re.findall(r"^  (\w+) +▁▁▁", shown, re.MULTILINE) == ["latency", "duplicates"]
    assert "the same in every run" not in shown


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_shows_no_foreign_text_raw(tmp_path, text):
    foreign = text.decode("utf-8", "replace") or "x"
    odd = json.loads(to_json(document(check(name="a", value=1.0))))
    odd["plan"]["name"] = odd["rig"]["name"] = foreign
    odd["rig"]["facts"] = {"unit": foreign, "module": foreign}
    for number, value in enumerate((1.0, 2.0)):
        odd["checks"][0] |= {"name": foreign, "unit": foreign, "value": value, "verdict": "fail"}
        odd["units"]["receiver"]["version"] = foreign
        write(tmp_path / str(number), json.dumps(odd))
    write(tmp_path / "bad", json.dumps({"verdict": foreign, "checks": []}))
    told = history(tmp_path, Wanted(), print)
    assert is_harmless(render(told, width=80))
    assert is_harmless(to_json(history_document(told)))


def test_says_the_same_in_json(tmp_path):
    three(tmp_path)
    write(tmp_path / "bad", "{")
    found = json.loads(to_json(history_document(history(tmp_path, Wanted(), print))))
    (group,) = found["groups"]
    assert (group["unit"], group["plan"], group["verdicts"]) == (
        "left wing",
        "first-look",
        {"fail": 1, "pass": 2},
    )
    assert [run["ordered_by"] for run in group["runs"]] == ["start"] * 3
    entry = group["figures"][0]
    assert (entry["values"], entry["verdicts"]) == ([480.0, 480.4, 525.0], ["pass", "pass", "fail"])
    assert (entry["first"], entry["last"], entry["limit"], entry["trend"]) == (480.0, 525.0, 500.0, "")
    assert [one["folder"] for one in found["unread"]] == ["bad"]
