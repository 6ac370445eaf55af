"""The harness tells a run as text: the verdict first, how to repeat it last."""

from dataclasses import replace
from pathlib import Path

import pytest
from report_samples import HEADER, HOSTILE, JUDGEMENT, OUTCOME, REPLAY, RESULTS, hostile

from harness.report.document import Outcome
from harness.report.text import details, headline, render, replay_commands
from harness.verdict import Verdict

STORED = Path(__file__).parent / "stored"


def of(*verdicts):
    """Return the sample outcome with a check for each verdict."""
    results = tuple(replace(RESULTS[0], verdict=verdict) for verdict in verdicts)
    return Outcome(replace(JUDGEMENT, results=results), HEADER, "x")


@pytest.mark.parametrize(("name", "width"), [("report-plain", None), ("report-80", 80), ("report-120", 120)])
def test_tells_the_whole_report(name, width):
    assert render(OUTCOME, replay=REPLAY, width=width) == (STORED / f"{name}.txt").read_text()


@pytest.mark.parametrize(
    ("verdicts", "line"),
    [
        (["pass", "pass"], "PASS: first-look: all 2 checks passed"),
        (["pass"], "PASS: first-look: the only check passed"),
        (["pass", "fail", "fail"], "FAIL: first-look: 2 of 3 checks failed, 1 passed"),
        (["inconclusive", "pass"], "INCONCLUSIVE: first-look: 1 of 2 checks inconclusive, 1 passed"),
        (["error", "fail"], "ERROR: first-look: 1 of 2 checks not judged because of bench trouble, 1 failed"),
        ([], "INCONCLUSIVE: first-look: nothing was judged"),
        (["none"], "INCONCLUSIVE: first-look: nothing was judged"),
        (["pass", "none"], "PASS: first-look: the only check passed, 1 not judged"),
        (["pass", "none", "pass"], "PASS: first-look: all 2 checks passed, 1 not judged"),
        (["fail", "none", "pass"], "FAIL: first-look: 1 of 2 checks failed, 1 passed, 1 not judged"),
    ],
)
def test_puts_the_verdict_first(verdicts, line):
    outcome = of(*map(Verdict, verdicts))
    assert headline(outcome) == line
    assert render(outcome).splitlines()[0] == line


def test_names_what_was_not_tested():
    results = (RESULTS[0], replace(RESULTS[0], name="pins", verdict=Verdict.NONE, reason="no witness here"))
    shown = render(Outcome(replace(JUDGEMENT, results=results), HEADER, "x"))
    assert "\npins: none: no witness here\n" in shown
    assert "\nNot tested in this run: pins.\n" in shown
    assert "Not tested in this run" not in render(OUTCOME)


def test_ends_with_how_to_repeat_the_run():
    assert render(OUTCOME, replay=REPLAY).splitlines()[-3:] == [
        "To repeat:",
        "  propsoff run first-look --rig mock --seed 7",
        "  propsoff judge propsoff-runs/first-look-7/recording.pcapng",
    ]


@pytest.mark.parametrize("width", [None, 1, 40, 80, 120, 300])
def test_fits_any_width_without_colour(width):
    lines = render(OUTCOME, width=width).splitlines()
    assert "\x1b" not in "".join(lines)
    assert max(map(len, lines)) <= max(width or 105, 40)


def test_colours_the_verdict_when_asked():
    plain, coloured = (render(OUTCOME, width=120, colour=colour) for colour in (False, True))
    assert coloured.startswith("\x1b[1;35mERROR\x1b[0m: first-look")
    assert plain.splitlines()[0] == coloured.splitlines()[0].replace("\x1b[1;35m", "").replace("\x1b[0m", "")


def test_says_for_every_check_but_a_pass_what_to_try_next():
    shown = render(OUTCOME, width=300)
    for result in RESULTS:
        assert all((advice in shown) for advice in result.advice)
        assert (f"{result.name}: {result.verdict.value}: {result.reason}" in shown) is (
            result.verdict is not Verdict.PASS
        )


@pytest.mark.parametrize("verdict", list(Verdict))
def test_never_calls_a_pass_a_permission_to_fly(verdict):
    shown = render(of(verdict), width=300)
    assert "A pass is not permission to fly." in shown
    assert "propellers off" in shown


def test_says_when_the_devices_were_simulated():
    real = Outcome(JUDGEMENT, replace(HEADER, hardware=True, wall_seconds=1_700_000_000), "x")
    assert "The devices were simulated" in render(OUTCOME)
    assert "The devices were simulated" not in render(real)
    assert "rig mock (real devices), seed 7, started 2023-11-14T22:13:20Z" in render(real)


def test_tells_how_many_more_samples_would_settle_it():
    assert "  to settle it: about 58 more sets" in details(RESULTS[4])


@pytest.mark.parametrize("width", [None, 80])
def test_lets_no_foreign_text_command_the_terminal(width):
    shown = render(hostile(), replay=replay_commands(hostile().header, HOSTILE), width=width, colour=False)
    assert all(line.isprintable() for line in shown.splitlines())
    assert "\nPASS" not in shown
    assert shown.encode("ascii")
    assert "[bold]" in shown.replace("\n", "").replace(" ", "")


class TestReplay:
    def test_quotes_for_a_shell(self):
        header = replace(HEADER, plan_name="my plan", rig_name="$(reboot).yaml")
        assert replay_commands(header, "a b/r.pcapng") == (
            "propsoff run 'my plan' --rig '$(reboot).yaml' --seed 7",
            "propsoff judge 'a b/r.pcapng'",
        )

    @pytest.mark.parametrize(
        ("fact", "words"),
        [
            ("telemetry-stale", " --defect telemetry-stale"),
            ("telemetry-stale (near miss)", " --defect telemetry-stale --near-miss"),
            ("", ""),
        ],
    )
    def test_takes_the_defect_from_the_recording(self, fact, words):
        header = replace(HEADER, facts={"defect": fact})
        assert replay_commands(header, "r")[0] == f"propsoff run first-look --rig mock --seed 7{words}"

    def test_takes_the_words_of_the_command_line(self):
        words = replay_commands(
            HEADER, "r", plan="plans/x.yaml", rig="r.yaml", defect=["late", "--near-miss"]
        )
        assert words[0] == "propsoff run plans/x.yaml --rig r.yaml --seed 7 --defect late --near-miss"

    def test_leaves_the_word_for_the_propellers_to_whoever_repeats_it(self):
        assert "--props-off" not in " ".join(replay_commands(replace(HEADER, hardware=True), "r"))
