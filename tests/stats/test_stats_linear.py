"""The harness fits lines and waves as the reference libraries do, without their processor's last digits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.stats.linear import (
    fit,
    inverse,
    matrix_product,
    onto,
    orthonormal,
    product,
    products,
    singular_values,
)


def columns_of(seed, rows, count):
    return np.random.default_rng(seed).normal(size=(rows, count))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 1000), rows=st.integers(20, 200), count=st.integers(1, 8))
def test_fits_as_numpy_does(seed, rows, count):
    data = columns_of(seed, rows, count + 1)
    basis, values = data[:, :count] * 10.0 ** np.arange(count), data[:, count]
    wanted, rest, _, _ = np.linalg.lstsq(basis, values, rcond=None)
    found = fit(list(basis.T), values)
    assert found.parts == pytest.approx(wanted.tolist(), rel=1e-8, abs=1e-12)
    assert found.rest == pytest.approx(float(rest[0]), rel=1e-9)
    assert np.allclose(found.inverse, np.linalg.inv(basis.T @ basis), rtol=1e-7, atol=1e-14)


def test_a_column_that_others_make_up_is_left_out_and_the_rest_is_fitted_as_before():
    first, second, values = columns_of(7, 60, 3).T
    alone = fit([first, second], values)
    for columns in ([first, second, first + 2 * second], [first, second, np.zeros(60)]):
        found = fit(columns, values)
        assert found.rest == pytest.approx(alone.rest, rel=1e-9)
        assert sum(not any(row) for row in found.inverse) == 1


def test_the_coefficient_of_a_column_beside_dependent_ones_is_that_of_the_pseudo_inverse():
    one, twin, values = columns_of(8, 80, 3).T
    basis = np.stack((one, twin, 3 * twin), axis=1)
    wanted = np.linalg.pinv(basis) @ values
    found = fit(list(basis.T), values)
    assert found.parts[0] == pytest.approx(wanted[0], rel=1e-9)
    square = np.linalg.pinv(basis.T @ basis, rcond=1e-9, hermitian=True)
    assert found.inverse[0][0] == pytest.approx(square[0, 0], rel=1e-9)


def test_inverts_a_matrix_of_sixteen_columns():
    basis = columns_of(9, 400, 16)
    square = basis.T @ basis
    assert np.allclose(np.array(inverse(square.tolist())) @ square, np.eye(16), atol=1e-10)


def test_nothing_has_no_inverse():
    assert inverse([]) == []
    assert inverse([[0.0]]) == [[0.0]]


def test_explains_values_as_far_as_a_basis_reaches():
    basis = np.linalg.qr(columns_of(10, 50, 2))[0]
    values = columns_of(11, 50, 5)
    assert np.allclose(onto(basis, values), basis @ (basis.T @ values), atol=1e-13)


def test_products_are_those_of_numpy():
    first, second = columns_of(12, 4, 3), columns_of(13, 3, 6)
    assert np.allclose(matrix_product(first, second), first @ second, atol=1e-14)
    assert product(first[:, 0], first[:, 1]) == pytest.approx(np.dot(first[:, 0], first[:, 1]), rel=1e-12)
    assert np.allclose(products(list(first.T)), first.T @ first, atol=1e-14)


@pytest.mark.parametrize("seed", range(5))
def test_singular_values_of_two_columns_are_those_of_numpy(seed):
    pair = columns_of(seed, 30, 2) * (1, 10.0**-seed)
    assert singular_values(pair) == pytest.approx(np.linalg.svd(pair, compute_uv=False).tolist(), rel=1e-6)


def test_two_columns_that_are_one_have_a_singular_value_of_nothing():
    one = np.linspace(1, 2, 20)
    assert singular_values(np.stack((one, one), axis=1))[1] == pytest.approx(0.0, abs=1e-6)


def test_makes_two_columns_stand_at_right_angles():
    pair = columns_of(14, 25, 2)
    basis = orthonormal(pair)
    assert np.allclose(basis.T @ basis, np.eye(2), atol=1e-14)
    assert np.allclose(onto(basis, pair), pair, atol=1e-13)
