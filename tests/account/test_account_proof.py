"""The proof of failsafe tells what was shown, over how many cuts, with which confidence, and what was not."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import LINK, RUN_NS, RX, TX, Meddling, ReplyTo, Reset, Scenario, Silence, plan_for

from harness.account import account_for
from harness.account.proof import account
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.plan import model as p
from harness.report.sections import render_sections

HEADS = ("way", "about", "lasting", "cuts", "in time", "latest", "share", "outputs", "back")


def step(action, name="cut", path="steps[0]"):
    return p.PlanStep(action=action, name=name, path=path)


CUT = step(p.Cut(duration_ns=700 * MS))


def silences(count, for_ms=700):
    return [Silence(RUN_NS + 200 * MS + place * 1200 * MS, for_ms * MS) for place in range(count)]


ENTRY = (p.FailsafeEntry(),)


def section(*, steps=(CUT,), rules=ENTRY, marks=(), **fields):
    fields.setdefault("silences", silences(3))
    fields.setdefault("seconds", 0.6 + 1.2 * len(fields["silences"]))
    scenario = Scenario(plan=plan_for(*rules, steps=steps), **fields)
    for at_ns, kind, words in marks:
        scenario.mark(at_ns, kind, **words)
    return account(gather(scenario.plan, scenario.recording()))


def grid(found, title):
    return next(one for one in found.grids if one.title == title)


def shown(found):
    return [dict(zip(HEADS, row, strict=True)) for row in grid(found, "What was shown").rows]


def unshown(found):
    return dict(grid(found, "What was not shown").rows)


def test_a_run_without_cuts_has_no_proof():
    assert section(silences=(), seconds=2.0) is None


@pytest.mark.parametrize(("count", "share"), [(3, 36.8), (12, 77.9), (59, 95.0)])
def test_cuts_without_fault_show_the_share_of_the_success_run(count, share):
    """0.05^(1/n): 36.8 % of 3, 77.9 % of 12, 95.05 % of 59 (success-run theorem, recomputed)."""
    (row,) = shown(section(silences=silences(count)))
    assert (
        row["share"] == pytest.approx(100 * 0.05 ** (1 / count), abs=0.06) == pytest.approx(share, abs=0.06)
    )
    assert (row["way"], row["cuts"], row["in time"]) == ("by silence", count, f"{count} of {count}")
    assert row["latest"] == pytest.approx(400, abs=0.1)
    assert (row["outputs"], row["back"]) == (f"{count} of {count}", f"{count} of {count}")


def test_a_late_cut_lowers_what_is_shown_to_its_exact_limit():
    """One of three wrong: lower limit at 95 % is 13.5 % (Clopper-Pearson; scipy beta.ppf(.05, 2, 2))."""
    (row,) = shown(section(failsafe_ns=lambda place: (400, 620)[place == 1] * MS))
    assert (row["in time"], row["share"]) == ("2 of 3", 13.5)
    (never,) = shown(section(failsafe_ns=lambda place: None))
    assert (never["in time"], never["latest"], never["outputs"]) == ("0 of 3", "never", "not seen")


def test_every_way_has_a_row_of_its_own():
    ways = [Meddling(RUN_NS + (4000 + 1200 * n) * MS, 700 * MS, kind=n) for n in (1, 2, 3)]
    found = section(disturbs=ways, deafs=[Meddling(RUN_NS + 9 * S, 700 * MS)], seconds=11.0)
    assert [row["way"] for row in shown(found)] == [
        "by silence", "by corrupted packets", "by another transmitter's packets",
        "by repeats of the last packet", "with acknowledgements alive",
    ]  # fmt: skip
    assert [row["cuts"] for row in shown(found)] == [3, 1, 1, 1, 1]
    assert "cuts by corrupted packets" not in unshown(found)
    assert unshown(found)["cuts by a fade"] == "no step of the plan does it"


BURST = p.Cut(duration_ns=700 * MS, burst=8)
ENDS = p.Cut(duration_ns=700 * MS, sticks="ends")
HIGH = p.Cut(duration_ns=700 * MS, sticks="high")


def stands(*sticks, **fields):
    return {"sticks": lambda place: sticks, **fields}


@pytest.mark.parametrize(
    ("action", "fields", "about"),
    [(BURST, {"in_burst": lambda packet: True}, "a burst under way"),
     (ENDS, stands(1000, 2000, 1000, 2000), "sticks at their ends"),
     (ENDS, stands(1400, 2000, 1000, 2000), "sticks at ends, throttle held to a part"),
     (ENDS, stands(1000, 2000, 1000, 1950), ""),
     (HIGH, stands(2000, 2000, 2000, 2000), "full throttle, every stick high"),
     (HIGH, stands(1400, 2000, 2000, 2000), "sticks high, throttle held to a part"),
     (HIGH, stands(2000, 2000, 1000, 2000), ""),
     (p.Cut(duration_ns=700 * MS, packet_rate_mhz=25_000), {}, "at 25 Hz")],
    ids=["burst", "ends", "ends in part", "no ends", "high", "high in part", "reversed low", "rate"],
)  # fmt: skip
def test_circumstances_are_told_as_they_were_seen(action, fields, about):
    assert [row["about"] for row in shown(section(steps=[step(action)], **fields))] == [about]


@pytest.mark.parametrize(
    ("action", "what"),
    [(BURST, "a cut with a burst under way"), (ENDS, "a cut with the sticks at their ends"),
     (HIGH, "a cut at full throttle")],
    ids=["burst", "ends", "high"],
)  # fmt: skip
def test_circumstances_that_were_planned_and_not_seen_are_not_shown(action, what):
    found = section(steps=[step(action)], **stands(1400, 1500, 1500, 1500))
    assert [row["about"] for row in shown(found)] == [""]
    assert unshown(found)[what] == "planned, but no cut that can be judged was so"


@pytest.mark.parametrize("way", ["silences", "deafs"])
@pytest.mark.parametrize(("before_ms", "seen"), [(19, True), (60, False)])
def test_a_burst_counts_only_just_before_the_cut(way, before_ms, seen):
    one = Meddling(RUN_NS + 405 * MS, 700 * MS)
    fields = {"silences": (), "seconds": 3.0, way: [one]}
    span = one.start_ns - (before_ms + 20) * MS, one.start_ns - (before_ms - 19) * MS
    found = section(steps=[step(BURST)], in_burst=lambda packet: span[0] <= packet.at_ns < span[1], **fields)
    assert [row["about"] for row in shown(found)] == ["a burst under way" if seen else ""]


def test_a_cut_right_after_a_start_is_told():
    first = [Reset(RX, RUN_NS - 400 * MS, down_ns=300 * MS)]
    assert [row["about"] for row in shown(section(resets=first))][:1] == ["right after the receiver's start"]
    second = [Reset(TX, RUN_NS - 400 * MS, down_ns=300 * MS)]
    rows = shown(section(resets=second))
    assert [row["about"] for row in rows][:1] == ["right after the transmitter's start"]


@pytest.mark.parametrize("role", [RX, TX])
def test_a_cut_across_the_wrap_of_a_clock_is_told_and_timed(role):
    """The device starts 4 s before its clock of 32-bit us wraps: at 3.8 s, in the last of three cuts."""
    near = [Reset(role, RUN_NS - 700 * MS, down_ns=300 * MS, clock_us=2**32 - 3_500_000, packet=0)]
    rows = shown(section(resets=near))
    assert [row["about"] for row in rows if "wraps" in row["about"]] == ["a device's clock wraps in it"]
    assert all(row["latest"] == pytest.approx(400, abs=0.1) for row in rows)
    assert sum(row["cuts"] for row in rows) == 3


def test_a_cut_near_the_wrap_of_packet_numbers_is_told():
    near = [Reset(TX, RUN_NS - 700 * MS, down_ns=300 * MS, packet=65_500)]
    rows = shown(section(resets=near))
    assert any("packet numbers wrap near it" in row["about"] for row in rows)
    assert all(row["in time"].split(" of ")[0] == str(row["cuts"]) for row in rows)


def test_flickers_and_mute_times_must_not_lead_to_failsafe():
    found = section(
        silences=[*silences(3), Silence(RUN_NS + 4 * S, 60 * MS), Silence(RUN_NS + 4500 * MS, 60 * MS)],
        mutes=[Meddling(RUN_NS + 5 * S, 500 * MS)], disturbs=[Meddling(RUN_NS + 5600 * MS, 200 * MS, kind=4)],
    )  # fmt: skip
    rows = grid(found, "What must not lead to failsafe").rows
    assert [row[:2] for row in rows] == [
        ("60 ms by silence", 2), ("acknowledgements lost, packets alive", 1),
        ("another transmitter in between", 1),
    ]  # fmt: skip
    assert [row[3] for row in rows] == [0, 0, 0]
    assert rows[0][-1] == pytest.approx(100 * 0.05**0.5, abs=0.06)
    assert "another transmitter in between" not in unshown(found)


NOT_LED = "What must not lead to failsafe"
MUTED, BESIDE = "acknowledgements lost, packets alive", "another transmitter in between"


def seen_beside(found):
    return {row[0]: row[1:4] for one in found.grids if one.title == NOT_LED for row in one.rows}


def lose_change(role, place, message):
    return role == RX and isinstance(message, wire.OutputChange)


def test_flickers_in_which_messages_are_missing_show_nothing():
    flickers = [Silence(RUN_NS + 200 * MS + place * 600 * MS, 60 * MS) for place in range(12)]
    fields = {"silences": flickers, "seconds": 8.0, "failsafe_ns": lambda place: 30 * MS}
    assert seen_beside(section(**fields))["60 ms by silence"][2] == 12
    lost = section(**fields, drop=lose_change)
    assert "60 ms by silence" not in seen_beside(lost)
    assert "messages of the receiver are missing" in unshown(lost)["60 ms by silence, 12 of 12"]


@pytest.mark.parametrize(("sent", "why"), [(-1, "did not report"), (0, "nothing was sent")])
def test_another_transmitter_that_nobody_saw_shows_nothing(sent, why):
    found = section(disturbs=[Meddling(RUN_NS + 4 * S, S, kind=4, sent=sent)], seconds=6.0)
    assert BESIDE not in seen_beside(found)
    assert why in unshown(found)[f"{BESIDE}, 1 of 1"]


@pytest.mark.parametrize(
    ("result", "why"), [(wire.Result.DONE, "acknowledged all the same"), (None, "did not reply")]
)
def test_acknowledgements_that_were_not_seen_to_stop_show_nothing(result, why):
    scenario = Scenario(plan=plan_for(*ENTRY, steps=(CUT,)), silences=silences(3), seconds=6.0)
    told = scenario.tell(RX, wire.MuteAcks(5000, 1_000_000), RUN_NS + 4 * S)
    if result is not None:
        at_ns = RUN_NS + 4002 * MS
        scenario.say(RX, ReplyTo(told, result, scenario.stamp(RX, at_ns)), at_ns)
    found = account(gather(scenario.plan, scenario.recording()))
    assert MUTED not in seen_beside(found)
    assert why in unshown(found)[f"{MUTED}, 1 of 1"]


def test_times_beside_with_missing_messages_show_nothing_and_the_others_still_do():
    mutes = [Meddling(RUN_NS + at * S, S) for at in (4, 6)]

    scenario = Scenario(plan=plan_for(*ENTRY, steps=(CUT,)), silences=silences(3), mutes=mutes, seconds=8.0)
    scenario.change(wire.OutputReason.OTHER, (1000, 1500, 1500, 1500), RUN_NS + 4500 * MS)
    scenario.drop = lambda role, place, message: (
        isinstance(message, wire.OutputChange) and message.reason == wire.OutputReason.OTHER
    )
    found = account(gather(scenario.plan, scenario.recording()))
    assert seen_beside(found)[MUTED][0] == 1
    assert "messages of the receiver are missing" in unshown(found)[f"{MUTED}, 1 of 2"]


def test_steps_that_were_left_out_are_named_with_the_reason():
    steps = [CUT, step(p.Cut(duration_ns=700 * MS, by="deaf", ability="if present"), "one way", "steps[1]")]
    why = "the receiver cannot be deaf"
    mark = (RUN_NS + S, "skipped", {"path": "steps[1]", "name": "one way", "why": why})
    found = unshown(section(steps=steps, marks=[mark, mark]))
    assert found["cut: one way"] == f"left out: {why}"
    assert "cuts with acknowledgements alive" not in found


def test_a_plan_whose_every_cut_was_left_out_still_tells_so():
    mark = (RUN_NS + S, "skipped", {"path": "steps[0]", "name": "cut", "why": "no Deafen"})
    found = section(silences=(), seconds=2.0, marks=[mark])
    assert unshown(found)["cut"] == "left out: no Deafen"
    assert [one.title for one in found.grids] == ["What was not shown"]


def test_cuts_that_did_not_happen_show_nothing_and_say_why():
    found = section(disturbs=[Meddling(RUN_NS + 4 * S, 700 * MS, kind=2, sent=0)], seconds=6.0)
    assert unshown(found)["cuts by another transmitter's packets"] == (
        "made, but nothing was sent in place of its packets"
    )


def test_what_no_bench_shows_is_always_told():
    found = unshown(section())
    assert any("loss of range" in what for what in found)
    assert any("supply" in what for what in found)
    assert "the pulses on the receiver's pins" in found
    with_witness = unshown(section(pins=lambda at_ns, outputs: outputs))
    assert "the pulses on the receiver's pins" not in with_witness


def test_a_plan_that_asks_for_no_failsafe_time_gets_no_list_of_what_is_missing():
    assert [one.title for one in section(rules=()).grids] == ["What was shown", "When the cuts began"]


@pytest.mark.parametrize(("acked", "told"), [(0, True), (1, False)])
def test_packets_that_nobody_acknowledged_may_show_no_more_than_silence(acked, told):
    found = section(disturbs=[Meddling(RUN_NS + 4 * S, 700 * MS, kind=1, acked=acked)], seconds=6.0)
    assert any("in 1 of the cuts" in note and "no more than silence" in note for note in found.notes) is told


def test_the_proof_reads_before_the_timing_and_fits_the_page():
    scenario = Scenario(plan=plan_for(p.FailsafeEntry(), steps=[CUT]), silences=silences(3), seconds=4.2)
    sections = account_for(gather(scenario.plan, scenario.recording()))
    keys = [one.key for one in sections]
    assert keys.index("proof") == keys.index("failsafe") - 1
    text = "\n".join(render_sections(sections, 100))
    assert "What was shown" in text
    assert "not permission to fly" in text
    assert max(map(len, text.splitlines())) <= 100


def test_starts_and_the_throttles_margin_are_figures_of_the_proof():
    found = section(resets=[Reset(RX, RUN_NS + 900 * MS, down_ns=100 * MS)])
    figures = {figure.name: figure for figure in found.figures}
    assert figures["starts of the receiver seen"].note.startswith("1 with every output")
    assert figures["throttle clear of failsafe by"].value == 0
    assert LINK.channels[0].failsafe == "low"
