"""What is the least-squares fit, to the same last digit on every processor? Sums in a fixed order.

Products are made number by number and added by numpy's pairwise `sum`. The kernels behind `@`, `np.dot` and
`np.linalg` differ from one processor to the next, and so do their last digits. Unknowns are few here (some
dozens at most) and rows many: a few sums and a small matrix in plain Python.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Square = list[list[float]]

DEPENDENT: Final = 1e-9
"""A column of which the others leave a smaller share (of its sum of squares) adds nothing to them."""


class Fit(NamedTuple):
    """Coefficients, one per column, the sum of squared residuals, and the inverse of the columns' products.

    An estimate's variance is that of the residuals times its place on the inverse's diagonal.
    """

    parts: list[float]
    rest: float
    inverse: Square


def product(first: Floats, second: Floats) -> float:
    """Return the sum of the products of two arrays of one length."""
    return float((first * second).sum())


def products(columns: Sequence[Floats]) -> Square:
    """Return the products of all columns with each other."""
    found = [[0.0] * len(columns) for _ in columns]
    for row, first in enumerate(columns):
        for place, second in enumerate(columns[row:], start=row):
            found[row][place] = found[place][row] = product(first, second)
    return found


def inverse(square: Sequence[Sequence[float]]) -> Square:
    """Return the inverse of a symmetric matrix of products (no negative eigenvalues).

    Gauss-Jordan, the largest remaining share of a diagonal number first. Columns that depend on others
    (`DEPENDENT`) get zeros: then it is a generalised inverse, good for every fitted value and for the
    coefficients of all columns that depend on no other.
    """
    size = len(square)
    scale = [math.sqrt(row[place]) if row[place] > 0 else 0.0 for place, row in enumerate(square)]
    left = {place for place in range(size) if scale[place] > 0}
    work = [
        [square[row][column] / (scale[row] * scale[column]) if {row, column} <= left else 0.0
         for column in range(size)] for row in range(size)
    ]  # fmt: skip
    done: list[int] = []
    while left:
        pivot = max(sorted(left), key=lambda place: work[place][place])
        if not work[pivot][pivot] > DEPENDENT:
            break
        left.remove(pivot)
        done.append(pivot)
        _sweep(work, pivot)
    found = [[0.0] * size for _ in range(size)]
    for row in done:
        for column in done:
            found[row][column] = work[row][column] / (scale[row] * scale[column])
    return found


def _sweep(work: Square, pivot: int) -> None:
    """Exchange one unknown for its right side, in place."""
    divisor = work[pivot][pivot]
    work[pivot] = chosen = [value / divisor for value in work[pivot]]
    chosen[pivot] = 1 / divisor
    for number, row in enumerate(work):
        factor = row[pivot]
        if number != pivot and factor:
            work[number] = [value - factor * other for value, other in zip(row, chosen, strict=True)]
            work[number][pivot] = -factor / divisor


def fit(columns: Sequence[Floats], values: Floats) -> Fit:
    """Fit `values` by least squares as a sum of the columns, by the normal equations."""
    return _fit(columns, inverse(products(columns)), values)


def fit_each(columns: Sequence[Floats], values: Floats) -> list[Fit]:
    """Fit each column of `values` (n, many) likewise."""
    solved = inverse(products(columns))
    return [_fit(columns, solved, np.ascontiguousarray(each)) for each in values.T]


def _fit(columns: Sequence[Floats], solved: Square, values: Floats) -> Fit:
    mixed = [product(column, values) for column in columns]
    parts = [sum(a * b for a, b in zip(row, mixed, strict=True)) for row in solved]
    off = np.array(values, dtype=np.float64)
    for part, column in zip(parts, columns, strict=True):
        off -= part * column
    return Fit(parts, product(off, off), solved)


def onto(basis: Floats, values: Floats) -> Floats:
    """Return `values` (n, columns) as far as the orthonormal columns of `basis` (n, few) explain them."""
    found = np.zeros(values.shape, order="F")
    axes = [np.ascontiguousarray(axis) for axis in basis.T]
    for place, column in enumerate(values.T):
        whole = np.ascontiguousarray(column)
        for axis in axes:
            found[:, place] += axis * product(axis, whole)
    return found


def matrix_product(first: Floats, second: Floats) -> Floats:
    """Return the matrix product of two small matrices."""
    found: Floats = (first[:, :, None] * second[None, :, :]).sum(axis=1)
    return found


def singular_values(pair: Floats) -> tuple[float, float]:
    """Return the larger and the smaller singular value of two columns, an (n, 2) array.

    Square roots of the eigenvalues of [[a, b], [b, c]]: (a + c) / 2 +- hypot((a - c) / 2, b).
    """
    (a, b), (_, c) = products([np.ascontiguousarray(column) for column in pair.T])
    middle, reach = (a + c) / 2, math.hypot((a - c) / 2, b)
    return math.sqrt(max(0.0, middle + reach)), math.sqrt(max(0.0, middle - reach))


def orthonormal(pair: Floats) -> Floats:
    """Return two independent columns (n, 2) as two of length 1 at right angles (Gram-Schmidt)."""
    first = pair[:, 0] / math.sqrt(product(pair[:, 0], pair[:, 0]))
    second = pair[:, 1] - first * product(first, pair[:, 1])
    return np.stack((first, second / math.sqrt(product(second, second))), axis=1)


__all__ = [
    "DEPENDENT",
    "Fit",
    "fit",
    "fit_each",
    "inverse",
    "matrix_product",
    "onto",
    "orthonormal",
    "product",
    "products",
    "singular_values",
]
