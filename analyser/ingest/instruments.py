"""Which reader reads which kind of gauge.

A reader takes a gauge and its rectified pictures in many screenshots, and gives what it saw in each picture for
each column that the gauge reads. To add a kind: write its reader and name it here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.readout import GaugeReading, Seen, see_readouts

if TYPE_CHECKING:
    from analyser.ingest.panel import Gauge


@dataclass(frozen=True)
class Reader:
    """How a kind of gauge is read.

    ``see(gauge, crops)`` gives for each crop a tuple of one Seen a column that the gauge reads; crops are grey unless
    ``colour``, and reach ``margin`` (part of the gauge's height) beyond its corners.
    """

    see: Callable
    colour: bool = False
    margin: float = 0.0


def _readouts(gauge: "Gauge", crops: list) -> list[tuple[Seen, ...]]:
    return [(seen,) for seen in see_readouts(gauge, crops)]


def _not_read(gauge: "Gauge", crops: list) -> list[tuple[Seen, ...]]:
    doubt = Seen(reading=GaugeReading(doubt=f"a gauge of kind {gauge.kind!r} is not read yet"))
    return [tuple(doubt for _ in gauge.reads) for _ in crops]


READERS: dict[str, Reader] = {
    "readout": Reader(_readouts, margin=0.08),
    "dial": Reader(_not_read, colour=True),
    "tape": Reader(_not_read, colour=True),
    "attitude": Reader(_not_read, colour=True),
    "lamp": Reader(_not_read, colour=True),
}
