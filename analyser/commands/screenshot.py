"""A screenshot into the arguments of ``fix``."""

from __future__ import annotations

import math

from analyser.commands import memory
from analyser.errors import InputError
from analyser.fitting.digits import Shown

_TAKEN = ("altitude", "radar_altitude", "speed", "surface_speed", "vertical_speed", "horizontal_speed", "flight_path_angle", "latitude")


def take_from_screenshot(options) -> tuple[str, ...]:
    """Fill what the command line leaves open from the picture; what was typed wins. The clock is not needed. Returns what is doubtful.

    Raises
    ------
    InputError
        No panel is named or remembered, or the picture doesn't show an altitude and a speed.
    """
    from pathlib import Path

    from analyser.ingest.screenshots import read_screenshots

    panel = options.panel or memory.last_used().get("panel")
    if panel is None:
        raise InputError("a screenshot needs the panel that says where its gauges are: --panel FILE", place="option --panel")
    readings = read_screenshots(Path(panel), [options.screenshot])
    doubts = _doubts(readings, options.screenshot.name)
    found = {item.column: item for item in readings.detail.itertuples(index=False) if item.status in ("read", "recovered")}
    for name in _TAKEN:
        item = found.get(name)
        if getattr(options, name) is None and item is not None and math.isfinite(item.value):
            # A gauge's rounding is uniform; half its step is sqrt(3) standard deviations.
            setattr(options, name, Shown(float(item.value), math.sqrt(3.0) * float(item.sigma) if math.isfinite(item.sigma) else 0.0))
    if options.speed is not None and options.surface_speed is not None:
        options.surface_speed = None  # both are shown: the inertial one needs no heading
    if options.body is None and "body" in found and found["body"].raw:
        words = readings.table["body"].iloc[0] if len(readings.table) and "body" in readings.table.columns else found["body"].raw
        options.body = str(words)
    if options.propellant is None and options.craft and "propellant" in found and math.isfinite(found["propellant"].value):
        options.propellant = f"{found['propellant'].value:.6g} kg"
    if options.panel:
        memory.remember(panel=options.panel)
    missing = [name for name in ("altitude",) if getattr(options, name) is None]
    if options.speed is None and options.surface_speed is None and options.horizontal_speed is None:
        missing.append("speed")
    if missing:
        raise InputError(
            f"the {' and the '.join(missing)} could not be read in it{': ' + '; '.join(doubts) if doubts else ''}. type what is missing "
            f"beside it: {' '.join(f'--{name} ..' for name in missing)}",
            options.screenshot,
        )
    return doubts


def _doubts(readings, name: str) -> tuple[str, ...]:
    detail = readings.detail
    if "status" not in detail.columns:
        return ()
    doubtful = detail[detail["status"] == "doubtful"]
    return tuple(f"{name}: {item.column} is doubtful ({item.reason}), not used" for item in doubtful.itertuples(index=False))
