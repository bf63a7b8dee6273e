"""Three hundred damaged gallery files: each loads or is refused with an InputError on one screen, nothing else.

The seed is that of pytest's header (`--hypothesis-seed=N` repeats it); a failure also prints the damaged text.
"""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from thenar.scenarios.gallery import GALLERY, gallery_files
from thenar.scenarios.loader import load_scenario
from thenar.shared.errors import InputError

MUTATIONS = 300
KEY = re.compile(r"^\s*([A-Za-z_.]+)\s*=", re.MULTILINE)
VALUE = re.compile(r"=\s*([^#\n]+)")
NUMBER = re.compile(r"(?<=[=\[, ])-?\d+(\.\d+)?")
VALUES = (
    *("nan", "inf", "-inf", "true", "[]", "{}", '""', '"text"', "1979-05-27", "-1", "0", "0.0", "-0.0", "1e308"),
    *("1e-308", "9223372036854775807", "9223372036854775808", "9" * 4400, "0x" + "f" * 4000, "'\\'", '"\\u0000"'),
    *("[[]]", "[1, 'a']", "[nan]", "{a = 1}", "5e-324", '"\\u202e"', '"' + "x" * 3000 + '"', "[" * 2000 + "]" * 2000),
)

Damage = Callable[[random.Random, str], str]


def _line(draw: random.Random, text: str) -> tuple[list[str], int]:
    lines = text.splitlines(keepends=True)
    return lines, draw.randrange(len(lines))


def delete_a_line(draw: random.Random, text: str) -> str:
    """One line fewer."""
    lines, place = _line(draw, text)
    return "".join(lines[:place] + lines[place + 1 :])


def duplicate_a_line(draw: random.Random, text: str) -> str:
    """One line again, somewhere."""
    lines, place = _line(draw, text)
    lines.insert(draw.randrange(len(lines)), lines[place])
    return "".join(lines)


def _put(draw: random.Random, text: str, what: re.Pattern[str], group: int, new: str) -> str:
    places = list(what.finditer(text))
    if not places:
        return text
    place = draw.choice(places)
    return text[: place.start(group)] + new + text[place.end(group) :]


def retype_a_value(draw: random.Random, text: str) -> str:
    """Another kind of value."""
    return _put(draw, text, VALUE, 1, draw.choice(VALUES))


def swap_a_number(draw: random.Random, text: str) -> str:
    """Another number, inside lists too."""
    return _put(draw, text, NUMBER, 0, draw.choice(VALUES[:18]))


def rename_a_key(draw: random.Random, text: str) -> str:
    """A key misspelt, doubled in depth, or replaced by another key of the file."""
    names = [match.group(1) for match in KEY.finditer(text)] or ["x"]
    name = draw.choice(names)
    new = draw.choice(
        [name + "x", name[1:] or "y", f"{name}.{name}", f'"{name}\\n"', draw.choice(names), ".".join("ab" * 40)]
    )
    return _put(draw, text, KEY, 1, new)


def rename_a_table(draw: random.Random, text: str) -> str:
    """Another heading, single or doubled brackets."""
    new = draw.choice(
        ["[faults]", "[[wearers]]", "[[target]]", "[wearer.cue]", "[law.settings.x]", "[[faults]]", "[x]"]
    )
    return _put(draw, text, re.compile(r"^\[.*\]", re.MULTILINE), 0, new)


def truncate(draw: random.Random, text: str) -> str:
    """Only the beginning."""
    return text[: draw.randrange(len(text))]


DAMAGES: tuple[Damage, ...] = (
    delete_a_line,
    duplicate_a_line,
    retype_a_value,
    retype_a_value,
    swap_a_number,
    rename_a_key,
    rename_a_table,
    truncate,
)


def byte_noise(draw: random.Random, content: bytes) -> bytes:
    """A few bytes replaced by any bytes."""
    noisy = bytearray(content)
    for _ in range(draw.randint(1, 8)):
        noisy[draw.randrange(len(noisy))] = draw.randrange(256)
    return bytes(noisy)


def damaged(draw: random.Random) -> bytes:
    """One gallery file with one to three injuries."""
    text = draw.choice(gallery_files()).read_text("utf-8")
    if draw.random() < 0.1:
        return byte_noise(draw, text.encode())
    for _ in range(draw.randint(1, 3)):
        text = draw.choice(DAMAGES)(draw, text) or "\n"
    return text.encode()


def test_a_damaged_scenario_loads_or_is_refused_on_one_screen(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    seed = int(request.config.getoption("hypothesis_seed"))
    draw = random.Random(seed)
    shutil.copy(GALLERY / "recorded-hand.csv", tmp_path)
    path = tmp_path / "study.toml"
    loaded = refused = 0
    for number in range(MUTATIONS):
        content = damaged(draw)
        path.write_bytes(content)
        try:
            load_scenario(path)
            loaded += 1
        except InputError as error:
            refused += 1
            lines = str(error).splitlines()
            assert len(lines) <= 60, f"seed {seed}, mutation {number}: {content!r}"
            assert max(len(line) for line in lines) <= 600, f"seed {seed}, mutation {number}: {content!r}"
            assert all(line.isprintable() for line in lines), f"seed {seed}, mutation {number}: {content!r}"
            assert str(path) in lines[0] or "recorded-hand.csv" in lines[0]
        except Exception as error:
            raise AssertionError(f"seed {seed}, mutation {number}: {content!r}") from error
    print(f"seed {seed}: {loaded} loaded, {refused} refused")
    assert refused > MUTATIONS // 4
