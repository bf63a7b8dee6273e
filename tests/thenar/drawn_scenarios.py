"""Scenarios that hypothesis draws: laws, clocks, sensors, wearers, targets and faults of every kind, short trials."""

from __future__ import annotations

from hypothesis import strategies as st

from tests.thenar.engine_trials import fault, scenario_text

_numbers = st.integers


def _table(head: str, **keys: st.SearchStrategy[object]) -> st.SearchStrategy[str]:
    """A TOML table of which each key may be left out."""
    return st.fixed_dictionaries({}, optional=keys).map(
        lambda found: "\n".join([f"[{head}]", *(f"{key} = {value}" for key, value in found.items())])
    )


def _round(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers with few digits, so that clocks and bounds meet now and then."""
    return st.integers(0, 20).map(lambda part: round(low + (high - low) * part / 20, 6))


_LAWS = st.one_of(
    _table("law.settings", deadband_N=_round(0, 2), gain_fraction_per_N=_round(0, 0.2)).map(
        lambda settings: f'[law]\nname = "proportional"\n{settings}'
    ),
    _table("law.settings", deadband_N=_round(0, 1), gain_mA_per_N=_round(0, 3), acts_on=st.just('"width"')).map(
        lambda settings: f'[law]\nname = "proportional"\n{settings}'
    ),
    _table("law.settings", deadband_N=_round(0.2, 2), hysteresis_N=_round(0, 0.4), minimum_dwell_ms=_round(0, 400)).map(
        lambda settings: f'[law]\nname = "bang-bang"\n{settings}'
    ),
    _table("law.settings", gain_fraction_per_N=_round(0, 0.2), tolerance_N=_round(0.1, 2), fresh_ms=_round(0, 300)).map(
        lambda settings: f'[law]\nname = "confident"\n{settings}'
    ),
    _table("law.settings", gain_fraction_per_N=_round(0, 0.2), yield_above_N_per_s=_round(0.5, 6)).map(
        lambda settings: f'[law]\nname = "yielding"\n{settings}'
    ),
)
_TARGETS = st.one_of(
    st.builds(lambda level: f'[target]\nprogram = "constant"\nlevel_N = {level}', _round(0, 15)),
    st.builds(
        lambda levels, every: f'[target]\nprogram = "steps"\nlevels_N = {levels}\nevery_s = {every}\norder = "random"',
        st.lists(_round(1, 14), min_size=1, max_size=3, unique=True), st.sampled_from([0.25, 0.4, 1.0]),
    ),
)  # fmt: skip
_CLOCKS = st.one_of(
    st.just(""),
    st.builds(
        lambda control, wearer, trace: (
            f"[clock]\ncontrol_rate_Hz = {control}\nwearer_rate_Hz = {wearer}\ntrace_rate_Hz = {trace}"
        ),
        st.sampled_from([25.0, 50.0, 62.5, 100.0]), st.sampled_from([50.0, 80.0, 100.0]),
        st.sampled_from([20.0, 100.0, 125.0, 1000.0]),
    ),
)  # fmt: skip
_ESTIMATORS = _table(
    "estimator", rate_Hz=st.sampled_from([20.0, 40.0, 50.0, 100.0]), latency_ms=_round(0, 300), jitter_ms=_round(0, 5),
    latency_jitter_ms=_round(0, 100), noise_floor_N=_round(0, 0.5), dropouts_per_min=_round(0, 60),
    stucks_per_min=_round(0, 30), jumps_per_min=_round(0, 30),
)  # fmt: skip
_WEARERS = st.builds(
    lambda wearer, cue, muscle, other: f"{wearer}\n{cue}\n{muscle}\n{other}",
    _table("wearer", max_pinch_N=_round(40, 120), sees_own_force=st.sampled_from(["true", "false"]),
           contact_ms=_round(5, 30)),
    _table("wearer.cue", trust=_round(-1, 1)),
    _table("wearer.agonist.muscle", delay_ms=st.sampled_from([0.0, 10.0, 17.2, 45.0]),
           model=st.sampled_from(['"twitch"', '"calcium"'])),
    _table("wearer.antagonist.muscle", delay_ms=st.sampled_from([0.0, 25.0])),
)  # fmt: skip
_FAULTS = st.lists(
    st.one_of(
        st.builds(lambda at, long: fault("controller-stall", at, long), _round(0, 1.9), _round(0.02, 1)),
        st.builds(lambda at: fault("emergency-stop", at), _round(0, 1.9)),
        st.builds(lambda at, cause: fault("re-arm", at, cause=cause), _round(0, 1.9), st.sampled_from(["R33", "R30"])),
        st.builds(
            lambda at, long, channel, share: fault("electrode-lift", at, long, channel=channel, contact_share=share),
            _round(0, 1.9), _round(0.02, 1), st.sampled_from(["agonist", "antagonist"]), _round(0, 0.95),
        ),
        st.builds(
            lambda at, long, share: fault("unbalanced-pulses", at, long, channel="agonist", missing_share=share),
            _round(0, 1.9), _round(0.02, 1), _round(0.05, 1),
        ),
        st.builds(fault, st.sampled_from(["dropout", "stuck"]), _round(0, 1.9),
                  _round(0.02, 1)),
    ),
    max_size=5,
    unique_by=lambda table: table.splitlines()[1],
)  # fmt: skip

scenarios = st.builds(
    lambda law, target, clock, estimator, wearer, faults, conditions, seed: scenario_text(
        law, target, clock, estimator, wearer, "[handling]\nstrokes_per_s = 1.0", *faults,
        seconds=2.0, conditions=", ".join(f'"{name}"' for name in conditions), seed=seed,
    ),
    _LAWS, _TARGETS, _CLOCKS, _ESTIMATORS, _WEARERS, _FAULTS,
    st.sampled_from([["assisted"], ["unassisted", "assisted"], ["stimulation-only"]]), st.integers(0, 10**6),
)  # fmt: skip
"""Texts of scenarios of 2 s."""
