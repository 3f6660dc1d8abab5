"""View 3: a panel's gauges drawn on a screenshot, with what is read there and in other screenshots while they are drawn."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from analyser.errors import InputError
from analyser.files import write_atomically
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest.panel import KINDS
from analyser.page.answers import given, page, plain, text_of
from analyser.page.draft import Draft, checked, draft_of_file, draft_of_sent, save, stamp_of
from analyser.page.draft_reading import DraftReader
from analyser.page.workplace import Workplace
from analyser.units import UNITS, dimension_of

UPLOAD = "/api/panel/picture"
_OTHERS = 40  # other screenshots that are offered
_TYPES = {".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".webp": "image/webp", ".bmp": "image/bmp"}


class PanelView:
    """The pages and answers of this view."""

    def __init__(self, place: Workplace):
        self.place, self.reader = place, DraftReader()

    def show(self, request: Request) -> Response:
        """The page: a panel, or a picture to draw a new one on, or what can be chosen."""
        name, picture = request.query_params.get("panel", ""), request.query_params.get("picture", "")
        if name:
            self.place.panel(name)
        elif picture:
            self.place.picture(picture)
        else:
            return self._choose()
        columns = {column: list(UNITS[dimension_of(unit)]) for column, unit in QUANTITIES.items()}
        columns |= {"met": [], **{column: [] for column in TEXTS}}
        return page("panel.html", here="panel", panel=name, picture=picture, title=name or picture, kinds=KINDS, columns=columns)

    def _choose(self) -> Response:
        found = self.place.found()
        references = {self.place.name_of(path.parent / "reference.png") for path in found.panels.values()}
        folders: dict[str, list[str]] = {}
        for name in found.pictures:
            if name not in references:
                folders.setdefault(name.rpartition("/")[0], []).append(name)
        return page("panels.html", here="panel", panels=sorted(found.panels), folders=sorted(folders.items()), top=str(self.place.top))

    # -- answers -------------------------------------------------------------------------------------------------------

    def load(self, request: Request) -> Response:
        """A panel as the page works on it, and the screenshots it can be tried on."""
        name, picture = request.query_params.get("panel", ""), request.query_params.get("picture", "")
        draft, gauges, path = self._base(name, picture)
        pixels = self.reader.picture(draft.reference)
        reference = self.place.name_of(draft.reference)
        others = self._others(path, draft.reference)
        return plain({
            "reference": reference, "width": int(pixels.shape[1]), "height": int(pixels.shape[0]), "gauges": gauges,
            "stamp": stamp_of(path) if path else "", "others": others, "decimal": str(draft.top.get("decimal", "")),
        })  # fmt: skip

    def picture(self, request: Request) -> Response:
        """A picture of the folder as it is."""
        path = self.place.picture(request.query_params.get("name", ""))
        return Response(path.read_bytes(), media_type=_TYPES[path.suffix.casefold()], headers={"cache-control": "private, max-age=60"})

    def proposals(self, request: Request) -> Response:
        """Gauges that may be on a picture, as `analyser panel new` proposes them."""
        from analyser.ingest.proposals import propose
        from analyser.ingest.proposed_file import lamp_word, names

        draft, _, _ = self._base(request.query_params.get("panel", ""), request.query_params.get("picture", ""))
        gauges, found = [], propose(self.reader.picture(draft.reference))
        for each, name in zip(found, names(found)):
            left, top, right, bottom = each.box
            gauges.append({
                "name": name, "kind": each.kind,
                "reads": ["pitch", "roll"] if each.kind == "attitude" else [each.reads] if each.reads else [],
                "corners": [[left, top], [right, top], [right, bottom], [left, bottom]], "unit": each.unit, "units": list(each.units),
                "scale": [list(pair) for pair in each.scale],
                "more": {"digits": each.wheels} if each.wheels else {"on": lamp_word(each) or name} if each.kind == "lamp" else {}, "label": " ".join(f"{each.label} {each.text}".split()),
            })  # fmt: skip
        return plain({"gauges": gauges})

    async def read(self, request: Request) -> Response:
        """What gauges of a draft show in some pictures."""
        asked = await given(request)
        return await run_in_threadpool(self._read, asked)

    def _read(self, asked: dict[str, Any]) -> Response:
        draft, gauges, pictures = self._asked(asked)
        with checked(draft) as panel:
            return plain({"readings": self.reader.read(panel, gauges or list(panel.gauges), pictures)})

    async def crop(self, request: Request) -> Response:
        """A gauge of a draft in a picture, straight on."""
        asked = await given(request)
        return await run_in_threadpool(self._crop, asked)

    def _crop(self, asked: dict[str, Any]) -> Response:
        draft, gauges, pictures = self._asked(asked)
        if len(gauges) != 1 or len(pictures) != 1:
            raise InputError("one gauge in one picture is wanted")
        with checked(draft) as panel:
            return Response(self.reader.crop(panel, gauges[0], pictures[0][1]), media_type="image/png")

    async def save(self, request: Request) -> Response:
        """Write the panel file."""
        asked = await given(request)
        return await run_in_threadpool(self._save, asked)

    def _save(self, asked: dict[str, Any]) -> Response:
        name, picture = text_of(asked, "panel"), text_of(asked, "picture")
        base, _, path = self._base(name, picture)
        reference = base.reference
        if path is None:
            path, reference = self._new_panel(text_of(asked, "called", 60), base.reference)
        draft = draft_of_sent(asked.get("gauges"), reference, {**base.top, **_decimal(asked)})
        stamp, kept = save(draft, path, text_of(asked, "stamp", 64))
        return plain({"panel": self.place.name_of(path), "stamp": stamp, "kept": kept.name if kept else ""})

    async def upload(self, request: Request) -> Response:
        """Take a screenshot into the folder, to draw a new panel on."""
        name = _folder_name(request.query_params.get("called", ""))
        data = await request.body()
        return await run_in_threadpool(self._upload, name, data)

    def _upload(self, name: str, data: bytes) -> Response:
        from analyser.ingest.images import load_opencv, open_image, read_header

        folder = self.place.top / "panels" / name
        if (folder / "panel.toml").exists() or (folder / "reference.png").exists():
            raise InputError(f"there is a panel called {name} here already; choose another name")
        read_header(data, "the picture")
        taken = write_atomically(folder / ".reference.part", data)
        try:
            pixels = open_image(taken)
            write_atomically(folder / "reference.png", load_opencv().imencode(".png", pixels)[1].tobytes())
        finally:
            taken.unlink(missing_ok=True)
        self.place.found(fresh=True)
        return plain({"picture": self.place.name_of(folder / "reference.png")})

    # -- parts ---------------------------------------------------------------------------------------------------------

    def _base(self, name: str, picture: str) -> tuple[Draft, list[dict[str, Any]], Path | None]:
        """The draft that a page began with, its gauges, and its file where it has one."""
        if name:
            path = self.place.panel(name)
            draft, gauges = draft_of_file(path)
            if self.place.name_of(draft.reference) is None:
                raise InputError("the reference picture of this panel lies outside the folder; start the page where both are in it")
            return draft, gauges, path
        return Draft(self.place.picture(picture), (), {}), [], None

    def _asked(self, asked: dict[str, Any]) -> tuple[Draft, list[str], list[tuple[str, Path]]]:
        base, _, _ = self._base(text_of(asked, "panel"), text_of(asked, "picture"))
        draft = draft_of_sent(asked.get("gauges"), base.reference, {**base.top, **_decimal(asked)})
        known = {gauge["name"] for gauge in draft.gauges}
        gauges = asked.get("only", [])
        if not isinstance(gauges, list) or not all(isinstance(each, str) and each in known for each in gauges):
            raise InputError("there is no gauge of that name")
        names = asked.get("pictures", [])
        if not isinstance(names, list) or len(names) > 12 or not all(isinstance(each, str) for each in names):
            raise InputError("at most 12 pictures are read at once")
        return draft, gauges, [(each, self.place.picture(each)) for each in names]

    def _others(self, panel: Path | None, reference: Path) -> list[str]:
        """Screenshots of flights that name this panel, else those beside the picture, else any."""
        found = self.place.found()
        named: list[str] = []
        if panel is not None:
            for folder in found.flights.values():
                if _names_panel(folder, panel):
                    here = (self.place.name_of(folder) or "") + "/"
                    named += [name for name in found.pictures if name.startswith(here)]
        beside = [name for name, path in found.pictures.items() if path.parent == reference.parent and path != reference]
        others = named or beside or [name for name, path in found.pictures.items() if path.resolve() != reference.resolve()]
        step = max(1, len(others) // _OTHERS)
        return others[::step][:_OTHERS]

    def _new_panel(self, called: str, reference: Path) -> tuple[Path, Path]:
        """Where a new panel goes, its picture copied there."""
        from analyser.ingest.images import load_opencv

        own = self.place.top / "panels" / reference.parent.name
        if reference.parent == own and reference.name == "reference.png":
            return own / "panel.toml", reference
        folder = self.place.top / "panels" / _folder_name(called)
        if folder.exists():
            raise InputError(f"there is a folder {folder.name} among the panels already; choose another name")
        target = folder / "reference.png"
        write_atomically(target, load_opencv().imencode(".png", self.reader.picture(reference))[1].tobytes())
        return folder / "panel.toml", target


def _decimal(asked: dict[str, Any]) -> dict[str, str]:
    return {"decimal": asked["decimal"]} if asked.get("decimal") in (".", ",") else {}


def _folder_name(called: str) -> str:
    name = "-".join(called.split())
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", name):
        raise InputError("name the panel with letters, digits, - and _, at most 40 of them")
    return name


def _names_panel(folder: Path, panel: Path) -> bool:
    try:
        named = tomllib.loads((folder / "flight.toml").read_text("utf-8-sig")).get("panel")
        return isinstance(named, str) and (folder / named).resolve() == panel.resolve()
    except (OSError, ValueError):
        return False
