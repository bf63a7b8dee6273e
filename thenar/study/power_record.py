"""A plan of people as one record and as tidy rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from thenar.study.power import LEVEL, Power
from thenar.study.power_plan import WIDER, ForTrials, Looks, PeoplePlan
from thenar.study.power_words import CAVEATS, sentences

CURVE_HEADERS: Final = (
    "trials_per_condition", "spread_factor", "people", "studies", "found", "found_wrong_way", "power", "power_low",
    "power_high",
)  # fmt: skip


def plan_record(plan: PeoplePlan) -> dict[str, Any]:
    """Everything but the curves, ready for JSON. Numbers in the measure's unit where they have one; powers 0 to 1."""
    asked = plan.question
    return {
        "measure": asked.measure._asdict(),
        "compared": {"condition": "assisted", "baseline": asked.baseline, "test": "paired t test, two-sided"},
        "alpha": asked.alpha,
        "wanted_power": asked.power,
        "trials_per_condition": asked.trials,
        "dropout": asked.dropout,
        "seed": asked.seed,
        "simulations": asked.simulations,
        "pool": {
            "wearers": plan.pool.wearers,
            "left_out_without_a_number": plan.pool.left_out,
            "trials_per_condition": plan.pool.trials,
            "wearers_from": plan.pool.words,
        },
        "simulated_difference": plan.simulated._asdict(),
        "wanted_effect": asked.effect,
        "effect_planned_for": plan.effect,
        "spread": {
            "between_wearers_sd": plan.spread.between_wearers,
            "one_trial_within_wearer_sd": plan.spread.within_wearer,
        },
        "people": None if plan.chosen is None else plan.chosen.people,
        "by_trials": [_trials_record(one) for one in plan.by_trials],
        "no_effect": None if plan.none is None else _alarms(plan.none),
        "looks": None if plan.looks is None else _looks_record(plan.looks),
        "interval": f"{100 * LEVEL:g} %: Wilson's of the simulated studies; of people: wearers resampled",
        "sentences": sentences(plan),
        "caveats": list(CAVEATS),
    }


def curve_rows(plan: PeoplePlan) -> Iterator[tuple[float, ...]]:
    """The curves, a row per number of trials, spread and number of people, columns as CURVE_HEADERS."""
    for one in plan.by_trials:
        for factor, needed in ((1.0, one.as_simulated), (WIDER, one.wider)):
            for power in needed.curve:
                counts = (power.people, power.studies, power.found, power.wrong_way)
                yield (one.trials, factor, *counts, power.share, *power.interval)


def pool_rows(plan: PeoplePlan) -> Iterator[tuple[float, ...]]:
    """The pool, a row per wearer and trial (both from 0): wearer, trial, assisted, baseline."""
    for wearer, (assisted, baseline) in enumerate(zip(plan.pool.assisted, plan.pool.baseline, strict=True)):
        for trial, pair in enumerate(zip(assisted.tolist(), baseline.tolist(), strict=True)):
            yield (wearer, trial, *pair)


def _power_record(one: Power | None) -> dict[str, Any] | None:
    if one is None:
        return None
    low, high = one.interval
    return {
        "people": one.people,
        "studies": one.studies,
        "found": one.found,
        "found_wrong_way": one.wrong_way,
        "power": one.share,
        "power_low": low,
        "power_high": high,
    }


def _trials_record(one: ForTrials) -> dict[str, Any]:
    return {
        "trials_per_condition": one.trials,
        "sd_of_differences": one.sd,
        "people_interval": one.interval or None,
        "by_lower_end": _power_record(one.as_simulated.by_lower_end),
        "by_share": _power_record(one.as_simulated.by_share),
        "spread_factor_of_what_if": WIDER,
        "what_if_by_lower_end": _power_record(one.wider.by_lower_end),
        "what_if_by_share": _power_record(one.wider.by_share),
    }


def _alarms(one: Power) -> dict[str, Any]:
    low, high = one.alarm_interval
    return {
        "people": one.people,
        "studies": one.studies,
        "false_alarms": one.false_alarms,
        "share": one.false_alarms / one.studies,
        "share_low": low,
        "share_high": high,
        "expected_people": one.expected_people,
    }


def _looks_record(looks: Looks) -> dict[str, Any]:
    each = zip(looks.people, looks.bounds_z, looks.levels, strict=True)
    return {
        "spending": "O'Brien-Fleming type (Lan & DeMets 1983), two-sided",
        "looks": [{"people": people, "boundary_z": z, "p_below": level} for people, z, level in each],
        "with_effect": (_power_record(looks.power) or {}) | {"expected_people": looks.power.expected_people},
        "no_effect": _alarms(looks.none),
    }
