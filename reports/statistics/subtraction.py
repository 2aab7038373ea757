"""Which sums can be shown together without one contributor's share following by subtraction."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

# The largest prime below 2**26: products of two residues stay within 64 bits. Elimination over
# its residues is exact but for a pivot that the prime divides, one chance in 67 million each.
PRIME = 67_108_859


def safe_sums(
    members: npt.NDArray[np.bool_], contributors: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Return which sums may be shown, taken in order, whatever is worked out from them together.

    A sum is let through when no combination of it and those let through before it is made up of
    items of one contributor alone. What follows from the earlier ones anyway is let through.

    Parameters
    ----------
    members : shape (sums, items), which items a sum adds
    contributors : shape (persons, items), which items each contributor has a part in

    Returns
    -------
    array, shape (sums,), of bool

    Raises
    ------
    ValueError : the numbers of items differ

    Notes
    -----
    With A the sums let through, and N the items without a person's part, a combination that
    vanishes on N and not everywhere exists exactly when rank A[:, N] < rank A. A row is
    independent of earlier ones where its Schur complement in the Gram matrix is above 0, so one
    elimination a person, of sums by sums, decides, however many items there are.

    References
    ----------
    Langsrud O. 2024, doi:10.1007/978-3-031-69651-0_6 (secondary suppression by elimination).

    Examples
    --------
    >>> items = np.array([[1, 1, 1], [1, 1, 0], [0, 0, 1]], dtype=bool)  # total and its parts
    >>> safe_sums(items, np.eye(3, dtype=bool))  # the second part alone, or by subtraction
    array([ True, False, False])
    """
    if members.shape[1] != contributors.shape[1]:
        raise ValueError(f"{members.shape[1]} items, but {contributors.shape[1]} of contributors")
    grams = _grams(members, contributors)
    shown = np.zeros(len(members), dtype=np.bool_)
    for place in range(len(members)):
        pivots = grams[:, place, place]
        is_new = pivots[0] != 0
        if is_new and (pivots == 0).any():
            continue
        shown[place] = True
        if is_new:
            inverses = np.array([pow(int(pivot), -1, PRIME) for pivot in pivots])
            columns = grams[:, :, place]
            scaled = columns * inverses[:, None] % PRIME
            grams = (grams - scaled[:, :, None] * columns[:, None, :]) % PRIME
    return shown


def _grams(
    members: npt.NDArray[np.bool_], contributors: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Return the sums' Gram matrices: over all items, then without each contributor's."""
    made = []
    for without in [np.zeros(members.shape[1], dtype=np.bool_), *contributors]:
        kept = members[:, ~without].astype(np.float64)
        made.append(np.rint(kept @ kept.T).astype(np.int64) % PRIME)
    return np.array(made)
