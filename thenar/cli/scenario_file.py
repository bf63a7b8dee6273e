"""What a person types for a scenario: a file, or the name of a shipped one."""

from __future__ import annotations

from thenar.scenarios.gallery import find_scenario
from thenar.scenarios.loader import LoadedScenario, load_scenario
from thenar.shared.errors import InputError


def load_typed(typed: str, trust_law: bool = False) -> LoadedScenario:
    """The scenario meant by `typed`, its law loaded and checked too (a user's law file is RUN). Raises InputError.

    `trust_law`: a law of the user's own runs inside this process.

    The measures of a study are checked here: the scenario file itself knows nothing of reports.
    """
    path = find_scenario(typed)
    loaded = load_scenario(path, check_law=True, trust_law=trust_law)
    if loaded.scenario.study is not None:
        from thenar.report.measure_names import measure_problems

        problems = list(measure_problems(loaded.scenario.study, str(path)))
        if problems:
            raise InputError(problems)
    return loaded
