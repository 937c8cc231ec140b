"""Chebyshev polynomials for vectors that change with time: fitting at nodes, and evaluation of many
pieces at once. Pure numerics."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import chebyshev

from moontrim.path.vectors import Array


def nodes(count: int) -> Array:
    """Returns the zeros (count,) of the Chebyshev polynomial of degree `count`, ascending in
    (-1, 1)."""
    return np.asarray(-np.cos((np.arange(count) + 0.5) * np.pi / count))


def fit_matrix(count: int) -> Array:
    """Returns the matrix (count, count) that turns values at `nodes(count)` into Chebyshev
    coefficients (discrete orthogonality at the zeros; Press et al., Numerical Recipes, section
    5.8)."""
    basis = chebyshev.chebvander(nodes(count), count - 1)
    matrix = basis.T * (2.0 / count)
    matrix[0] *= 0.5
    return np.asarray(matrix)


def differentiate(coefficients: Array, half_width: float) -> Array:
    """Returns the coefficients (K-1, ...) of the time derivative of pieces (K, ...).

    half_width: half the length of a piece, in units of time."""
    return np.asarray(chebyshev.chebder(coefficients, scl=1.0 / half_width, axis=0))


class VectorCurve:
    """Vectors of V components as functions of seconds after each of N base instants.

    coefficients: (K, V, 1, N), or (K, V, 1, 1) if one piece serves all instants.
    since_middle_s: (N,), base instants as seconds after the middle of their piece.
    half_width_s: half the length of a piece."""

    def __init__(self, coefficients: Array, since_middle_s: Array, half_width_s: float) -> None:
        self._coefficients = coefficients
        self._since_middle_s = since_middle_s
        self._half_width_s = half_width_s
        self._rate: VectorCurve | None = None

    def __call__(self, offset_s: Array) -> Array:
        """Returns values (V, S, N) at offset_s (S, N) after the base instants."""
        # The recurrence of the polynomials runs once for all V components.
        c = self._coefficients
        x = (self._since_middle_s + offset_s) / self._half_width_s
        x2 = 2.0 * x
        polynomials = np.empty((c.shape[0], *x.shape))
        polynomials[0], polynomials[1] = 1.0, x
        for before, last, now in zip(polynomials, polynomials[1:], polynomials[2:], strict=False):
            np.multiply(x2, last, out=now)
            np.subtract(now, before, out=now)
        return np.asarray(np.einsum("kvn,ksn->vsn", c[:, :, 0], polynomials))

    def rate(self) -> VectorCurve:
        """Returns the time derivative, per second."""
        if self._rate is None:
            derivative = differentiate(self._coefficients, self._half_width_s)
            self._rate = VectorCurve(derivative, self._since_middle_s, self._half_width_s)
        return self._rate
