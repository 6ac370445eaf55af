"""The committed table of coverage is that of this code, keeps its promise, and comes out again."""

import sys
from pathlib import Path

import numpy as np
import pytest

EVIDENCE = Path(__file__).parents[1] / "evidence"
sys.path.insert(0, str(EVIDENCE))

import coverage as made  # noqa: E402

TEXT = (EVIDENCE / "coverage.md").read_text()


def table(title):
    """The rows below a title, as cells."""
    lines = TEXT.split(f"## {title}", 1)[1].split("\n## ", 1)[0].splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| ")]
    return rows[1:]


ENOUGH = table("At least 10 bursts expected")
FEW = table("Fewer than 10 bursts expected: inconclusive")


def held(row):
    """What a row says, in per cent: our limits in order, then the naive ones."""
    pairs = [cell.replace("(", "").replace(")", "").split() for cell in row[5:]]
    return [float(ours) for ours, _ in pairs], [float(naive) for _, naive in pairs]


def test_the_table_was_made_with_these_limits():
    """The parameters and some limits stand at its end: other code gives other lines."""
    for line in made.stamp():
        assert line in TEXT
    assert f"seed {made.SEED}, {made.LINKS} links" in TEXT


def test_the_table_has_every_cell_once():
    cells = [tuple(row[1:4]) for row in ENOUGH + FEW]
    wanted = [(f"{100 * kind.share:.3g} %", f"{kind.bad_mean:.3g}", str(n)) for kind, n in made.grid()]
    assert sorted(cells) == sorted(wanted)
    assert len(cells) == 27


@pytest.mark.parametrize("row", ENOUGH, ids=lambda row: " ".join(row[1:4]))
def test_limits_hold_in_every_cell_with_enough_bursts(row):
    assert float(row[4]) >= made.b.FEWEST_BURSTS
    for nominal, share in zip((90, 90, 95, 95, 99, 99), held(row)[0], strict=True):
        assert nominal - made.BELOW <= share <= nominal + made.ABOVE


def test_independent_limits_do_not_hold_where_losses_come_in_bursts():
    """Otherwise the table would show nothing."""
    for row in ENOUGH:
        if float(row[2]) > 1:
            assert max(held(row)[1][:2]) < 80


@pytest.mark.parametrize("row", FEW, ids=lambda row: " ".join(row[1:4]))
def test_elsewhere_the_check_is_inconclusive_but_for_its_risk(row):
    assert float(row[4]) < made.b.FEWEST_BURSTS
    for confidence, place in ((90, 5), (95, 8), (99, 11)):
        passed, failed = (float(cell) for cell in row[place : place + 2])
        assert passed <= 100 - confidence + 1
        assert failed <= 0.5


@pytest.mark.parametrize(
    ("count", "share", "burst"), [(1_000, 0.05, 3), (10_000, 0.05, 10), (100_000, 0.0005, 3)]
)
def test_cells_come_out_again_with_another_seed(count, share, burst):
    """1500 links each, within four standard errors of the difference: a false alarm has 2e-3 in all."""
    row = made.simulate(np.random.default_rng(count), made.gilbert(share, burst), count, 1500)
    said = next(
        held(cells) for cells in ENOUGH if cells[1:4] == [f"{100 * share:.3g} %", str(burst), str(count)]
    )
    for kind, told in zip((row.ours, row.naive), said, strict=True):
        for found, stated in zip([one for both in kind for one in both], told, strict=True):
            middle = min(max(stated, 1.0), 99.0)
            slack = 4 * (middle * (100 - middle) * (1 / 1500 + 1 / made.LINKS)) ** 0.5
            assert found == pytest.approx(stated, abs=slack + 0.1)


@pytest.mark.parametrize(
    ("kind", "share", "burst"),
    [
        (made.gilbert(0.05, 3), 0.05, 3),
        (made.independent(0.05), 0.05, 1 / 0.95),
        (made.fixed(0.05, 10), 0.05, 10),
        (made.mixed(0.05, 0.1, 30), 0.05, 3.9),
        (made.clumped(0.05, 0.7, 3), 0.05, 1),
        (made.periodic(0.05, 5), 0.05, 5),
        (made.faded(0.05, 20, 0.3), 0.05, 1 / (1 - 0.95 * 0.3)),
    ],
    ids=lambda kind: getattr(kind, "name", None),
)
def test_links_have_the_share_and_bursts_they_claim(kind, share, burst):
    rng = np.random.default_rng(4)
    cells = np.concatenate(list(made.tallies(rng, kind, 20_000, 200)), axis=1)
    lost, runs, times = cells[0], cells[1], cells[-1]
    assert kind.share == pytest.approx(share)
    assert (lost * times).sum() / (20_000 * times.sum()) == pytest.approx(share, rel=0.03)
    assert (lost * times).sum() / (runs * times).sum() == pytest.approx(burst, rel=0.03)


@pytest.mark.parametrize("burst", [1, 3, 7, 10])
@pytest.mark.parametrize("lost", [20, 31, 40, 70])
def test_wrong_verdicts_at_the_limit_stay_within_the_risk(lost, burst):
    """Links exactly at the limit, also where few bursts are expected, pass or fail wrongly 5 % at most.

    1000 links each: a point and four standard errors (2.8 points) more are allowed, a false alarm has 3e-5.
    """
    row = made.simulate(np.random.default_rng(lost), made.gilbert(lost / 4000, burst), 4000, 1000)
    passed, failed = row.verdicts[made.CONFIDENCES.index(0.95)]
    assert passed <= 8.8
    assert failed <= 8.8
    if lost < made.b.FEWEST_BURSTS * made.b.ASSUMED_BURST:
        assert passed == 0


def test_fades_have_the_length_they_claim():
    """A chain drawn packet by packet has the same mean and spread of gaps."""
    rng = np.random.default_rng(3)
    kind = made.faded(0.02, 50, 0.4)
    fading, state = [], False
    for chance in rng.random(400_000).tolist():
        state = chance >= 1 / 50 if state else chance < 0.05 / 0.95 / 50
        fading.append(state)
    lost = np.flatnonzero(np.array(fading) & (rng.random(400_000) < 0.4))
    gaps = np.diff(lost) - 1
    drawn = kind.good(rng, (100, 100))
    assert drawn.mean() == pytest.approx(kind.good_mean, rel=0.15)
    assert np.median(drawn) == pytest.approx(np.median(gaps[gaps > 0]), abs=1)
    assert np.mean(drawn > 100) == pytest.approx(np.mean(gaps[gaps > 0] > 100), rel=0.2)


@pytest.mark.parametrize("place", [0, 2, 5, 6], ids=lambda place: made.fades()[place][0].name)
def test_fades_at_the_limit_pass_as_seldom_as_the_table_says(place):
    """Counted as single bursts 19 % of links passed wrongly, 12 % with fades of 100 that lose half.

    400 links each and four standard errors: a false alarm has a chance of 3e-5.
    """
    kind, count = made.fades()[place]
    said = [float(cell) for cell in table("Fades that lose only some packets")[place][5:]]
    row = made.simulate(np.random.default_rng(place), kind, count, 400)
    for (passed, failed), told in zip(row.verdicts, (said[0:2], said[3:5], said[6:8]), strict=True):
        for found, stated in ((passed, told[0]), (failed, told[1])):
            slack = 4 * (max(stated, 1.0) * (100 - stated) * (1 / 400 + 1 / made.LINKS)) ** 0.5
            assert found == pytest.approx(stated, abs=slack + 0.1)


def test_wrong_passes_of_fades_stay_near_the_risk():
    """5 % where ten fades are expected; 8 % where a few long ones are, of which a run may meet none."""
    rows = table("Fades that lose only some packets")
    assert len(rows) == len(made.fades())
    for row in rows:
        assert float(row[8]) <= (5.5 if float(row[4]) >= made.b.FEWEST_BURSTS else 8)
