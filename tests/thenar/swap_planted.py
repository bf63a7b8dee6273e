"""A command that runs with one limit of the antagonist read from the wrong place.

`python -m tests.thenar.swap_planted NAME SOURCE pytest -x tests/safety`, or `… thenar challenge PROFILE`; SOURCE is
`agonist` or the limit that is read in its place. It leaves with the command's own code.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final
from unittest.mock import patch

from thenar.safety import conversion
from thenar.safety.limits import Limits

ONE_KEY: Final = {"slew_uA_per_s": "rise_uA", "width_slew_us_per_s": "width_rise_us"}
"""Two limits of one key, neither of which allows more while the other is right: a key read elsewhere changes both."""


def swapped(limits: Limits, name: str, source: str | int) -> Limits:
    """The limits with the antagonist's `name` read from the agonist (all limits of one key) or a field, or given."""
    if isinstance(source, int):
        wrong = {name: source}
    elif source != "agonist":
        wrong = {name: getattr(limits.antagonist, source)}
    else:
        fields = next((pair for pair in ONE_KEY.items() if name in pair), (name,))
        wrong = {field: getattr(limits.agonist, field) for field in fields}
    return limits._replace(antagonist=limits.antagonist._replace(**wrong))


@contextmanager
def planted(name: str, source: str | int) -> Iterator[None]:
    """The conversion reads this limit of the antagonist from there."""
    right = conversion.limits_of

    def wrong(*given: Any, **named: Any) -> Limits:
        return swapped(right(*given, **named), name, source)

    with patch.object(conversion, "limits_of", wrong):
        yield


def main(name: str, source: str, program: str, *arguments: str) -> int:
    """Run pytest or thenar with the swap planted, before anything has taken the conversion from its module."""
    with planted(name, source):
        if program == "pytest":
            import pytest

            return int(pytest.main([*arguments]))
        from thenar.cli import main as thenar

        return thenar([*arguments])


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
