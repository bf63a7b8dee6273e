"""The README's pictures: each is there, small, made by a command of the repository, and has a text."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest
from PIL import Image

ROOT = Path(__file__).parents[2]
SHOWN = re.findall(r"!\[([^\]]*)\]\((docs/pictures/[^)]+)\)", (ROOT / "README.md").read_text("utf-8"))


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "docs" / "make_pictures.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_readme_shows_every_picture_that_is_made_and_no_other(maker: ModuleType) -> None:
    made = sorted(f"docs/pictures/{picture.name}.png" for picture in maker.PICTURES)
    assert sorted(file for _, file in SHOWN) == made
    assert sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "docs" / "pictures").iterdir()) == made


def test_each_picture_is_small_and_has_words_for_those_who_cannot_see_it(maker: ModuleType) -> None:
    for words, file in SHOWN:
        assert (ROOT / file).stat().st_size <= maker.LARGEST_BYTES, file
        assert len(words.split()) >= 5, file


def test_a_picture_with_too_many_bytes_is_made_smaller(maker: ModuleType, tmp_path: Path) -> None:
    large = tmp_path / "large.png"
    Image.effect_noise((120, 60), 60.0).resize((2400, 1200), Image.Resampling.BICUBIC).save(large)
    small = maker.small(large.read_bytes())
    assert len(small) <= maker.LARGEST_BYTES < large.stat().st_size


def test_a_picture_that_stays_too_large_is_refused(maker: ModuleType, tmp_path: Path) -> None:
    noisy = tmp_path / "noisy.png"
    Image.effect_noise((1800, 900), 60.0).save(noisy)
    with pytest.raises(SystemExit, match="can't be brought below"):
        maker.small(noisy.read_bytes())


def test_an_unknown_picture_is_named_and_nothing_is_made(maker: ModuleType) -> None:
    with pytest.raises(SystemExit, match="swep unknown; there are force"):
        maker.main(["swep"])
