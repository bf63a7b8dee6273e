"""Published data that the outside checks read."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.outside import recorded_trapezoid as recording


class RecordedForce(NamedTuple):
    """A measured force: shape (n,), percent of maximum voluntary contraction, and its sampling rate in Hz."""

    force_percent_mvc: NDArray[np.float64]
    rate_Hz: float


@pytest.fixture(scope="session")
def recorded_trapezoid() -> RecordedForce:
    """The real recorded trapezoid, from the cache only. Skips the test, with the reason, when it is not there."""
    try:
        force = recording.read_force()
    except recording.NoRecordingError as reason:
        pytest.skip(str(reason))
    force.setflags(write=False)
    return RecordedForce(force, recording.RATE_HZ)
