"""Leaving points out keeps every extreme, every gap and every loss."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from harness.plots.model import Series
from harness.plots.thinning import cells, columns_of, extremes, thinned

SIZES = st.integers(1, 400)


@st.composite
def points(draw):
    size = draw(SIZES)
    x = np.sort(draw(arrays(np.float64, size, elements=st.floats(0, 100))))
    y = draw(arrays(np.float64, size, elements=st.floats(-1e6, 1e6) | st.just(np.nan)))
    return x, y


@given(points(), st.integers(1, 40))
def test_every_column_keeps_its_extremes_its_ends_and_a_gap(given_points, columns):
    x, y = given_points
    places = extremes(x, y, columns)
    assert (np.diff(places) > 0).all()
    column = columns_of(x, columns)
    for number in np.unique(column):
        mine = np.flatnonzero(column == number)
        kept = np.intersect1d(places, mine)
        assert {mine[0], mine[-1]} <= set(kept)
        assert np.isnan(y[kept]).any() == np.isnan(y[mine]).any()
        if not np.isnan(y[mine]).all():
            assert np.nanmin(y[kept]) == np.nanmin(y[mine])
            assert np.nanmax(y[kept]) == np.nanmax(y[mine])
        assert len(kept) <= 5


@given(
    points(), st.integers(1, 20), st.integers(1, 10), st.sampled_from(["line", "steps", "dots"]), st.data()
)
def test_marks_to_be_kept_are_never_dropped(given_points, columns, rows, shape, data):
    x, y = given_points
    keep = data.draw(arrays(np.bool_, len(x)))
    series = Series("s", x, y, shape, keep=keep)
    drawn = thinned(series, float(x[0]), float(x[-1]), columns, rows)
    assert drawn.keep is not None
    assert drawn.keep.sum() == keep.sum()
    assert np.array_equal(drawn.x[drawn.keep], x[keep])


@given(points(), st.integers(1, 20), st.integers(2, 10))
def test_dots_leave_no_cell_empty_that_had_one(given_points, columns, rows):
    x, y = given_points
    places = cells(x, y, columns, rows)
    known = ~np.isnan(y)
    if not known.any():
        assert not len(places)
        return
    low, high = y[known].min(), y[known].max()
    row = ((y - low) * ((rows - 1) / (high - low)) if high > low else y * 0)[known].astype(np.int64)
    cell = columns_of(x, columns)[known] * rows + row
    kept = np.isin(np.flatnonzero(known), places)
    assert set(cell[kept]) == set(cell)


def test_a_million_points_become_a_few_and_a_single_spike_stays():
    x = np.arange(1_000_000, dtype=np.float64)
    y = np.zeros(len(x))
    y[123_456] = 7.0
    drawn = thinned(Series("s", x, y), 0.0, 1e6, 1_000)
    assert len(drawn.x) <= 5_000
    assert 7.0 in drawn.y


def test_a_part_keeps_a_point_on_either_side():
    x = np.arange(1_000, dtype=np.float64)
    drawn = thinned(Series("s", x, x), 100.5, 200.5, 10)
    assert drawn.x[0] == 100.0
    assert drawn.x[-1] == 201.0


def test_few_points_are_left_alone():
    series = Series("s", np.arange(10.0), np.arange(10.0))
    assert thinned(series, 0, 9, 100) is series
