"""`thenar.study.whatif`: the same scenario decides the same, and a changed limit or gain changes what it must."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

import thenar.safety.profile
from tests.folders import resealed
from thenar.cli import main
from thenar.report.tables import read_trial
from thenar.run import run_scenario
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import LoadedScenario, load_scenario, parse_scenario
from thenar.shared.errors import InputError
from thenar.study.session import Session
from thenar.study.session_run import session_of_run, trial_in
from thenar.study.whatif import Person, WhatIf, whatif
from thenar.study.whatif_differences import Compared, compared

OHMS = {"agonist_contact_ohm", "antagonist_contact_ohm"}
"""What only a plant can tell: all else in a decision must be the same."""

REPEATS = {"graver-hold": 2, "stop-and-re-arm": 2}
"""How often a gallery scenario is repeated here; others once."""


class Ran(NamedTuple):
    """A scenario that was run, and where."""

    loaded: LoadedScenario
    folder: Path

    def session(self, trial: int) -> tuple[Session, Person]:
        chosen = trial_in(self.folder, trial)
        record = chosen.record
        person = Person(record.wearer, record.repeat, record.condition, chosen.seed)
        return session_of_run(chosen), person

    def again(self, trial: int, loaded: LoadedScenario | None = None) -> tuple[WhatIf, Compared]:
        session, person = self.session(trial)
        found = whatif(session, self.loaded if loaded is None else loaded, person)
        return found, compared(session, found)

    def table(self, name: str, trial: int) -> dict[str, Any]:
        return read_trial(self.folder / f"{name}.parquet", trial)


def ran(folder: Path, loaded: LoadedScenario) -> Ran:
    run_scenario(loaded, folder, jobs=1)
    return Ran(loaded, folder)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Gallery scenarios by name, each run once, with two repeats at most."""
    base, kept = tmp_path_factory.mktemp("whatif"), {}

    def get(name: str) -> Ran:
        if name not in kept:
            loaded = load_scenario(gallery_file(name))
            fewer = with_values(loaded, {"repeats": min(REPEATS.get(name, 1), loaded.scenario.repeats)})
            kept[name] = ran(base / name, fewer)
        return kept[name]

    return get


@pytest.mark.parametrize(
    ("name", "trials"),
    [
        ("bad-day", [0]),
        ("stop-and-re-arm", [0, 1, 2, 3]),
        ("graver-hold", [1, 3]),
        ("slow-press", [1, 2]),
        ("recorded-hand", [1]),
        ("wearer-who-resists", [1, 3]),
        ("not-screened", [1]),
    ],
)
def test_the_same_scenario_decides_the_same_at_every_tick(runs: Any, name: str, trials: list[int]) -> None:
    made = runs(name)
    for trial in trials:
        found, beside = made.again(trial)
        before = made.table("decisions", trial)
        unlike = {column for column in before if not np.array_equal(before[column], found.decisions[column])}
        assert unlike <= OHMS, f"{name}, trial {trial}"
        for column, values in made.table("pulses", trial).items():
            np.testing.assert_array_equal(values, found.pulses[column], err_msg=f"{name}, {trial}, {column}")
        session, _ = made.session(trial)
        assert session.run is not None
        assert found.trips == session.run.trips
        assert beside.differences == ()
        assert beside.commands_apart == (0, 0, len(found.ticks))


def test_a_run_that_trips_is_among_those_compared(runs: Any) -> None:
    assert [cause for _, cause in runs("bad-day").again(0)[0].trips] == ["R30", "R30"]
    assert [cause for _, cause in runs("stop-and-re-arm").again(0)[0].trips] == ["R33"]


def test_a_wider_deadband_changes_the_ticks_whose_error_leaves_the_old_one_and_no_other(runs: Any) -> None:
    made = runs("graver-hold")
    old_N, new_N = 0.4, 0.9
    found, beside = made.again(1, with_values(made.loaded, {"law.settings.deadband_N": new_N}))
    assert found.trips == ()
    before = made.table("decisions", 1)
    error_N = np.abs(found.target_N - found.estimate_N)
    known = np.isfinite(error_N)
    changed = np.zeros(error_N.size, dtype=bool)
    for channel in ("agonist", "antagonist"):
        changed |= found.decisions[f"{channel}_asked_uA"] != before[f"{channel}_asked_uA"]
    np.testing.assert_array_equal(changed, known & (error_N > old_N))
    quiet = (found.decisions["agonist_asked_uA"] == 0) & (found.decisions["antagonist_asked_uA"] == 0)
    np.testing.assert_array_equal(quiet, ~known | (error_N <= new_N))
    assert 0 < changed.sum() < changed.size
    assert beside.commands_apart is not None
    assert beside.commands_apart[0] == changed.sum()


def with_limits(made: Ran, folder: Path, old: str, new: str) -> LoadedScenario:
    """The scenario with its limit profile changed: `old` text replaced by `new` wherever it stands."""
    shipped = Path(thenar.safety.profile.__file__).parent / "profiles" / "forearm-25cm2.toml"
    text = shipped.read_text("utf-8").replace(
        'name = "forearm-25cm2"', 'name = "tighter"\nbased_on = "forearm-25cm2"', 1
    )
    assert old in text
    (folder / "tighter.toml").write_text(text.replace(old, new), "utf-8")
    scenario = made.loaded.text.replace('profile = "forearm-25cm2"', 'profile = "tighter.toml"')
    for name in {one.name for one in made.loaded.files}:
        if (made.loaded.base / name).is_file():
            (folder / name).write_bytes((made.loaded.base / name).read_bytes())
    return parse_scenario(scenario, "tighter-limits.toml", folder)


def test_a_lower_peak_current_cuts_what_lay_above_it_and_nothing_else(runs: Any, tmp_path: Path) -> None:
    made = runs("stop-and-re-arm")
    before = made.table("decisions", 0)
    cut_uA = 3_000
    found, beside = made.again(0, with_limits(made, tmp_path, "peak_mA = { value = 40.0", "peak_mA = { value = 3.0"))
    at_all = 0
    for channel in ("agonist", "antagonist"):
        np.testing.assert_array_equal(found.decisions[f"{channel}_uA"], np.minimum(before[f"{channel}_uA"], cut_uA))
        at_all += int((before[f"{channel}_uA"] > cut_uA).sum())
    assert at_all > 20
    assert beside.commands_apart is not None
    assert beside.commands_apart[:2] == (0, at_all)
    for stretch in beside.differences:
        assert stretch.kind == "weaker"
        assert "R06" in stretch.reasons
        assert "R06" not in stretch.recorded_reasons
        assert stretch.would_mA == 3.0
    assert beside.differences[0].from_us == int(before["t_us"][np.flatnonzero(before["agonist_uA"] > cut_uA)[0]])


def test_a_tighter_bound_on_the_estimates_age_trips_at_the_first_tick_beyond_it(runs: Any, tmp_path: Path) -> None:
    made = runs("bad-day")
    found, _ = made.again(
        0, with_limits(made, tmp_path, "estimate_trip_ms = { value = 800.0", "estimate_trip_ms = { value = 400.0")
    )
    before = made.table("decisions", 0)
    too_old = before["t_us"][(before["estimate_age_us"] > 400_000) & (before["kind"] == 0)]
    session, _ = made.session(0)
    assert session.run is not None
    assert found.trips[0] == (int(too_old[0]), "R30")
    assert found.trips[0][0] < session.run.trips[0][0]


def test_budgets_count_what_this_loop_delivers_and_not_what_is_on_record(runs: Any, tmp_path: Path) -> None:
    made = runs("slow-press")
    most_pC = 2_000_000_000
    limits = with_limits(made, tmp_path, "session_charge_C = { value = 1.0", "session_charge_C = { value = 0.002")
    weaker = with_values(limits, {"law.settings.gain_fraction_per_N": 0.002})
    tripped_s = []
    for loaded in (limits, weaker):
        found, _ = made.again(2, loaded)
        given_pC = 2 * np.rint(1000 * found.pulses["current_mA"]) * found.pulses["width_us"]
        assert [cause for _, cause in found.trips] == ["R24"]
        assert 0 <= most_pC - given_pC.sum() < 2 * given_pC.max()
        tripped_s.append(found.trips[0][0] / 1e6)
    recorded = made.table("pulses", 2)
    on_record_pC = np.cumsum(2 * 1000 * recorded["current_mA"] * recorded["width_us"])
    spent_s = recorded["t_us"][np.searchsorted(on_record_pC, most_pC)] / 1e6
    assert abs(tripped_s[0] - spent_s) < 0.1  # the same law: the same pulses up to there
    assert tripped_s[1] > spent_s + 0.5  # another law: its own pulses count


def test_a_trace_too_coarse_to_show_every_estimate_is_owned_up_to_and_leaves_the_senses_exact(tmp_path: Path) -> None:
    coarse = with_values(
        load_scenario(gallery_file("recorded-hand")), {"clock.trace_rate_Hz": 10.0, "repeats": 1, "duration_s": 8.0}
    )
    made = ran(tmp_path / "coarse", coarse)
    found, _ = made.again(1)
    before = made.table("decisions", 1)
    for column in ("estimate_mN", "estimate_age_us", "estimate_count", "estimate_known", "arm"):
        np.testing.assert_array_equal(before[column], found.decisions[column], err_msg=column)
    assert any("whole mN" in note for note in found.notes)
    apart_uA = np.abs(before["agonist_asked_uA"] - found.decisions["agonist_asked_uA"])
    # Half a mN is a few uA, unless it decides on which side of the deadband (0.5 N) the error lies.
    at_its_edge = np.abs(np.abs(found.target_N - found.estimate_N) - 0.5) <= 0.0005
    assert apart_uA[~at_its_edge].max() <= 60
    assert (apart_uA > 60).sum() <= 3


def test_a_trial_without_stimulation_can_be_asked_too(runs: Any) -> None:
    made = runs("graver-hold")
    session, person = made.session(0)
    found = whatif(session, made.loaded, person)
    beside = compared(session, found)
    assert not session.delivery_on_record
    assert beside.differences == ()
    assert len(found.pulses["t_us"]) > 0
    assert any("no stimulation" in note for note in found.notes)


def test_another_control_clock_keeps_the_recorded_estimates_and_their_ages(runs: Any) -> None:
    made = runs("graver-hold")
    found, beside = made.again(1, with_values(made.loaded, {"clock.control_rate_Hz": 100.0}))
    before = made.table("decisions", 1)
    shared = np.isin(found.decisions["t_us"], before["t_us"])
    assert shared.sum() == len(before["t_us"])
    for column in ("estimate_mN", "estimate_age_us", "estimate_count"):
        np.testing.assert_array_equal(found.decisions[column][shared], before[column])
    assert beside.commands_apart is not None
    assert beside.commands_apart[2] == len(before["t_us"])


def test_a_scenario_without_stimulation_or_without_the_wearer_is_refused(runs: Any) -> None:
    made = runs("graver-hold")
    session, person = made.session(1)
    text = made.loaded.text.replace('["unassisted", "assisted"]', '["unassisted"]')
    with pytest.raises(InputError, match="conditions"):
        whatif(session, parse_scenario(text, "none.toml", made.loaded.base), person)
    many = load_scenario(gallery_file("key-pinch-ladder"))
    with pytest.raises(InputError, match="wearers"):
        whatif(session, many, person._replace(number=10_000))


def test_a_changed_or_missing_table_of_a_run_is_refused(tmp_path: Path) -> None:
    made = ran(tmp_path / "run", with_values(load_scenario(gallery_file("recorded-hand")), {"duration_s": 2.0}))
    with pytest.raises(InputError, match="--trial"):
        trial_in(made.folder, 99)
    assert trial_in(made.folder, None).record.condition == "assisted"
    pulses = (made.folder / "pulses.parquet").read_bytes()
    (made.folder / "trace.parquet").write_bytes(pulses)
    with pytest.raises(InputError, match=r"trace\.parquet\n.*changed after it was written"):
        made.session(1)
    resealed(made.folder)
    with pytest.raises(InputError, match="changed after the run"):
        made.session(1)
    (made.folder / "trace.parquet").unlink()
    with pytest.raises(InputError, match=r"trace\.parquet"):
        made.session(1)


def test_a_folder_that_is_not_there_is_said_to_be_missing_whatever_trial_was_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["whatif", str(tmp_path / "nowhere"), "--scenario", "graver-hold", "--trial", "4"]) == 2
    told = capsys.readouterr().err
    assert "nowhere" in told
    assert "--trial" not in told
