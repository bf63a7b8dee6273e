"""What muscles, bodies, wearers and estimators do on drawn input, exact to the last bit, for comparing two ways to run.

Run as a module it prints one line per result, after a line that says whether steps are compiled.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numba
import numpy as np

from tests.plant_models.body_runs import (
    AGONIST_PULSE,
    ANTAGONIST_PULSE,
    LOOK,
    PUSH,
    Hold,
    events,
    in_order,
    ran,
    train_us,
)
from thenar.plant_models.body import body_params
from thenar.plant_models.electrode import delivered_mA, electrode_params, load_ohm
from thenar.plant_models.estimator import bias_knots, biased_N, estimator_params, reading_N, stated_sd_N
from thenar.plant_models.muscle import muscle_params, recovered, rested
from thenar.plant_models.recruitment import felt_share, recruited_share, recruitment_params
from thenar.plant_models.settings import Channel, Electrode, Estimator, Muscle, Recruitment, Wearer

BODIES: dict[str, Wearer] = {
    "calcium": Wearer(agonist=Channel(muscle=Muscle(fatigue_share=2.0))),
    "twitch": Wearer(agonist=Channel(muscle=Muscle(model="twitch"))),
    "slow contact": Wearer(contact_ms=80.0, lever_ratio=1.3, max_pinch_N=40.0),
}
WEARERS: dict[str, tuple[Wearer, bool]] = {
    "unseen": (Wearer(), False),
    "seen": (Wearer(sees_own_force=True), False),
    "blind": (Wearer(sees_target=False), False),
    "relaxed": (Wearer(), True),
    "played back": (Wearer(recording="hand.csv"), False),
}


def line(numbers: Iterable[float]) -> str:
    """Numbers in hexadecimal, all their bits."""
    return " ".join(float(number).hex() for number in numbers)


def bodies() -> Iterator[str]:
    """The whole state after every event of a drawn schedule of four seconds, and after an hour of rest."""
    rng = np.random.default_rng(12)
    for wearer in BODIES.values():
        schedule = in_order(
            events(
                PUSH, np.arange(80) * 50_000, rng.uniform(-0.1, 0.8, 80), rng.normal(0, 0.02, 80), rng.normal(0, 3, 80)
            ),
            events(AGONIST_PULSE, train_us(37.0, 4.0, 1_234), rng.uniform(0, 1, 148)),
            events(ANTAGONIST_PULSE, train_us(21.0, 3.0), rng.uniform(0, 1, 63)),
            events(LOOK, [4_000_000, 9_000_000]),
        )
        body = body_params(wearer)
        states = ran(body, schedule)
        columns = (*states.agonist, *states.antagonist, *states.voluntary, states.force_N)
        for row in zip(*columns, strict=True):
            yield line(row)
        tired = rested(body.agonist)._replace(A=0.5 * body.agonist.A_rest, km=0.4)
        yield line(recovered(muscle_params(wearer.agonist.muscle), tired, 3_600_000.0))


def holds() -> Iterator[str]:
    """Force, drive and noise of wearers of every kind over 20 seconds of changing targets and felt pulses."""
    rng = np.random.default_rng(13)
    for wearer, relaxed in WEARERS.values():
        hold = Hold(wearer, 20.0, seed=14)
        hold.target_N[:] = np.repeat(rng.uniform(0, 20, 10), 200)
        hold.felt[:] = rng.uniform(0, 1, hold.felt.shape) * (rng.random(hold.felt.shape) < 0.3)
        hold.recorded_N[:] = np.cumsum(rng.normal(0, 0.2, hold.ticks))
        hold.run(relaxed=relaxed)
        for row in zip(*hold.history.T, hold.noise, strict=True):
            yield line(row)


def readings() -> Iterator[str]:
    """Readings of a bent, cut and honest curve, and what drawn pulses fire, feel like and meet."""
    rng = np.random.default_rng(15)
    settings = Estimator(true_N=(0.5, 3.0, 7.0, 12.0), reads_N=(0.2, 3.3, 7.0, 8.0), range_N=9.0)
    params, knots = estimator_params(settings), bias_knots(settings)
    axons, pad = recruitment_params(Recruitment()), electrode_params(Electrode())
    for _ in range(3000):
        force_N, offset_N, gain, z = rng.uniform(0, 20), rng.normal(0, 1), rng.uniform(0.5, 1.5), rng.normal()
        current_mA, width_us, contact = rng.uniform(0, 40), rng.uniform(20, 500), rng.uniform(0, 1)
        yield line(
            (
                biased_N(knots, force_N),
                reading_N(params, knots, force_N, offset_N, gain, z),
                stated_sd_N(params, force_N),
                recruited_share(axons, current_mA, width_us),
                felt_share(axons, current_mA, width_us),
                delivered_mA(pad, current_mA, width_us, contact),
                load_ohm(pad, width_us, contact),
            )
        )


def lines() -> list[str]:
    """All of them, after a line that says how they were run."""
    return ["plain" if numba.config.DISABLE_JIT else "compiled", *bodies(), *holds(), *readings()]


if __name__ == "__main__":
    print("\n".join(lines()))
