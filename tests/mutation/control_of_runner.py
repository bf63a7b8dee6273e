"""Run inside the mutated tree only (its file name keeps it out of `make test`): meets the planted file."""

from __future__ import annotations

from thenar.safety.runner_control import settled  # type: ignore[import-not-found]


def test_the_planted_value_is_itself() -> None:
    assert settled(7) == 7
