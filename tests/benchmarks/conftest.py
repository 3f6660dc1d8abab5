"""What the benchmarks share."""

import cv2
import pytest


@pytest.fixture
def one_core():
    """OpenCV on one thread."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)
