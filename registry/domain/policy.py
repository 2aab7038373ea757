"""The unit's own policy for findings that cannot wait: its words, and what meets it.

The program gives no advice on treatment and alerts nobody: it shows the unit's words to the reader
and keeps what the reader says was done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from registry.domain.directions import Direction


@dataclass(frozen=True)
class Policy:
    """The unit's policy.

    Attributes
    ----------
    words : shown to the reader as the unit wrote them; empty for a unit without a policy
    limits_mm : by direction, the extent from which on a first reading meets it
    """

    words: str = ""
    limits_mm: tuple[tuple[Direction, Decimal], ...] = ()

    def met(self, extents_mm: Mapping[Direction, Decimal | None]) -> str:
        """Return in words what of a reading meets the policy, or ''.

        Examples
        --------
        >>> from decimal import Decimal
        >>> policy = Policy("Tell the ward.", ((Direction.MEDIAL, Decimal(4)),))
        >>> policy.met({Direction.MEDIAL: Decimal("4.0")})
        'medial 4.0 mm (from 4 mm on)'
        >>> policy.met({Direction.MEDIAL: Decimal("3.9")})
        ''
        """
        if not self.words:
            return ""
        found = [
            f"{direction.replace('_', ' ')} {extent} mm (from {limit} mm on)"
            for direction, limit in self.limits_mm
            if (extent := extents_mm.get(direction)) is not None and extent >= limit
        ]
        return ", ".join(found)
