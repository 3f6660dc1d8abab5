"""Which reader reads which kind of gauge.

A reader takes a gauge and its rectified pictures in many screenshots, and gives what it saw in each picture for
each column that the gauge reads. To add a kind: write its reader and name it here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.attitude import see_attitude
from analyser.ingest.dials import see_dials
from analyser.ingest.drums import see_drums
from analyser.ingest.lamps import see_lamps
from analyser.ingest.readout import Seen, look_at_readouts
from analyser.ingest.tapes import see_tapes

if TYPE_CHECKING:
    from analyser.ingest.panel import Gauge


@dataclass(frozen=True)
class Reader:
    """How a kind of gauge is read.

    ``see(gauge, crops, reference)`` gives for each crop a tuple of one Seen a column that the gauge reads; ``reference`` is
    the gauge's crop from the reference picture. Crops are grey unless ``colour``, and reach ``margin`` (part of the gauge's height) beyond its corners.
    """

    see: Callable
    colour: bool = False
    margin: float = 0.0


def _readouts(gauge: "Gauge", crops: list, reference) -> list[tuple[Seen, ...]]:
    return [(seen,) for seen in look_at_readouts(gauge, crops)]


READERS: dict[str, Reader] = {
    "readout": Reader(_readouts, margin=0.06),
    "drum": Reader(see_drums),
    "dial": Reader(see_dials, colour=True),
    "tape": Reader(see_tapes, colour=True),
    "attitude": Reader(see_attitude, colour=True),
    "lamp": Reader(see_lamps, colour=True, margin=0.5),
}
