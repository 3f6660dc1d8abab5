import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # made_flight lies beside, in tests/

from made_flight import made_findings, made_flight  # noqa: E402


@pytest.fixture(scope="session")
def flight():
    return made_flight()


@pytest.fixture(scope="session")
def findings():
    return made_findings()
