"""What the tests of the laws share: one ordinary calibration, drawn ones, and observations."""

from __future__ import annotations

from hypothesis import strategies as st

from thenar.shared.signals import REST, Calibration, ChannelCalibration, Demand, Observation, Stimulus

AGONIST = ChannelCalibration(
    sensory_mA=3.0,
    motor_mA=6.0,
    ceiling_mA=14.0,
    width_us=200.0,
    rate_Hz=35.0,
    full_current_mA=9.0,
    spread=0.25,
    reachable_N=8.0,
)
ANTAGONIST = ChannelCalibration(
    sensory_mA=2.5,
    motor_mA=5.0,
    ceiling_mA=12.0,
    width_us=250.0,
    rate_Hz=30.0,
    full_current_mA=8.0,
    spread=0.3,
    reachable_N=5.0,
)
CALIBRATION = Calibration(AGONIST, ANTAGONIST, 50.0)

# Wider than any wearer, and in no order: a motor threshold may lie above the ceiling.
channels = st.builds(
    ChannelCalibration,
    sensory_mA=st.floats(0.0, 40.0),
    motor_mA=st.floats(0.0, 40.0),
    ceiling_mA=st.floats(0.0, 40.0),
    width_us=st.floats(20.0, 1000.0),
    rate_Hz=st.floats(1.0, 100.0),
    full_current_mA=st.floats(0.5, 60.0),
    spread=st.floats(0.01, 2.0),
    reachable_N=st.floats(0.1, 50.0),
)
calibrations = st.builds(Calibration, channels, channels, st.floats(1.0, 150.0))


def observe(target_N: float, estimate_N: float, t_us: int = 0) -> Observation:
    """An observation with a fresh estimate, nothing delivered so far."""
    return Observation(t_us, target_N, estimate_N, 0, 0.3, REST, REST)


def is_rest(stimulus: Stimulus) -> bool:
    """True when all three numbers are zero."""
    return stimulus == REST


def charge_nC(stimulus: Stimulus) -> float:
    """Charge per phase, mA * us."""
    return stimulus.current_mA * stimulus.width_us


def within_ceiling(demand: Demand, calibration: Calibration) -> bool:
    """True when both channels are finite, not negative, and bounded in current, charge and effect.

    Effect by the Weiss-Lapicque law, I w / (w + chronaxie), for chronaxies far apart.
    """
    for stimulus, channel in zip(demand, (calibration.agonist, calibration.antagonist), strict=True):
        if not all(0.0 <= number < float("inf") for number in stimulus):
            return False
        ceiling_nC = channel.ceiling_mA * channel.width_us
        if stimulus.current_mA > channel.ceiling_mA or not _at_most(charge_nC(stimulus), ceiling_nC):
            return False
        for chronaxie_us in (1.0, 50.0, 200.0, 1000.0, 1e6):
            effect = charge_nC(stimulus) / (stimulus.width_us + chronaxie_us)
            if not _at_most(effect, ceiling_nC / (channel.width_us + chronaxie_us)):
                return False
    return True


def _at_most(value: float, bound: float) -> bool:
    """Up to the rounding of doubles, which is relative but for the smallest: those keep few digits or none."""
    return value <= bound * (1.0 + 1e-12) + 1e-300
