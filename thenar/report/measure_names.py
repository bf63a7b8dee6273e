"""Whether the measures that a `[study]` part names are columns of a run's table of trials."""

from __future__ import annotations

from collections.abc import Iterator

from thenar.report.metrics import METRICS
from thenar.scenarios.study import Study
from thenar.shared.errors import Problem, nearest, shown


def measure_problems(study: Study, file: str) -> Iterator[Problem]:
    """A problem per unknown measure, with the nearest name. `file`: what errors call the scenario file."""
    known = [metric.name for metric in METRICS]
    named = {"study.primary": study.primary}
    named |= {f"study.measures[{place}]": name for place, name in enumerate(study.measures)}
    for key, name in named.items():
        if name not in known:
            yield Problem(file, key, shown(name), f"one of {', '.join(known)}", nearest(name, known))
