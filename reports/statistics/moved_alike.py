"""Probabilities moved to the level of other observations, their order and distances kept."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from reports.statistics.logistic import fit_logistic

Events = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


def moved_alike(expected: Floats, events: Events, earlier: Events) -> Floats | None:
    """Return the probabilities, all moved by one log odds, so that `earlier` has as many as seen.

    Parameters
    ----------
    expected : shape (n,), above 0 and below 1; not-a-number where nothing is expected
    events : shape (n,)
    earlier : shape (n,), the observations whose events and expected probabilities are to agree;
        they have an expected probability

    Returns
    -------
    array of shape (n,), or None where `earlier` has no event or nothing but events

    Examples
    --------
    >>> events = np.array([True, False, False, False, True])
    >>> moved = moved_alike(np.full(5, 0.4), events, np.array([1, 1, 1, 1, 0], dtype=bool))
    >>> moved.round(6).tolist()  # one of the earlier four
    [0.25, 0.25, 0.25, 0.25, 0.25]
    """
    offset = special.logit(expected)
    fit = fit_logistic(events[earlier], np.ones((int(earlier.sum()), 1)), offset=offset[earlier])
    if fit is None:
        return None
    moved: Floats = special.expit(offset + fit.coefficients[0])
    return moved
