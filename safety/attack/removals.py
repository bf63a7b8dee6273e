"""Each check removed by itself: the edits that take it out of a copy of the sources, and nothing else.

A campaign that can't fail proves nothing. So every check is taken out in turn, and the campaign must notice. The
live sources are never edited: `variant` makes a copy.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Edit(NamedTuple):
    """In `module` (a file of `safety/` without its ending) the text `old`, found exactly once, becomes `new`."""

    module: str
    old: str
    new: str


class Removal(NamedTuple):
    """What is taken out for one requirement.

    `caught_by`: requirements any one of which may be what the auditor finds broken; that of the removal first.
    `planted`: edits that stay in the twin run in which the check is still there: an excess for the check to catch.
    """

    rule: str
    edits: tuple[Edit, ...]
    caught_by: tuple[str, ...]
    planted: tuple[Edit, ...] = ()


_RISE: Final = (
    "    top_uA = limits.first_step_uA if silent else max(limits.first_step_uA, command.current_uA + rise_uA)\n"
)
_SOFT_START: Final = (
    "    if command.current_uA > limits.first_step_uA and is_silent(loop, own.train, latch.armed_us, t_us):\n"
    "        reasons |= R21\n"
)
_KEPT_CHARGE: Final = "        and current_uA * width_us <= min(limits.charge_pC, limits.density_charge_pC)\n"


def _removal(rule: str, *edits: tuple[str, str, str], also: tuple[str, ...] = ()) -> Removal:
    return Removal(rule, tuple(Edit(*edit) for edit in edits), (rule, *also))


REMOVALS: Final[tuple[Removal, ...]] = (
    _removal("R01", ("validity", "        and demand.fault == FAULT_NONE\n", "")),
    _removal("R02", ("validity", "Findings(R02, 0, trip | R02)", "Findings(R02, 0, trip)")),
    _removal("R03", ("gate", "    if t_us >= admitted.expires_us:\n        reasons |= R03\n", "")),
    _removal("R04", ("validity", "        withhold = R04\n", "        withhold = 0\n")),
    _removal("R05", ("arming", "    if senses.arm == 0:\n        return latch, 0\n", "")),
    _removal(
        "R06",
        ("ceilings", "        (R06, limits.peak_uA),\n", ""),
        ("ceilings", "0 < current_uA <= min(limits.peak_uA, limits.ceiling_uA)", "0 < current_uA <= limits.ceiling_uA"),
    ),
    _removal(
        "R07",
        ("ceilings", "        (R07, limits.ceiling_uA),\n", ""),
        ("ceilings", "0 < current_uA <= min(limits.peak_uA, limits.ceiling_uA)", "0 < current_uA <= limits.peak_uA"),
    ),
    _removal(
        "R08",
        ("ceilings", "        width = limits.width_max_us\n", "        width = asked.width_us\n"),
        ("ceilings", "    if width < limits.width_min_us:\n        return Bounded(0, 0, 0, R08)\n", ""),
        ("ceilings", "        and limits.width_min_us <= width_us <= limits.width_max_us\n", ""),
    ),
    _removal(
        "R09",
        ("ceilings", "        (R09, limits.charge_pC // width),\n", ""),
        ("ceilings", _KEPT_CHARGE, "        and current_uA * width_us <= limits.density_charge_pC\n"),
    ),
    _removal(
        "R10",
        ("ceilings", "        (R10, limits.density_charge_pC // width),\n", ""),
        ("ceilings", _KEPT_CHARGE, "        and current_uA * width_us <= limits.charge_pC\n"),
    ),
    _removal(
        "R11",
        ("ceilings", "        period = limits.period_min_us\n", "        period = asked.period_us\n"),
        ("ceilings", "        and period_us >= limits.period_min_us\n", ""),
        (
            "gate",
            "own.train.pulse_us + max(command.period_us, own_limits.period_min_us)",
            "own.train.pulse_us + command.period_us",
        ),
        (
            "gate",
            "    if t_us - own.train.pulse_us < max(command.period_us, limits.period_min_us):",
            "    if t_us - own.train.pulse_us < command.period_us:",
        ),
    ),
    _removal(
        "R12",
        ("ceilings", "        (R12, _steady_bound_uA(loop, limits.rms_uA, asked.current_uA, width, pulses)),\n", ""),
        ("budget", "        withhold |= R12\n", "        withhold |= 0\n"),
    ),
    _removal(
        "R13",
        ("ceilings", "        (R13, _steady_bound_uA(loop, density_uA, asked.current_uA, width, pulses)),\n", ""),
        ("budget", "        withhold |= R13\n", "        withhold |= 0\n"),
        ("budget", "        trip |= R13\n", "        trip |= 0\n"),
    ),
    _removal("R14", ("ceilings", "return R14 if energy_aJ > limits.energy_aJ else 0", "return 0")),
    _removal("R15", ("budget", "        trip |= R15\n", "        trip |= 0\n")),
    _removal(
        "R16",
        ("ceilings", "        (R16, limits.rectified_pC // (2 * width * pulses)),\n", ""),
        ("budget", "        withhold |= R16\n", "        withhold |= 0\n"),
    ),
    _removal(
        "R17",
        (
            "ceilings",
            "        (R17, limits.compliance_uV // contact_ohm if contact_ohm > 0 else asked.current_uA),\n",
            "",
        ),
    ),
    _removal(
        "R18",
        ("balance", "        withhold = R18\n", "        withhold = 0\n"),
        ("balance", "    trip = R18 if running_pC > limits.net_trip_pC else 0\n", "    trip = 0\n"),
    ),
    _removal("R19", ("balance", "        trip |= R19\n", "        trip |= 0\n")),
    _removal(
        "R20",
        (
            "step_limits",
            _RISE,
            "    top_uA = limits.first_step_uA if silent else given.current_uA\n",
        ),
    ),
    _removal(
        "R21",
        (
            "gate",
            _SOFT_START,
            "",
        ),
        (
            "step_limits",
            _RISE,
            "    top_uA = max(limits.first_step_uA, command.current_uA + rise_uA)\n",
        ),
    ),
    _removal(
        "R22",
        (
            "interlock",
            "        ramp = findings.ramp | (R22 if latch.state == STOPPING else 0)\n",
            "        ramp = findings.ramp\n",
        ),
    ),
    _removal(
        "R23",
        (
            "budget",
            "on_us - train.gone_us > limits.on_us:\n        withhold |= R23\n",
            "on_us - train.gone_us > limits.on_us:\n        withhold |= 0\n",
        ),
        (
            "budget",
            "    return until_us - since_us > limits.run_us or on_us - train.gone_us > limits.on_us\n",
            "    return False\n",
        ),
        ("interlock", "memory.train.hold_until_us > t_us and memory.train.hold_reasons & R23 != 0", "False"),
    ),
    _removal(
        "R24",
        ("judgement", "        trip |= R24\n", "        trip |= 0\n"),
        ("budget", "        trip |= R24\n", "        trip |= 0\n"),
        ("gate", "        trip |= R24\n", "        trip |= 0\n"),
    ),
    _removal("R25", ("ceilings", "    if wished <= room:\n", "    if wished >= 0:\n")),
    _removal(
        "R26",
        (
            "gate",
            "    return other.train.end_us + (loop.changeover_us if first else loop.pulse_gap_us)\n",
            "    return own.train.pulse_us\n",
        ),
    ),
    _removal("R27", ("arming", "        refused |= R27\n", "        refused |= 0\n")),
    _removal("R28", ("plausibility", "    return now, R28 if out or jumped else 0\n", "    return now, 0\n")),
    _removal(
        "R29",
        (
            "ceilings",
            "    share = limits.contact_assumed_per_mille if contact_per_mille < 0 else contact_per_mille\n",
            "    share = 1_000 if contact_per_mille < 0 else contact_per_mille\n",
        ),
    ),
    _removal(
        "R30",
        ("plausibility", "    ramp = R30 if late or now.bad_since_us != NEVER else 0\n", "    ramp = 0\n"),
        ("plausibility", "    trip = R30 if too_late else 0\n", "    trip = 0\n"),
    ),
    _removal("R31", ("plausibility", "        trip |= R31\n", "        trip |= 0\n")),
    _removal(
        "R32",
        ("validity", "    trip = R32 if silence >= limits.heartbeat_trip_us else 0\n", "    trip = 0\n"),
        ("validity", "Findings(0, R32 if silence >= limits.heartbeat_ramp_us else 0, trip)", "Findings(0, 0, trip)"),
    ),
    _removal("R33", ("arming", "    if senses.stop != 0:\n", "    if senses.stop > 1:\n")),
    _removal(
        "R34",
        (
            "arming",
            "    if senses.rearm_cause != latch.trip or not at_rest or latch.trip == 24:\n",
            "    if latch.trip == 24:\n",
        ),
    ),
    _removal(
        "R35",
        ("judgement", "        trip |= R35\n", "        trip |= 0\n"),
        ("doors", " and limits_mark(own) != memory[_MARK]:", " and False:"),
    ),
    _removal(
        "R36",
        (
            "step_limits",
            "    return cut(given, given.current_uA - given.current_uA % max(loop.device_step_uA, 1), R36)\n",
            "    return cut(given, given.current_uA, R36)\n",
        ),
        ("ceilings", "        and current_uA % max(loop.device_step_uA, 1) == 0\n", ""),
    ),
    Removal(
        "R37",
        (Edit("interlock", "    return trip | R37\n", "    return trip\n"),),
        ("R37",),
        planted=(
            Edit(
                "ceilings",
                "    return Bounded(current, width, period, reasons)\n",
                "    return Bounded(current, width + 1, period, reasons)\n",
            ),
        ),
    ),
    _removal(
        "R38",
        (
            "interlock",
            "    return _sealed(now_us, expires_us, agonist, antagonist, limits.loop.interphase_us), after, reasons\n",
            "    return _sealed(now_us, expires_us, agonist, antagonist, limits.loop.interphase_us), after, 0\n",
        ),
    ),
    _removal(
        "R39",
        ("judgement", "        trip |= R39\n", "        trip |= 0\n"),
        ("gate", "    if latch.busy > 1 or admitted.seal", "    if admitted.seal"),
    ),
    _removal("R40", ("intensity", "own.intensity, R40, until_us", "own.intensity, 0, until_us")),
)

MUST_SURVIVE: Final = Removal(
    "none", (Edit("interlock", "    senses = bounded(senses)\n", "    senses = bounded(senses)  # as before\n"),), ()
)
"""An edit that changes nothing: were it noticed, the campaign would be crying wolf."""
MUST_DIE: Final = Removal(
    "all",
    (
        Edit("ceilings", "        current = min(current, bound)\n", "        current = max(current, bound)\n"),
        Edit("interlock", "    return trip | R37\n", "    return trip\n"),
    ),
    ("R06", "R07", "R09", "R10", "R20", "R37"),
)
"""Every ceiling turned round: were it not noticed, the campaign would see nothing."""
