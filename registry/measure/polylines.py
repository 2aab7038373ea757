"""The nearest place on a line made of short straight pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from registry.measure.axes import FloatArray


def feet_of(
    points: FloatArray,
    line: FloatArray,
    nearest: NDArray[np.intp],
    neighbours: Sequence[NDArray[np.intp]],
) -> FloatArray:
    """Return the nearest place on the pieces that meet at each point's nearest vertex.

    Parameters
    ----------
    points : (n, 2)
    line : (m, 2), the line's vertices
    nearest : (n,), number of the vertex nearest each point
    neighbours : arrays (n,), number of the vertex at the other end of each piece; a vertex that
        is its own neighbour has no piece there

    Returns
    -------
    (n, 2)
    """
    here = line[nearest]
    best = here.copy()
    least = ((points - here) ** 2).sum(axis=1)
    for others in neighbours:
        piece = line[others] - here
        squared_length = np.maximum((piece**2).sum(axis=1), np.finfo(np.float64).tiny)
        share = np.clip(((points - here) * piece).sum(axis=1) / squared_length, 0.0, 1.0)
        foot = here + share[:, None] * piece
        squared = ((points - foot) ** 2).sum(axis=1)
        closer = squared < least
        best[closer], least[closer] = foot[closer], squared[closer]
    return best
