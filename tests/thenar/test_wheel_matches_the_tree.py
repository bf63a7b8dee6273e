"""The wheel that users install holds every file of the packages, and nothing else.

The editable install finds any file in the mapped folders, so a sub-package or a data file that pyproject.toml forgets
would work here and be missing for everyone else.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS: dict[str, str] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"][
    "package-dir"
]
LEFT_OUT = shutil.ignore_patterns("__pycache__", ".*", "*.egg-info")


def packages_beside(root: Path) -> set[str]:
    """Every file under the mapped folders below `root`, by the path it should have in the wheel."""
    return {
        f"{package.replace('.', '/')}/{file.relative_to(root / folder).as_posix()}"
        for package, folder in FOLDERS.items()
        for file in (root / folder).rglob("*")
        if file.is_file()
    }


def copied_sources(into: Path) -> Path:
    """A copy of all that a build reads, so that nothing left over from an earlier build can slip in."""
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, into)
    for folder in FOLDERS.values():
        shutil.copytree(ROOT / folder, into / folder, ignore=LEFT_OUT)
    return into


def built_wheel(source: Path, into: Path) -> set[str]:
    """The names of the files in a wheel built from `source`, less the wheel's own notes."""
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q", "wheel", "--no-deps", "--no-index"]
    command = [*pip, "--no-build-isolation", "--wheel-dir", str(into), str(source)]
    finished = subprocess.run(command, check=False, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert finished.returncode == 0, finished.stdout + finished.stderr
    with zipfile.ZipFile(next(into.glob("*.whl"))) as wheel:
        return {name for name in wheel.namelist() if ".dist-info/" not in name}


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    """A fresh copy of the sources. Needs the builder that the test extra names."""
    pytest.importorskip("setuptools", minversion="80", reason="building the wheel needs setuptools 80 or newer")
    folder = tmp_path / "sources"
    folder.mkdir()
    return copied_sources(folder)


def test_the_wheel_holds_every_file_of_the_packages_and_no_other(sources: Path, tmp_path: Path) -> None:
    expected = packages_beside(sources)
    built = built_wheel(sources, tmp_path / "wheel")
    assert sorted(expected - built) == [], "in the tree, missing from the wheel: name it in pyproject.toml"
    assert sorted(built - expected) == [], "in the wheel, not in the tree"


def test_a_package_that_pyproject_forgets_is_noticed(sources: Path, tmp_path: Path) -> None:
    forgotten = sources / "controller" / "forgotten"
    forgotten.mkdir()
    (forgotten / "__init__.py").write_text("", "utf-8")
    (sources / "shared" / "forgotten.csv").write_text("t_us\n0\n", "utf-8")
    missing = packages_beside(sources) - built_wheel(sources, tmp_path / "wheel")
    assert missing >= {"thenar/controller/forgotten/__init__.py", "thenar/shared/forgotten.csv"}
