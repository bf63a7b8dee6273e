"""A plugin for the mutated tree: the quickest tests run first, so that most mutants fall within half a second.

With THENAR_MUTATION=quick the slower tests are left out. What lives through the quick ones meets all of them later.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Final

import pytest

_MEASURED: Final = Path("mutmut-stats.json")
"""What the runner measured on the unmutated code; not there yet when it takes that measure."""
_QUICK_S: Final = 0.03


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Order the tests by the time that each took, then by name; leave the slow ones out of a quick run."""
    if not _MEASURED.exists():
        return
    took: dict[str, float] = json.loads(_MEASURED.read_text("utf-8"))["duration_by_test"]
    items.sort(key=lambda item: (took.get(item.nodeid, 0.0), item.nodeid))
    if os.environ.get("THENAR_MUTATION") == "quick":
        slow = [item for item in items if took.get(item.nodeid, 0.0) > _QUICK_S]
        items[:] = items[: len(items) - len(slow)]
        config.hook.pytest_deselected(items=slow)
