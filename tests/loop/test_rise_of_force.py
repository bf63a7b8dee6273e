"""R40 by what it is for: no combination of current, width and rate raises evoked force much faster than a plain ramp.

And R23: an on-time that is used up lets go no faster than a planned stop.

Pulses as they leave the doors, on the muscle of the gallery's wearers. The rise of force is taken over 100 ms, as R31
takes it: a single twitch of the whole muscle makes 1.1 times the ordinary ramp's, and no rule on rises forbids it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.safety.interlock_bench import PERIOD_US, PLAIN, Bench, ask, changed
from thenar.plant_models.calibration import calibrate
from thenar.plant_models.muscle import advanced, muscle_params, rested, struck
from thenar.plant_models.recruitment import recruited_share, recruitment_params
from thenar.plant_models.settings import Wearer
from thenar.safety.invented import CLEAR
from thenar.safety.limits import Limits
from thenar.safety.profile import load_profile
from thenar.scenarios.gallery import gallery_files
from thenar.scenarios.loader import load_scenario

Demand = tuple[float, float, float]
"""Current in mA, width in us, rate in Hz."""
Path = list[tuple[float, Demand]]
"""Stretches: seconds, and what is asked meanwhile."""
OVER_MS = 100
STEP_MS = 1.0
DRAWN = 10 if PLAIN else 60


def wearers() -> dict[str, Wearer]:
    """One wearer of each muscle that the gallery holds, by the scenario's name."""
    found: dict[str, tuple[str, Wearer]] = {}
    for file in gallery_files():
        wearer = load_scenario(file).scenario.wearer
        found.setdefault(repr((wearer.agonist.muscle, wearer.agonist.recruitment)), (file.stem, wearer))
    return dict(found.values())


WEARERS = wearers()


@cache
def limits_of(name: str) -> Limits:
    """The forearm limits of one wearer, calibrated at 200 us and 40 Hz."""
    return load_profile("forearm-25cm2").limits_for(calibrate(WEARERS[name], 200.0, 40.0), PERIOD_US, CLEAR)


def forces_N(wearer: Wearer, bench: Bench) -> NDArray[np.float64]:
    """Evoked force of the agonist every millisecond, from the pulses that left."""
    muscle, axons = muscle_params(wearer.agonist.muscle), recruitment_params(wearer.agonist.recruitment)
    half_decay = math.exp(-0.5 * STEP_MS * muscle.per_tau_c)
    left: dict[int, list[float]] = {}
    for pulse in bench.pulses:
        share = recruited_share(axons, pulse.current_uA / 1_000, float(pulse.width_us))
        left.setdefault(pulse.t_us // 1_000, []).append(share)
    state, forces = rested(muscle), [0.0]
    for ms in range(bench.t_us // 1_000):
        for share in left.get(ms, ()):
            state = struck(muscle, state, share)
        state, _ = advanced(muscle, state, STEP_MS, half_decay)
        forces.append(state.force_N)
    return np.array(forces)


def rise_N_per_s(name: str, path: Iterable[tuple[float, Demand]], lifted: bool = False) -> float:
    """Largest rise of evoked force over 100 ms on a path through current, width and rate."""
    limits = limits_of(name)
    bench = Bench(changed(limits, intensity_slew_pC_per_s2=10**12) if lifted else limits).armed()
    for seconds, demand in path:
        bench.run(seconds, ask(*demand))
    force = forces_N(WEARERS[name], bench)
    return float((force[OVER_MS:] - force[:-OVER_MS]).max()) * 1_000 / OVER_MS


@cache
def ordinary_N_per_s(name: str) -> float:
    """The ramp of current at 300 us and 40 Hz, as steep as R20 lets it be."""
    return rise_N_per_s(name, [(3.0, (100.0, 300.0, 40.0))])


HOSTILE: dict[str, Path] = {
    "current at 1.1 Hz, then 50 Hz": [(4.0, (100.0, 300.0, 1.1)), (2.5, (100.0, 300.0, 50.0))],
    "wide pulses at 1.1 Hz, then 50 Hz": [(6.0, (100.0, 400.0, 1.1)), (2.5, (100.0, 400.0, 50.0))],
    "current at 8 Hz, then 50 Hz": [(3.0, (100.0, 300.0, 8.0)), (2.5, (100.0, 300.0, 50.0))],
    "width": [(3.0, (100.0, 50.0, 50.0)), (3.0, (100.0, 400.0, 50.0))],
    "rate in steps": [(3.0, (100.0, 300.0, 1.1))] + [(0.1, (100.0, 300.0, 1.1 + 2.0 * n)) for n in range(25)],
    "all three at once": [(3.0, (100.0, 50.0, 1.1)), (4.0, (100.0, 400.0, 50.0))],
    "narrow pulses at 1.1 Hz, then wide at 50 Hz": [(4.0, (100.0, 100.0, 1.1)), (4.0, (100.0, 400.0, 50.0))],
}


@pytest.mark.parametrize("name", WEARERS)
@pytest.mark.parametrize("way", HOSTILE)
def test_a_hostile_ramp_raises_force_at_most_a_fifth_faster_than_the_ordinary_one(way: str, name: str) -> None:
    plain, found = ordinary_N_per_s(name), rise_N_per_s(name, HOSTILE[way])
    print(f"{name}, {way}: {found:.1f} N/s, ordinary ramp {plain:.1f} N/s")
    assert plain > 20
    assert found <= 1.2 * plain


@pytest.mark.parametrize("name", WEARERS)
def test_without_the_bound_the_same_ramp_is_nearly_twice_as_fast(name: str) -> None:
    found = rise_N_per_s(name, HOSTILE["current at 1.1 Hz, then 50 Hz"], lifted=True)
    assert found >= 1.8 * ordinary_N_per_s(name)


def fall_N_per_s(wearer: Wearer, bench: Bench) -> float:
    """Largest fall of evoked force from one millisecond to the next."""
    return float(-np.diff(forces_N(wearer, bench)).min()) * 1_000 / STEP_MS


@pytest.mark.parametrize("name", WEARERS)
def test_a_used_up_on_time_ends_no_steeper_than_a_planned_stop(name: str) -> None:
    """R23 at the shipped 20 s against R22, both from the highest current that may leave."""
    wearer, most = WEARERS[name], ask(100.0, 300.0, 40.0)
    ending, stopping = Bench(limits_of(name)).armed(), Bench(limits_of(name)).armed()
    ending.run(28.0, most)
    stopping.run(10.0, most)
    stopping.run(2.0, most, arm=0)
    ends, stops = fall_N_per_s(wearer, ending), fall_N_per_s(wearer, stopping)
    print(f"{name}: force falls by {ends:.1f} N/s as the on-time ends, {stops:.1f} N/s in a planned stop")
    assert 19_900_000 < ending.pulses[-1].t_us - ending.pulses[0].t_us <= 20_000_000
    assert stops > 20
    assert ends <= 1.001 * stops


def drawn_path(rng: np.random.Generator) -> Path:
    """A few stretches at levels that an attacker would choose: weak or strong, narrow or wide, slow or fast."""
    return [
        (
            float(rng.choice([0.02, 0.1, 0.4, 1.0, 2.0])),
            (
                float(rng.choice([0.8, 5.0, 10.0, 15.0, 100.0, 100.0, 100.0])),
                float(rng.choice([50.0, 100.0, 200.0, 300.0, 400.0, 400.0])),
                float(rng.choice([1.01, 1.1, 2.0, 5.0, 10.0, 20.0, 40.0, 50.0, 50.0])),
            ),
        )
        for _ in range(int(rng.integers(4, 12)))
    ]


@pytest.mark.slow
@pytest.mark.parametrize("name", WEARERS)
def test_drawn_paths_through_current_width_and_rate_rise_hardly_faster_either(name: str) -> None:
    """Two twitches of a muscle that current no longer recruits more of are the worst: 1.2 times in 1,000 paths."""
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    rng = np.random.default_rng(seed)
    found = [rise_N_per_s(name, drawn_path(rng)) / ordinary_N_per_s(name) for _ in range(DRAWN)]
    print(f"seed {seed}: {name}, {DRAWN} paths, most {max(found):.2f} times the ordinary ramp")
    assert np.quantile(found, 0.9) <= 1.2
    assert max(found) <= 1.4, "a single path without the bound makes up to 2.3 times"
