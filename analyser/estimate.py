"""A value with what is not known of it, and its plain form. Apart from the rest of the findings, so that the commands that answer in
flight load this and little else."""

from __future__ import annotations

import math

from analyser.records import Record

TYPE_CHECKING = False  # known to type checkers by this name; loading typing would take longer than the answer
if TYPE_CHECKING:
    from typing import Any


class Estimate(Record):
    """A value with its standard deviation and 95 % interval; nan with a reason where unknown."""

    value: float = math.nan
    sigma: float = math.nan
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    reason: str = ""

    @classmethod
    def of(cls, value: float, sigma: float, unit: str) -> "Estimate":
        """From a value and a standard deviation, interval symmetric (normal)."""
        reach = 1.959963984540054 * sigma
        return cls(float(value), float(sigma), float(value - reach), float(value + reach), unit)

    @classmethod
    def unknown(cls, unit: str, reason: str) -> "Estimate":
        """A quantity that can't be told, and why."""
        return cls(unit=unit, reason=reason)

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return not math.isnan(self.value)


def plain(item: Any) -> Any:
    """Records, dataclasses, arrays and nan into what JSON can hold (nan and inf become null)."""
    fields = item._fields if isinstance(item, Record) else getattr(type(item), "__dataclass_fields__", None)
    if fields is not None:
        found = {name: plain(getattr(item, name)) for name in fields}
        if isinstance(item, Estimate) and (item.known or not item.reason):
            found.pop("reason")
        return found
    if isinstance(item, dict):
        return {str(key): plain(value) for key, value in item.items()}
    if isinstance(item, (list, tuple)):
        return [plain(value) for value in item]
    if hasattr(item, "tolist"):
        return plain(item.tolist())
    if isinstance(item, float) and not math.isfinite(item):
        return None
    return item
