"""Files of vectors: their shape, the same again for the same seed, what is in them."""

from __future__ import annotations

import json
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from tests.safety.interlock_bench import PLAIN, limits_for
from thenar.cli import main
from thenar.safety.memory import MEMORY_SIZE
from thenar.safety.profile import shipped_profiles
from thenar.safety.reasons import RULES
from thenar.safety.vectors.file import record_of
from thenar.safety.vectors.layout import FLAGS, fields
from thenar.safety.vectors.schema import vector_schema
from thenar.safety.vectors.sources import drawn
from thenar.safety.vectors.verify import verify_file

COUNT = 6_000
WITHOUT_A_BIT = {29, 38}
"""R29 is a value inside R13, R38 is the mask itself."""


def quiet(_: int) -> None:
    """Nobody watches."""


@pytest.fixture(scope="module")
def vectors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of vectors."""
    file = tmp_path_factory.mktemp("vectors") / "vectors.jsonl"
    assert main(["vectors", "forearm-25cm2", "--out", str(file), "--count", str(COUNT), "--seed", "3"]) == 0
    return file


def lines_of(file: Path) -> list[dict[str, Any]]:
    """Every line, read."""
    return [json.loads(line) for line in file.read_text("utf-8").splitlines()]


def test_the_interlock_answers_as_its_own_vectors_say(vectors: Path) -> None:
    found = verify_file(vectors, quiet)
    assert found.header["count"] == COUNT
    assert found.differing == ()


def test_every_line_fits_the_schema(vectors: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["vectors", "--schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema == vector_schema()
    checker = jsonschema.Draft202012Validator(schema)
    checker.check_schema(schema)
    lines = lines_of(vectors)
    for line in [*lines[:40], *lines[40::200]]:
        checker.validate(line)
    with pytest.raises(jsonschema.ValidationError):
        checker.validate(lines[-1] | {"more": 1})


def test_every_rule_and_every_flag_is_met(vectors: Path) -> None:
    rules: Counter[int] = Counter()
    flags: Counter[str] = Counter()
    for line in lines_of(vectors):
        flags.update(line["flags"] if "calls" in line else ())
        for call in line.get("calls", ()):
            rules.update(rule for rule in range(1, RULES + 1) if call.get("reasons", 0) >> (rule - 1) & 1)
    assert set(rules) == set(range(1, RULES + 1)) - WITHOUT_A_BIT
    assert set(flags) == set(FLAGS) - {"altered"}


@pytest.mark.parametrize("name", shipped_profiles())
def test_drawn_vectors_are_the_same_for_the_same_seed_and_others_for_another(name: str) -> None:
    limits = limits_for(name=name)
    first, again, other = (
        [record_of(vector, 0, 0) for vector in islice(drawn(limits, np.random.default_rng(seed)), 120)]
        for seed in (1, 1, 2)
    )
    assert first == again
    assert first != other


@pytest.mark.skipif(PLAIN, reason="two files take a minute without the compiler; what is drawn is compared above")
def test_the_same_seed_gives_the_same_file(tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("first", "again")]
    for file in files:
        assert main(["vectors", "thumb-8cm2", "--out", str(file), "--count", "300", "--seed", "1"]) == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert sorted(tmp_path.iterdir()) == sorted(files)


def test_every_vector_of_a_control_file_differs(tmp_path: Path) -> None:
    file = tmp_path / "control.jsonl"
    assert main(["vectors", "forearm-25cm2", "--control", "--out", str(file), "--count", "900"]) == 0
    found = verify_file(file, quiet)
    assert [number for number, _ in found.differing] == list(range(900))
    assert main(["vectors", "--verify", str(file)]) == 1


def test_names_are_many_enough_and_told_apart() -> None:
    names = fields()["memory"]
    assert len(names) == len(set(names)) == MEMORY_SIZE


@pytest.mark.parametrize("arguments", [["vectors"], ["vectors", "forearm-25cm2"], ["vectors", "--verify", "nowhere"]])
def test_a_command_that_lacks_something_says_so(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert "allowed:" in capsys.readouterr().err
