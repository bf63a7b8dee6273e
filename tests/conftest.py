"""How every test draws its examples: afresh each time, and always in a way that can be repeated."""

from __future__ import annotations

import gc
import os
import secrets
import signal

import pytest
from hypothesis import settings

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # As in the background of a script. A process that a test starts would inherit it, and never hear Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)

# No deadline: the first call of a compiled step takes seconds, later ones microseconds.
settings.register_profile("default", deadline=None, print_blob=True)
# Hypothesis's own profile of this name draws the same examples for ever. CI should find new ones.
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=False, database=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if os.environ.get("CI") else "default"))


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Draw the seed of all property tests here, so that the report's header can name it."""
    if config.option.hypothesis_seed is None:
        config.option.hypothesis_seed = str(secrets.randbits(32))


def pytest_report_header(config: pytest.Config) -> str:
    """The line that repeats this run's drawn examples."""
    return f"repeat the drawn examples with: --hypothesis-seed={config.option.hypothesis_seed}"


def pytest_collection_finish() -> None:
    """Leave what the imports made out of every later garbage collection: with all libraries in, one takes 0.14 s."""
    gc.collect()
    gc.freeze()
