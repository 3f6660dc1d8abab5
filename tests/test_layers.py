"""Data goes one way: ingest -> fitting -> reporting. Each stage imports the domain and itself, never another stage; and the
commands that answer in flight load nothing heavy."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "analyser"
STAGES = ("ingest", "fitting", "reporting")
DOMAIN = ("attempts", "flight", "findings", "near_ground", "totals", "errors", "estimate", "records", "units", "files", "__version__")
HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "cv2", "jinja2", "sqlite3", "pytesseract")


def layer(module: str) -> str:
    """Which layer ``analyser.<...>`` belongs to: a stage, "domain", or "top" (what puts the stages together)."""
    part = module.split(".")[1] if "." in module else ""
    return part if part in STAGES else "domain" if part in DOMAIN else "top"


def imported(source: str, module: str) -> set[str]:
    """Every analyser module that ``source`` imports, wherever in it, type-checking blocks too."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "analyser"}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = module.split(".")[: -node.level] if not module.endswith("__init__") else module.split(".")[: -node.level]
                base = ".".join([*package, base] if base else package)
            if base.split(".")[0] == "analyser":
                found |= {f"{base}.{alias.name}" for alias in node.names} if base == "analyser" else {base}
    return found


def breaches(source: str, module: str) -> list[str]:
    """Imports of ``source`` that its layer may not make."""
    own = layer(module)
    allowed = {"domain": {"domain"}, "top": {"domain", "top", *STAGES}}.get(own, {"domain", own})
    return [f"{module} ({own}) imports {name}" for name in sorted(imported(source, module)) if layer(name) not in allowed]


def test_no_stage_imports_another():
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(("analyser", *path.relative_to(PACKAGE).with_suffix("").parts))
        found += breaches(path.read_text(encoding="utf-8"), module)
    # The package's own face hands out one name of each stage, on first use.
    found = [one for one in found if not one.startswith("analyser.__init__")]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("analyser.ingest.tables", "from analyser.fitting import fit_flight"),
        ("analyser.fitting.orbit", "def f():\n    from analyser.reporting.text import summary_text"),
        ("analyser.fitting.orbit", "import analyser.ingest.tables"),
        ("analyser.reporting.text", "from analyser.fitting.conic import elements"),
        ("analyser.flight", "from analyser import ingest"),
        ("analyser.ingest.tables", "from ..fitting import fit_flight"),
    ],
)
def test_the_check_catches_a_wrong_import(module, source):
    assert breaches(source, module)


@pytest.mark.parametrize(
    ("module", "source"),
    [("analyser.reporting.text", "from analyser.findings import Findings"), ("analyser.cli", "from analyser.fitting import fit_flight")],
)
def test_the_check_lets_right_imports_be(module, source):
    assert not breaches(source, module)


def loaded_by(*arguments: str, heavy: tuple[str, ...] = HEAVY) -> set[str]:
    """Heavy modules that a run of the command line has loaded, in a process of its own."""
    code = (
        "import sys\nfrom analyser.cli import main\n"
        "try:\n    code = main(sys.argv[1:])\nexcept SystemExit as end:\n    code = end.code\n"
        f"print('LOADED', code, *[name for name in {heavy!r} if name in sys.modules], file=sys.stderr)"
    )
    environment = {**os.environ, "ANALYSER_STATE": ""}
    done = subprocess.run([sys.executable, "-c", code, *arguments], cwd=ROOT / "samples", env=environment, capture_output=True, text=True, timeout=60)
    line = next(line for line in done.stderr.splitlines() if line.startswith("LOADED"))
    assert line.split()[1] == "0", done.stderr
    return set(line.split()[2:])


WORLD = ("--world", "worlds/ardent.toml")
CRAFT = ("--craft", "craft/heron.toml")


@pytest.mark.parametrize(
    "arguments",
    [
        ("--help",),
        ("fix", "--help"),
        ("debrief", "--help"),
        ("fix", "Lull", "61.9km", "992", "-3", *WORLD),
        ("fix", "Lull", "61.9km", "650", "--then", "61.5km", "60s", *WORLD, "--json"),
        ("fix", "Lull", "3.2km", "140", "-95", "--goal", "land", "--propellant", "900kg", *WORLD, *CRAFT),
        ("fix", "Lull", "31km", "734", "1", "--goal", "return", "--plan", "plans/there-and-back.toml", *WORLD),
        ("card", "Lull", *WORLD, *CRAFT),
    ],
    ids=lambda arguments: " ".join(arguments)[:40],
)
def test_quick_commands_load_nothing_heavy(arguments):
    assert loaded_by(*arguments) == set()


#: Modules of the standard library that take longer to load than an answer in flight takes to find.
SLOW = ("dataclasses", "inspect", "typing", "json", "tomllib", "statistics", "datetime")


@pytest.mark.parametrize(
    "arguments",
    [
        ("fix", "Lull", "61.9km", "992", "-3", *WORLD),
        ("fix", "Lull", "61.9km", "992", "-3", "--goal", "apoapsis 80 km", *WORLD, *CRAFT, "--propellant", "1744kg"),
        ("fix", "Lull", "3.2km", "140", "-95", "--goal", "land", "--propellant", "900kg", *WORLD, *CRAFT),
    ],
    ids=lambda arguments: " ".join(arguments)[:40],
)
def test_a_fix_loads_nothing_slow_of_the_standard_library(arguments):
    before = set(subprocess.run([sys.executable, "-c", f"import sys; print(*[name for name in {SLOW!r} if name in sys.modules])"],
                                capture_output=True, text=True, timeout=60).stdout.split())  # fmt: skip
    assert loaded_by(*arguments, heavy=SLOW) <= before


def test_the_check_of_loaded_modules_sees_them():
    assert "numpy" in loaded_by("plan", "plans/arrival.toml", *WORLD)
    assert "json" in loaded_by("fix", "Lull", "61.9km", "992", "-3", *WORLD, "--json", heavy=SLOW)
