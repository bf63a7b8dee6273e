"""A plan of people in sentences, each with its interval and the number of simulated wearers."""

from __future__ import annotations

import math
from typing import Final

from thenar.study.power import FEWEST, MOST, Power
from thenar.study.power_plan import WIDER, PeoplePlan

CAVEATS: Final = (
    (
        "Simulated wearers are assumptions: their spread is what the file and published norms say. The spread of real "
        "people is usually larger, the effect often smaller. A pilot with real people decides, not this plan."
    ),
    (
        "Trials of one simulated wearer follow one another without learning or fatigue from trial to trial, and the "
        "order of conditions has no effect. Real trials add less than these do."
    ),
    "A wanted effect only shifts the differences; their spread stays as simulated.",
)


def sentences(plan: PeoplePlan) -> list[str]:
    """The plain sentences, the answer first."""
    found = [answer(plan), wider_answer(plan), _effect(plan)]
    if plan.none is not None:
        found.append(_false_alarms(plan, plan.none))
    if plan.question.looks > 1:
        found.append(looks_answer(plan))
    return found


def answer(plan: PeoplePlan) -> str:
    """How many people, in one sentence."""
    chosen, asked = plan.chosen, plan.question
    wanted = f"a power of {percent(asked.power)}"
    if chosen is None:
        last = plan.own.as_simulated.curve[-1]
        return (
            f"No study of up to {MOST} people reaches {wanted} for {_what(plan)}: with {last.people} people "
            f"{_share(last)} find it ({plan.pool.wearers} simulated wearers)."
        )
    point = plan.own.as_simulated.by_share
    by_point = "" if point is None or point.people == chosen.people else f" (by the share itself {point.people})"
    least = f" {FEWEST} is the smallest study looked at." if chosen.people == FEWEST else ""
    return (
        f"For {wanted}: {chosen.people} people{by_point}, {_trials(asked.trials)} per condition. "
        f"{_share(chosen)} find {_what(plan)}; paired t test, two-sided alpha {asked.alpha:g}.{_lost(plan)} "
        f"{_others(plan)}{least}"
    )


def wider_answer(plan: PeoplePlan) -> str:
    """The what-if with a wider spread, in one sentence."""
    found = plan.own.wider.by_lower_end
    wearers = f"{plan.pool.wearers} simulated wearers"
    if found is None:
        return f"If people differ {WIDER:g} times as much as simulated: no study of up to {MOST} people ({wearers})."
    shrunk = ""
    if plan.chosen is not None:
        at = next(one for one in plan.own.wider.curve if one.people == plan.chosen.people)
        shrunk = f"; with {at.people} people only {_share(at)} would find it"
    return f"If people differ {WIDER:g} times as much as simulated: {found.people} people{shrunk} ({wearers})."


def looks_answer(plan: PeoplePlan) -> str:
    """What looking before the end saves and costs."""
    looks = plan.looks
    if looks is None:
        return "Looks before the end: not reckoned, as no study reaches the power."
    none_low, none_high = (percent(end, 2) for end in looks.none.alarm_interval)
    return (
        f"With {len(looks.people)} looks (O'Brien-Fleming type spending): at most {looks.power.people} people, on "
        f"average {looks.power.expected_people:.1f} when there is the effect and {looks.none.expected_people:.1f} when "
        f"there is none. {_share(looks.power)} find it. Without any effect {_alarm_share(looks.none)} raise a false "
        f"alarm (95 % interval {none_low} to {none_high}; {plan.pool.wearers} simulated wearers)."
        f"{_too_many(plan, looks.none)}"
    )


def _what(plan: PeoplePlan) -> str:
    asked = plan.question
    return (
        f"{asked.measure.name} {direction(plan)} assisted than {asked.baseline}, where the mean difference is "
        f"{plan.effect:+.3g} {asked.measure.unit}"
    )


def direction(plan: PeoplePlan) -> str:
    """Whether the effect planned for is help, harm, or just lower or higher."""
    sign = -1 if plan.effect < 0 else 1
    size, better = "lower" if sign < 0 else "higher", plan.question.measure.better
    return f"{size} ({'better' if sign == better else 'WORSE'})" if better else size


def _share(one: Power) -> str:
    low, high = (percent(end) for end in one.interval)
    return f"{percent(one.share)} of {one.studies:,} simulated studies (95 % interval {low} to {high})"


def percent(share: float, digits: int = 1) -> str:
    """A share as percent."""
    return f"{100.0 * share:.{digits}f} %"


def _trials(count: int) -> str:
    return "1 trial" if count == 1 else f"{count} trials"


def _lost(plan: PeoplePlan) -> str:
    share = plan.question.dropout
    return f" Of them {percent(share)} are lost by chance." if share else ""


def _others(plan: PeoplePlan) -> str:
    low, high = plan.own.interval
    upper = f"{high:.0f}" if math.isfinite(high) and high <= MOST else f"more than {MOST}"
    return (
        f"With {plan.pool.wearers} other simulated wearers it could have been {max(FEWEST, low):.0f} to {upper} people "
        "(95 %, resampled wearers)."
    )


def _effect(plan: PeoplePlan) -> str:
    asked, own, unit = plan.question, plan.simulated, plan.question.measure.unit
    simulated = (
        f"{own.value:+.3f} {unit} (95 % interval {own.low:+.3f} to {own.high:+.3f}, {plan.pool.wearers} simulated "
        "wearers)"
    )
    if asked.effect is None:
        return f"The effect is the simulated one: assisted minus {asked.baseline} {simulated}."
    return (
        f"The differences are shifted so that their mean is the wanted {asked.effect:+.3g} {unit}; simulated, assisted "
        f"minus {asked.baseline} is {simulated}."
    )


def _false_alarms(plan: PeoplePlan, none: Power) -> str:
    low, high = (percent(end, 2) for end in none.alarm_interval)
    return (
        f"With {none.people} people and no effect at all {_alarm_share(none)} of the studies find one (95 % interval "
        f"{low} to {high}; alpha {plan.question.alpha:g}; {plan.pool.wearers} simulated wearers)."
        f"{_too_many(plan, none)}"
    )


def _too_many(plan: PeoplePlan, none: Power) -> str:
    """A warning where more false alarms than alpha are beyond chance."""
    if none.alarm_interval[0] <= plan.question.alpha:
        return ""
    return (
        " MORE THAN ALPHA: the simulated differences are skewed, and with so few people the t test then errs more "
        "often. Take more people, or judge by ranks too."
    )


def _alarm_share(none: Power) -> str:
    return percent(none.false_alarms / none.studies, 2)
