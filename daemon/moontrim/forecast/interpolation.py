"""Interpolation on an even grid: polynomials of degree 5 through six neighbours.

Error of a sine of angular speed w on a grid of step h: 225/46080 (w h)^6 of its amplitude
(Lagrange's form; Abramowitz and Stegun, 25.2). Pure numerics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array

# The six neighbours, in steps, around the interval from 0 to 1.
NODES = np.arange(-2, 4)
BEFORE, AFTER = 2, 3
_POWERS = np.arange(6.0)
# Row k: the coefficients of u^k in the neighbours' weights.
_BASIS = np.linalg.inv(NODES[:, np.newaxis].astype(np.float64) ** _POWERS)


def weights(u: Array) -> Array:
    """Returns the weights (N, 6) of the neighbours at u (N,), 0 to 1."""
    return np.asarray(u[:, np.newaxis] ** _POWERS @ _BASIS)


def slope_weights(u: Array) -> Array:
    """Returns the weights (N, 6) of the neighbours for the derivative by u."""
    lower = np.concatenate([[0.0], _POWERS[:-1]])
    return np.asarray(_POWERS * u[:, np.newaxis] ** lower @ _BASIS)


def neighbours(steps: Array, count: int) -> tuple[NDArray[np.int64], Array]:
    """Returns the indices (N, 6) of the six neighbours and u (N,), the distance beyond the third of
    them.

    steps: positions (N,) on the grid, in steps from its first value.
    count: number of values on the grid."""
    whole = np.clip(np.floor(steps).astype(np.int64), BEFORE, count - 1 - AFTER)
    return whole[:, np.newaxis] + NODES, steps - whole
