"""The law contract: what any control law must look like, built in or brought by a user.

A law is a class. It is built once per trial from its settings and one wearer's calibration, and asked once
per control tick. It sees the observation and nothing else: no true force, no interlock. A law may keep
memory on itself. Whatever it raises, returns or delays is the interlock's business, never the law's.
"""

from __future__ import annotations

from typing import Any, Final, Protocol

from thenar.shared.signals import REST, Calibration, Demand, Observation

AT_REST: Final = Demand(REST, REST)
"""The demand that asks for nothing on either channel."""


class Law(Protocol):
    """A law as the loop sees it."""

    def decide(self, observation: Observation) -> Demand:
        """What both channels should do until the next control tick."""
        ...


class LawClass(Protocol):
    """What a law's class can do besides: be built.

    Two class attributes are optional. `Settings` is a pydantic model (built-in laws derive it from
    `thenar.shared.errors.Strict`); without it the law gets the plain table of the scenario file as a dict.
    `summary` is one line of text for `thenar laws`; without it the first line of the docstring is shown.
    """

    def __call__(self, settings: Any, calibration: Calibration, /) -> Law:
        """A law for one wearer and one trial."""
        ...
