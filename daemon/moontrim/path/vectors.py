"""Arithmetic of three-vectors along the first axis of an array, (3, ...), and the number types."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# A float or an Array: formulas that serve both, since a running daemon must not pay for arrays.
Number = Any


def dot(a: Array, b: Array) -> Array:
    """Returns the scalar product, shape (...)."""
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def norm(a: Array) -> Array:
    """Returns the length, shape (...)."""
    return np.asarray(np.sqrt(dot(a, a)))


def unit(a: Array) -> Array:
    """Returns the unit vector of the same direction, shape (3, ...)."""
    return np.asarray(a / norm(a))


def cross(a: Array, b: Array) -> Array:
    """Returns the vector product, shape (3, ...)."""
    return np.stack(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )
