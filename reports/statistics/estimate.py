"""A number with its interval, as every table, page and document hands it on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """A number and the limits of its interval, at full precision.

    Attributes
    ----------
    value, low, high : in the number's own unit; None where undefined, never a made-up figure
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def cells(self) -> tuple[float | None, float | None, float | None]:
        """Return value, low and high, as columns of tables hold them."""
        return self.value, self.low, self.high

    def as_json(self) -> dict[str, float | None]:
        """Return the number as JSON documents hold it; null where undefined."""
        return {"value": self.value, "low": self.low, "high": self.high}
