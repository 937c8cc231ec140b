"""Joining values on an even grid: polynomials of degree 5 through six neighbours.

Error of a sine of angular speed w on a grid of step h: 225/46080 (w h)^6 of its amplitude
(Lagrange's form; Abramowitz and Stegun, 25.2). Pure numerics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array

# In steps, around the interval from 0 to 1.
NODES = np.arange(-2, 4)
BEFORE, AFTER = 2, 3
_POWERS = np.arange(6.0)
# Row k: what power k of u gives to each neighbour's weight.
_BASIS = np.linalg.inv(NODES[:, np.newaxis].astype(np.float64) ** _POWERS)


def weights(u: Array) -> Array:
    """Weights (N, 6) of the neighbours at u (N,), 0 to 1."""
    return np.asarray(u[:, np.newaxis] ** _POWERS @ _BASIS)


def slope_weights(u: Array) -> Array:
    """Weights (N, 6) of the neighbours for the derivative by u."""
    lower = np.concatenate([[0.0], _POWERS[:-1]])
    return np.asarray(_POWERS * u[:, np.newaxis] ** lower @ _BASIS)


def neighbours(steps: Array, count: int) -> tuple[NDArray[np.int64], Array]:
    """For places (N,) in steps on a grid of count values: indices (N, 6) of the six neighbours and
    u (N,), how far beyond the third of them."""
    whole = np.clip(np.floor(steps).astype(np.int64), BEFORE, count - 1 - AFTER)
    return whole[:, np.newaxis] + NODES, steps - whole
