"""What the derived figures say of a profile: reaches in the unit of the profile, and what would make a bound bind."""

from __future__ import annotations

import math

import pytest

from tests.safety.interlock_bench import changed, limits_for
from thenar.safety.derived import (
    Standing,
    charge_uC,
    energy_mJ,
    power_density_W_per_cm2,
    rectified_mA,
    rms_mA,
    shannon_k,
    standings,
    worst_figures,
)
from thenar.safety.limits import Limits
from thenar.safety.profile import load_profile

KEY_OF_RULE = {
    "R06": "peak_mA",
    "R09": "charge_uC",
    "R10": "charge_density_uC_per_cm2",
    "R12": "rms_mA",
    "R13": "rms_density_mA_per_cm2",
    "R14": "energy_mJ",
    "R15": "power_density_W_per_cm2",
    "R16": "rectified_mA",
    "R17": "compliance_V",
}
NAMES = ("forearm-25cm2", "thumb-8cm2")


def found_for(name: str, limits: Limits) -> dict[str, Standing]:
    """The agonist's standings under `limits` by rule; bounds as a shipped profile writes them."""
    found = standings(load_profile(name).agonist, limits.agonist, limits.loop)
    return {standing.rule: standing for standing in found}


@pytest.mark.parametrize("name", NAMES)
def test_reaches_are_the_train_s_own_figures_in_the_unit_of_the_profile(name: str) -> None:
    limits = limits_for(name=name)
    area_cm2 = limits.agonist.area_mm2 / 100
    touching_cm2 = area_cm2 * limits.agonist.contact_assumed_per_mille / 1_000
    found = found_for(name, limits)
    assert {rule: standing.key for rule, standing in found.items()} == KEY_OF_RULE
    for rule, standing in found.items():
        train = standing.current_mA, standing.width_us, standing.rate_Hz
        rms = rms_mA(*train)
        exact = {
            "R06": standing.current_mA,
            "R09": charge_uC(*train[:2]),
            "R10": charge_uC(*train[:2]) / area_cm2,
            "R14": energy_mJ(*train[:2], 500),
        }
        # Windows hold one bucket more than a second, so that a sum may lie above that of whole periods.
        summed = {
            "R12": rms,
            "R13": rms / touching_cm2,
            "R15": power_density_W_per_cm2(rms, 500, area_cm2),
            "R16": rectified_mA(*train),
        }
        if rule in exact:
            assert standing.reach == pytest.approx(exact[rule], rel=1e-9)
        elif rule in summed:
            assert summed[rule] * 0.999 <= standing.reach <= summed[rule] * 1.15
        # Reaches are what the other bounds leave, so they may lie past the own one. Exact ties are for test_binding.
        if abs(standing.reach / standing.bound - 1) > 1e-6:
            assert standing.binds is (standing.reach > standing.bound)


@pytest.mark.parametrize("name", NAMES)
def test_the_load_from_which_compliance_binds_is_told(name: str) -> None:
    limits = limits_for(name=name)
    standing = found_for(name, limits)["R17"]
    assert standing.binds
    load_ohm = int(standing.condition.removeprefix("above ").removesuffix(" ohm"))
    at, past = (
        {figures.load_ohm: figures for figures in worst_figures(limits.agonist, limits.loop)}[ohm]
        for ohm in (500, 10_000)
    )
    assert 500 < load_ohm < 10_000
    assert past.reachable_mA < at.reachable_mA
    assert past.voltage_V == pytest.approx(limits.agonist.compliance_uV / 1e6, rel=0.02)


def test_the_share_of_the_pad_from_which_density_binds_is_told_and_right() -> None:
    limits = limits_for()
    told = found_for(NAMES[0], limits)["R13"]
    assert not told.binds
    share = float(told.condition.removeprefix("when less than ").partition(" ")[0]) / 100
    for factor, binds in ((1.02, False), (0.98, True)):
        moved = changed(limits, contact_assumed_per_mille=round(1_000 * share * factor))
        standing = found_for(NAMES[0], moved)["R13"]
        assert standing.binds is binds
        assert bool(standing.condition) is not binds


def test_without_charge_shannon_s_k_is_minus_infinity_and_grows_with_it() -> None:
    assert shannon_k(0.0, 8.0) == shannon_k(-1.0, 8.0) == -math.inf
    assert -math.inf < shannon_k(1e-9, 8.0) < shannon_k(1e-6, 8.0)


def test_a_channel_that_may_give_nothing_has_figures_of_zero() -> None:
    limits = changed(limits_for(), peak_uA=0)
    for figures in worst_figures(limits.agonist, limits.loop):
        assert (figures.current_mA, figures.reachable_mA, figures.charge_uC, figures.rms_mA) == (0, 0, 0, 0)
        assert figures.shannon_k == -math.inf
