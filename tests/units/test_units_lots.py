"""The harness holds only runs against each other that were made alike, and knows which are of one unit."""

import copy

import pytest
from unit_samples import check, delivery, document, kept, latency, lot_of

from harness.errors import UserError
from harness.units.figures import figures_of
from harness.units.lots import make_lot, short_names
from harness.units.results import compare_units
from harness.units.telling import render
from harness.verdict import Verdict


def test_runs_of_another_plan_text_rate_or_kind_of_device_are_left_out_and_told():
    odd = [
        document("A", latency(1), sha="00" * 32),
        document("B", latency(1), rate="100 Hz"),
        document("C", latency(1), hardware=False),
        document("D", latency(1), hardware=False, facts={"avr": "ideal"}),
        document("E", latency(1), plan="failsafe", sha="11" * 32),
    ]
    lot = make_lot(kept(*lot_of(range(1, 7)), *odd))
    assert [unit.name for unit in lot.units] == [f"module {n}" for n in range(1, 7)]
    assert len(lot.left_out) == 5
    assert "another text of the plan acceptance" in lot.left_out[0]
    assert "ran at 100 Hz, not 50 Hz" in lot.left_out[1]
    assert "made with simulated devices, not real ones" in lot.left_out[2]
    assert "made with emulated devices" in lot.left_out[3]
    assert "ran the plan failsafe, not acceptance" in lot.left_out[4]


def test_where_no_kind_of_run_has_more_than_half_nothing_is_compared():
    mixed = [*lot_of([1, 2]), *(document(f"module {n}", plan="failsafe", sha="11" * 32) for n in (1, 2))]
    with pytest.raises(
        UserError, match=r"cannot be held against each other: 2 of plan acceptance .* --plan NAME"
    ):
        make_lot(kept(*mixed))


def test_a_plan_may_be_picked():
    mixed = [*lot_of([1, 2]), *(document(f"module {n}", plan="failsafe", sha="11" * 32) for n in (1, 2))]
    assert make_lot(kept(*mixed), "failsafe").plan == "failsafe"
    with pytest.raises(UserError, match="no run of a plan called soak; plans in here: acceptance, failsafe"):
        make_lot(kept(*mixed), "soak")


def test_one_unit_is_no_lot():
    with pytest.raises(UserError, match=r"all 3 runs are of one unit.*--unit NAME"):
        make_lot(kept(*(document("module 1", latency(n)) for n in range(3))))
    with pytest.raises(UserError, match="the only run that can be compared"):
        make_lot(kept(document("module 1", latency(1))))


def test_units_without_a_name_go_by_what_their_devices_say():
    runs = [document("", latency(1)) for _ in range(2)]
    runs[1]["devices"]["receiver"] = "dunlin 1.2, serial R2, 6 channels, 50 Hz"
    lot = make_lot(kept(*runs))
    assert [unit.short for unit in lot.units] == ["R1", "R2"]


def test_short_names_are_never_equal():
    names = [
        "receiver: a, serial 1; transmitter: b",
        "receiver: a, serial 1; transmitter: b, serial 1",
        "left wing",
    ]
    assert len(set(short_names(names).values())) == 3
    assert short_names(names)["left wing"] == "left wing"


def test_several_runs_of_a_unit_are_joined_by_their_median():
    runs = [document("A", latency(value)) for value in (3.0, 1.0, 2.0)]
    unit = make_lot(kept(*runs, document("B", latency(5.0)))).units[0]
    found = unit.figures["latency"]
    assert (found.value, found.values) == (2.0, (3.0, 1.0, 2.0))
    assert (found.below, found.above) == pytest.approx((1.05, 1.05))  # from 0.95 to 3.05


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (["pass", "pass"], Verdict.PASS),
        (["pass", "fail"], Verdict.FAIL),
        (["pass", "inconclusive"], Verdict.INCONCLUSIVE),
        (["error", "pass"], Verdict.PASS),
        (["error", "fail"], Verdict.FAIL),
        (["error"], Verdict.INCONCLUSIVE),
        (["inconclusive", "fail"], Verdict.FAIL),
        (["nonsense"], Verdict.INCONCLUSIVE),
    ],
)
def test_a_unit_is_unacceptable_if_one_run_failed(verdicts, expected):
    runs = [document("A", latency(1), verdict=verdict) for verdict in verdicts]
    lot = make_lot(kept(*runs, document("B", latency(1)), document("C", latency(1))))
    assert lot.units[0].verdict is expected


def test_a_run_that_broke_on_the_bench_and_was_made_again_is_told_and_not_counted():
    runs = [document("A", latency(9), verdict="error"), document("A", latency(1)), document("B", latency(1))]
    lot = make_lot(kept(*runs))
    assert lot.units[0].figures["latency"].values == (1,)
    assert any("Bench trouble" in note and "runs/0" in note for note in lot.notes)


def test_other_firmware_is_told():
    runs = lot_of([1, 2])
    runs[1]["devices"]["receiver"] = "dunlin 1.3, serial R1, 6 channels, 50 Hz"
    assert any("differ in the firmware" in note for note in make_lot(kept(*runs)).notes)


def test_a_verdict_json_of_another_make_is_refused():
    for wrong in ([], {"format": 2}, {"format": 1, "plan": {}, "rig": {"facts": 3}, "devices": {}}):
        with pytest.raises(UserError, match="not of format 1"):
            make_lot(kept(wrong, *lot_of([1, 2])))


def test_what_is_no_number_is_not_there():
    broken = document(
        "A", latency(1.0), check("a", "x"), check("b", True), check("c", 10**400), {"name": 3}, 7
    )
    broken["checks"][0] |= {"interval": [None, "x"], "uncertainty": "much"}
    broken["sections"] = [None, {"key": "age", "figures": [{"name": "mean", "value": 3, "unit": "ms"}, 5]}]
    found = {key: measured for key, (_, measured) in figures_of(broken).items()}
    assert (found["a"], found["b"], found["c"]) == (None, None, None)
    assert (found["latency"].low, found["latency"].high, found["latency"].uncertainty) == (None, None, 0)
    assert found["mean control age"].value == 3


@pytest.mark.parametrize(
    ("entry", "room"),
    [
        (latency(5.0), 10 / 15),
        (latency(20.0), -5 / 15),
        (delivery(99.0), 0.5),
        (check("packet_rate", 50.0, side="at least", limit=49.0, unit="Hz"), 1 / 49),
        (check("duplicates", 0, limit=0, unit="duplicates"), None),
    ],
)
def test_room_is_the_margin_as_a_share_of_what_the_limit_allows(entry, room):
    subject, measured = figures_of({"checks": [entry]})[entry["name"]]
    assert subject.room(measured.value) == (None if room is None else pytest.approx(room))


def test_device_text_is_clean():
    nasty = document("a\x1b]0;x\x07", latency(1))
    assert make_lot(kept(nasty, document("B", latency(1)))).units[0].name == r"a\x1b]0;x\x07"


PLACES = [
    ("format",), ("verdict",), ("plan",), ("plan", "name"), ("plan", "title"), ("plan", "sha256"), ("rig",),
    ("rig", "facts"), ("rig", "facts", "unit"), ("rig", "hardware"), ("rig", "baud"), ("versions",),
    ("devices",), ("devices", "receiver"), ("checks",), ("checks", 0), ("checks", 0, "name"),
    ("checks", 0, "kind"), ("checks", 0, "unit"), ("checks", 0, "interval"), ("checks", 0, "confidence"),
    ("checks", 0, "limit"), ("sections",),
]  # fmt: skip
JUNK = [None, 3, -1.5, "x\x1b[2J" * 300, [], [[1]], {}, {"a": []}, True]


@pytest.mark.parametrize("place", PLACES, ids=lambda place: ".".join(map(str, place)))
def test_nothing_in_a_verdict_json_gets_past_a_user_error(place):
    for junk in JUNK:
        documents = lot_of([1.0, 1.1, 1.2, 1.3, 9.0])
        broken = documents[2]
        for key in place[:-1]:
            broken = broken[key]
        broken[place[-1]] = copy.deepcopy(junk)
        try:
            told = render(compare_units(kept(*documents)), full=True)
        except UserError as error:
            told = str(error)
        assert all(char == "\n" or char.isprintable() for char in told)


def test_a_copied_run_counts_once_and_is_told():
    once = [document("A", latency(2.0)), document("B", latency(2.5)), document("B", latency(2.6))]
    lot = make_lot(kept(*once, once[1], once[1]))
    assert [len(unit.figures["latency"].values) for unit in lot.units] == [1, 2]
    assert lot.runs == 3
    assert [line for line in lot.left_out if "says the very same as" in line and "counts once" in line]


def test_names_that_differ_in_spelling_alone_are_told():
    lot = make_lot(kept(document("Module 1", latency(2.0)), document("module-1", latency(2.5))))
    assert "Module 1, module-1" in " ".join(lot.notes)
    apart = make_lot(kept(document("module 1", latency(2.0)), document("module 1.1", latency(2.5))))
    assert not [note for note in apart.notes if "spaces or dashes" in note]
