"""Limits of the antagonist read from the wrong place, and for each bound a run that drives it, others lifted."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from thenar.safety.attack.grounds import _LIFTED
from thenar.safety.audit.bounds import Bounds, ChannelBounds, bounds_of, by_name, differences
from thenar.safety.audit.judge import judge_log
from thenar.safety.invented import CLEAR, JEWELLER, UNEQUAL
from thenar.safety.limits import Limits
from thenar.safety.profile import load_profile
from thenar.safety.rehearsal import Rehearsal
from thenar.study.judged import moved

PERIOD_US = 20_000
PROFILE = load_profile(UNEQUAL)
LIMITS = PROFILE.limits_for(JEWELLER, PERIOD_US, CLEAR)
OWN = bounds_of(PROFILE.text, JEWELLER, PERIOD_US, CLEAR.model_dump())
FIELDS = ChannelBounds._fields
TIGHTER_ABOVE = {"width_min_us", "period_min_us", "ohm_min", "intensity_width_us"}
"""Bounds that are looser the lower they are."""

LIFTED = {name: value for name, value in _LIFTED.items() if name in FIELDS} | {
    "width_slew_us_per_s": 100_000, "width_rise_us": 500, "first_step_uA": 2_000,
}  # fmt: skip
REST = (0, 0, 0, 0, 0, 0, 0)
Drive = Callable[[Rehearsal], None]


def asked(current_uA: int, width_us: int, period_us: int) -> tuple[int, ...]:
    """A demand on the antagonist alone."""
    return (0, 0, 0, 0, current_uA, width_us, period_us)


STRONG = asked(100_000, 500, 10_000)


def pushes(ticks: int, demand: tuple[int, ...] = STRONG, **senses: int) -> Drive:
    """The same demand and senses for so many ticks."""

    def drive(bench: Rehearsal) -> None:
        for _ in range(ticks):
            bench.step(demand, **senses)

    return drive


def then(*drives: Drive) -> Drive:
    """One after the other."""

    def drive(bench: Rehearsal) -> None:
        for one in drives:
            one(bench)

    return drive


def sensed(**senses: int) -> Drive:
    """A steady train of a pulse per tick, then something is sensed for a second while it goes on."""
    steady = asked(10_000, 250, PERIOD_US)
    return then(pushes(60, steady), pushes(50, steady, **senses))


_TRAIN = LIMITS.antagonist
_STEADY = asked(10_000, 250, 30_000)
_DENSITY = frozenset({"density_rms_uA_per_cm2", "area_mm2", "contact_assumed_per_mille"})
_PER_TICK_PC = 10_000 * 250


class Driver(NamedTuple):
    """What drives a bound: the run, the bounds that stay in force with it, and what else is set while it runs."""

    drive: Drive
    with_it: frozenset[str] = frozenset()
    more: dict[str, int] = {}  # noqa: RUF012


DRIVERS: dict[str, Driver] = {
    **{
        name: Driver(pushes(120))
        for name in (
            "peak_uA", "ceiling_uA", "charge_pC", "density_charge_pC", "width_max_us", "period_min_us", "rms_uA",
            "energy_aJ", "power_rms_uA", "rectified_pC", "rise_uA",
        )
    },
    **{name: Driver(pushes(120), _DENSITY) for name in sorted(_DENSITY)},
    "width_min_us": Driver(pushes(60, asked(10_000, _TRAIN.width_min_us - 1, 30_000))),
    "slew_uA_per_s": Driver(pushes(250), more={"rise_uA": 400}),
    "first_step_uA": Driver(pushes(10)),
    "intensity_slew_pC_per_s2": Driver(pushes(120)),
    "intensity_width_us": Driver(pushes(120, asked(100_000, 100, 20_000)), frozenset({"intensity_slew_pC_per_s2"})),
    "width_slew_us_per_s": Driver(
        then(pushes(60, asked(20_000, 100, 20_000)), pushes(150, asked(20_000, 500, 20_000))),
        more={"width_rise_us": 4, "rise_uA": 400, "slew_uA_per_s": 20_000},
    ),
    "width_rise_us": Driver(then(pushes(60, asked(20_000, 100, 20_000)), pushes(60, asked(20_000, 500, 20_000)))),
    "compliance_uV": Driver(pushes(60, antagonist_contact_ohm=5_000)),
    "ramp_us": Driver(then(pushes(60), pushes(80, arm=0))),
    "run_us": Driver(pushes(1_300, _STEADY)),
    "on_us": Driver(pushes(2_000, _STEADY)),
    "total_pC": Driver(pushes(6_000)),
    "ohm_min": Driver(sensed(antagonist_contact_ohm=_TRAIN.ohm_min - 1)),
    "ohm_max": Driver(sensed(antagonist_contact_ohm=_TRAIN.ohm_max + 1)),
    "ohm_jump_percent": Driver(
        then(
            pushes(60, _STEADY, antagonist_contact_ohm=1_000),
            pushes(40, _STEADY, antagonist_contact_ohm=10 * _TRAIN.ohm_jump_percent + 1),
        ),
        more={"ohm_min": 1, "ohm_max": 20_000},
    ),
    "net_per_mille": Driver(
        sensed(antagonist_net_pC=_PER_TICK_PC * _TRAIN.net_per_mille // 1_000 + 1),
        more={"net_pC": 10**12, "net_trip_pC": 10**12},
    ),
    "net_pC": Driver(
        sensed(antagonist_net_pC=_TRAIN.net_pC // 40), more={"net_per_mille": 10**6, "net_trip_pC": 10**12}
    ),
    "net_trip_pC": Driver(
        sensed(antagonist_net_pC=_TRAIN.net_trip_pC // 40), more={"net_per_mille": 10**6, "net_pC": 10**12}
    ),
    "motor_uA": Driver(
        then(pushes(60, asked(_TRAIN.motor_uA + 100, 250, 30_000)),
             pushes(120, asked(_TRAIN.motor_uA + 100, 250, 30_000), estimate_mN=3_000)),
        more={"first_step_uA": 2_000},
    ),
}  # fmt: skip
"""For each bound of a channel. `density_trip_uA_per_cm2` has none: the clamp of R13 lies below it, so no pulse that the
auditor would allow can come near it."""


class Swap(NamedTuple):
    """The antagonist's bound `name` read from elsewhere (`source`), as the interlock then has it."""

    name: str
    source: str
    value: int

    @property
    def read(self) -> str | int:
        """What is read where other bounds are lifted: the agonist, or the field beside it as it is when none is."""
        return self.source if self.source == "agonist" else self.value

    @property
    def looser(self) -> bool:
        """Whether the interlock then allows more than the profile says."""
        right = getattr(LIMITS.antagonist, self.name)
        return self.value < right if self.name in TIGHTER_ABOVE else self.value > right


def swaps() -> list[Swap]:
    """For each bound: read from the agonist, and from the field beside it."""
    found = []
    for place, name in enumerate(FIELDS):
        beside = FIELDS[place + 1] if place + 1 < len(FIELDS) else FIELDS[place - 1]
        found.append(Swap(name, "agonist", getattr(LIMITS.agonist, name)))
        found.append(Swap(name, beside, getattr(LIMITS.antagonist, beside)))
    return found


def lifted(limits: Limits, driver: Driver, name: str) -> Limits:
    """The limits with all lifted but the bound that is driven and what belongs to it."""
    values = {key: value for key, value in LIFTED.items() if key != name and key not in driver.with_it} | driver.more
    loop = {"estimate_frozen_us": 10**9} if name != "motor_uA" else {}
    return Limits(limits.agonist._replace(**values), limits.antagonist._replace(**values), limits.loop._replace(**loop))


def seen_in_the_log(swap: Swap) -> tuple[str, ...]:
    """Rules that fail in a run that drives the bound, with R35 left out; the right limits must break none."""
    driver = DRIVERS[swap.name]
    base = lifted(LIMITS, driver, swap.name)
    wrong = base._replace(antagonist=base.antagonist._replace(**{swap.name: swap.value}))
    return _broken(wrong, moved(OWN, LIMITS, base), driver)


def broken_when_right(name: str) -> tuple[str, ...]:
    """Rules that fail in the run that drives a bound when the interlock has it right."""
    base = lifted(LIMITS, DRIVERS[name], name)
    return _broken(base, moved(OWN, LIMITS, base), DRIVERS[name])


def _broken(limits: Limits, bounds: Bounds, driver: Driver) -> tuple[str, ...]:
    bench = Rehearsal(limits)
    bench.step(REST)
    driver.drive(bench)
    audit = judge_log(bounds, bench.pulses, bench.decisions, reconciled=True)
    return tuple(rule for rule in audit.broken if rule != "R35")


def named(swap: Swap) -> list[str]:
    """The bounds that a comparison number for number names."""
    enforced = by_name(LIMITS)
    enforced["antagonist"][swap.name] = swap.value
    return [one.name for one in differences(OWN, enforced)]
