"""Waiting for what must come, however busy the machine is; and limits of time that only an idle one is held to."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

LONG_S = 300.0
"""A deadline that only what never comes can miss: a first start compiles all models, perhaps beside other work."""


def until(holds: Callable[[], object], what: str = "it", within_s: float = LONG_S) -> None:
    """Wait until `holds()` is true; fails with `what` never came."""
    limit_s = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < limit_s, f"{what}: not within {within_s:g} s"
        time.sleep(0.01)


def limit_ms(strict: float) -> pytest.MarkDecorator:
    """The parameter `limit_ms`: `strict` in the campaigns, which have the machine to themselves; else a minute."""
    alone = pytest.param(strict, marks=pytest.mark.campaign, id=f"within-{strict:g}-ms-on-an-idle-machine")
    return pytest.mark.parametrize("limit_ms", [pytest.param(60_000.0, id="on-any-machine"), alone])
