"""The trials of a sweep, wearer by wearer, a chunk at a time, so that memory stays flat.

Random numbers are common to all settings by themselves: noise is named by seed, wearer and repeat alone. Settings that
differ only under `law.` form a group: their trials are planned once and given each law in turn. Without stimulation no
law is asked, so the unassisted trials of a group are run once, under its first setting, and count for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from thenar.controller.registry import LawSettings, is_built_in, stated
from thenar.engine.trial import Trial, trials_of_wearer, wearer_in
from thenar.plant_models.settings import Wearer
from thenar.safety.profile import LimitProfile
from thenar.scenarios.changes import settings_of
from thenar.scenarios.files import NamedFile
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.schema import Scenario
from thenar.scenarios.targets import moves
from thenar.shared.errors import InputError
from thenar.study.axes import LAW
from thenar.study.designs import Setting
from thenar.study.tasks import Chunk

CHUNK: Final = 1024
"""Trials planned ahead and held at once."""
UNASSISTED: Final = "unassisted"


class PlannedSetting(NamedTuple):
    """One checked setting. `group`: the number of the first setting that differs from it only under `law.`.

    `sha256`: of the scenario's text with the values in it; `limits`: fingerprint of its limit profile;
    `deviations`: bounds looser than the default, as in trials.csv; `trials`: how many the scenario has.
    """

    number: int
    values: Setting
    sha256: str
    group: int
    law: LawSettings
    limits: str
    deviations: str
    trials: int


@dataclass(frozen=True)
class _Group:
    """What the settings of a group share. `people`: the first group with the very same wearers."""

    loaded: LoadedScenario
    seed: int
    moving: bool
    people: int
    members: list[PlannedSetting]


class SweepPlan:
    """Every setting of a sweep, checked before anything runs. Raises InputError at the first that can't run.

    `seed` replaces the scenario's own (no unit) when given. `on_checked` is called after each setting.
    """

    def __init__(
        self,
        loaded: LoadedScenario,
        values: Sequence[Setting],
        *,
        seed: int | None,
        on_checked: Callable[[object], None] = lambda _: None,
    ) -> None:
        self.settings: list[PlannedSetting] = []
        self.files: dict[str, str] = {}
        self._groups: dict[int, _Group] = {}
        first_with: dict[tuple[object, ...], int] = {}
        for number, found in enumerate(_checked(loaded, values)):
            self._note_files(found.files)
            beside_the_law = tuple(item for item in values[number].items() if not item[0].startswith(LAW))
            group = first_with.setdefault(beside_the_law, number)
            planned = _planned(number, values[number], group, found)
            if group == number:
                used_seed = found.scenario.seed if seed is None else seed
                shared = _sharing(found, loaded)
                self._groups[group] = _Group(
                    shared, used_seed, moves(found.scenario.target), self._people(shared, used_seed, group), []
                )
            self._groups[group].members.append(planned)
            self.settings.append(planned)
            on_checked(number)

    @property
    def trials(self) -> int:
        """How many trials there are to run in all, those that settings share counted once."""
        return sum(_trials_of(group) for group in self._groups.values())

    def profiles(self) -> list[LimitProfile]:
        """The limit profiles of all settings, each once."""
        profiles = [group.loaded.profile for group in self._groups.values()]
        return list({profile.fingerprint(): profile for profile in profiles}.values())

    def chunks(self, done: Mapping[int, bytearray], size: int = CHUNK) -> Iterator[Chunk]:
        """The trials that are not done yet. `done`: by setting, 1 at the number of each trial that is."""
        settings: list[int] = []
        trials: list[Trial] = []
        moving = False
        for setting, trial, is_moving in self._trials(done):
            if trials and (len(trials) >= size or is_moving != moving):
                yield Chunk(tuple(settings), tuple(trials), moving)
                settings, trials = [], []
            settings.append(setting)
            trials.append(trial)
            moving = is_moving
        if trials:
            yield Chunk(tuple(settings), tuple(trials), moving)

    def _trials(self, done: Mapping[int, bytearray]) -> Iterator[tuple[int, Trial, bool]]:
        """(setting, trial, whether its target moves): wearer by wearer, repeat by repeat, all settings together."""
        scenarios = [group.loaded.scenario for group in self._groups.values()]
        for wearer in range(max(scenario.wearer_count for scenario in scenarios)):
            people: dict[int, Wearer] = {}
            for repeat in range(max(scenario.repeats for scenario in scenarios)):
                for group in self._groups.values():
                    wanted = [
                        (member, place)
                        for member, place, number in _cells_of(group, wearer, repeat)
                        if not done[member.number][number]
                    ]
                    if not wanted:
                        continue
                    if group.people not in people:
                        people[group.people] = wearer_in(group.loaded, group.seed, wearer)
                    planned = trials_of_wearer(group.loaded, group.seed, wearer, people[group.people], repeat)
                    for member, place in wanted:
                        yield member.number, replace(planned[place], law=member.law), group.moving

    def _people(self, loaded: LoadedScenario, seed: int, group: int) -> int:
        mine = loaded.scenario
        for number, other in self._groups.items():
            theirs = other.loaded.scenario
            if other.seed == seed and (theirs.wearer, theirs.wearers, theirs.population) == (
                mine.wearer,
                mine.wearers,
                mine.population,
            ):
                return number
        return group

    def _note_files(self, files: Iterable[NamedFile]) -> None:
        self.files.update({file.name: file.sha256 for file in files})


def _trials_of(group: _Group) -> int:
    scenario = group.loaded.scenario
    shared = scenario.conditions.count(UNASSISTED)
    each = len(group.members) * (len(scenario.conditions) - shared) + shared
    return each * scenario.wearer_count * scenario.repeats


def _cells_of(group: _Group, wearer: int, repeat: int) -> Iterator[tuple[PlannedSetting, int, int]]:
    """(setting, place of the condition, number of the trial) of what a group runs of one wearer in one repeat."""
    scenario = group.loaded.scenario
    if wearer >= scenario.wearer_count or repeat >= scenario.repeats:
        return
    first = (wearer * scenario.repeats + repeat) * len(scenario.conditions)
    for member in group.members:
        for place, condition in enumerate(scenario.conditions):
            if condition != UNASSISTED or member is group.members[0]:
                yield member, place, first + place


def _checked(loaded: LoadedScenario, values: Sequence[Setting]) -> Iterator[LoadedScenario]:
    """Each setting's scenario. Raises InputError that names the setting at fault."""
    found = settings_of(loaded, values)
    for number, setting in enumerate(values, 1):
        try:
            scenario = next(found)
            _check_law(scenario)
        except InputError as error:
            told = ", ".join(f"{key}={value}" for key, value in setting.items())
            where = f" (in setting {number} of {len(values)}: {told})"
            raise InputError(problem._replace(found=problem.found + where) for problem in error.problems) from None
        yield scenario


def _check_law(loaded: LoadedScenario) -> None:
    """Raise InputError when a law that others bring can't be loaded or doesn't take its settings (it is RUN)."""
    law = loaded.scenario.law
    if not is_built_in(law.name or ""):
        stated(law, loaded.base, str(loaded.path), trusted=loaded.trust_law)


def _planned(number: int, values: Setting, group: int, found: LoadedScenario) -> PlannedSetting:
    loosened = ";".join(f"{bound.key}={bound.value:.12g}" for bound in found.profile.deviations())
    limits = found.profile.fingerprint()
    scenario = found.scenario
    return PlannedSetting(number, values, found.sha256, group, scenario.law, limits, loosened, scenario.trial_count)


def _sharing(found: LoadedScenario, base: LoadedScenario) -> LoadedScenario:
    """`found` with the base's own tables, limits and recordings wherever they are equal, so that they are held once."""
    theirs = {name: getattr(base.scenario, name) for name in Scenario.model_fields}
    same = {name: value for name, value in theirs.items() if getattr(found.scenario, name) == value}
    shared = replace(found, scenario=found.scenario.model_copy(update=same), text="")
    if found.profile == base.profile:
        shared = replace(shared, profile=base.profile)
    if found.files == base.files and found.recordings.keys() == base.recordings.keys():
        shared = replace(shared, recordings=base.recordings, fitted=base.fitted, people=base.people)
    return shared
