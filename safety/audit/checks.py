"""What the auditor checks: one row per check, with what counts as an exercise of it. The steps name them by number.

`most`: the value must be at most its bound, else at least. `needs`: the log without which a requirement can't be
judged; a check marked "measured" needs what was measured of the second phases instead.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple


class Check(NamedTuple):
    """One check of requirement `rule`: what is compared, in which unit, and when it counts as exercised."""

    rule: str
    what: str
    unit: str
    exercised: str
    needs: Literal["pulses", "decisions", "measured"] = "decisions"
    most: bool = True


SQUARED: Final = "uA2 us"
"""Unit of the windows over squared current: an r.m.s. current over a second, squared, times a second."""
_ASKED: Final = "pulses within one device step of the bound, and ticks that asked for more"
_NEAR: Final = "pulses at which the value was at least nine tenths of the bound"
_CLOSE: Final = "pulses within 1 % of the bound, and ticks that asked for a shorter time"
_RISE: Final = "ticks that asked for a larger rise while the loop was open"
_MORE: Final = "ticks that asked for more while the loop was open"
_STEEPER: Final = "pulses that deliver more per second than 11/10 of an earlier one"
_BEYOND: Final = "ticks beyond the bound while the loop was open"
_OPEN: Final = "ticks beyond the bound while the loop was open or asked to arm"

CHECKS: Final = (
    Check("R06", "current of a pulse", "uA", _ASKED, "pulses"),
    Check("R07", "current of a pulse", "uA", _ASKED, "pulses"),
    Check("R07", "armed without a ceiling on file", "1", "ticks asked to arm without a ceiling", "decisions"),
    Check("R08", "width of a pulse", "us", "pulses at the bound, and ticks that asked for a wider one", "pulses"),
    Check("R08", "width of a pulse", "us", "pulses at the bound, and ticks that asked for less", "pulses", most=False),
    Check("R09", "charge of a phase", "pC", _ASKED, "pulses"),
    Check("R10", "charge of a phase", "pC", _ASKED, "pulses"),
    Check("R11", "time between pulse starts", "us", _CLOSE, "pulses", most=False),
    Check("R12", "squared current over a second", SQUARED, _NEAR, "pulses"),
    Check("R13", "squared current over a second", SQUARED, _NEAR, "pulses"),
    Check("R29", "squared current over a second, share unknown", SQUARED, _NEAR, "pulses"),
    Check("R14", "energy of a pulse into 500 ohm", "fJ", _NEAR, "pulses"),
    Check("R15", "squared current over a second", SQUARED, _NEAR, "pulses"),
    Check("R16", "rectified charge over a second", "pC", _NEAR, "pulses"),
    Check("R17", "voltage of an admitted current", "uV", _MORE),
    Check("R17", "pulses in a row at a current lowered by compliance", "1", "such pulses"),
    Check("R18", "net charge since the last tick, while anything is admitted", "pC", _BEYOND),
    Check("R18", "net charge over a second, while anything is admitted", "pC", _BEYOND),
    Check("R18", "net charge over a second, while open", "pC", _OPEN),
    Check("R18", "difference of the two phases", "pC", "pulses whose phases differ", "measured"),
    Check("R19", "pulses cut short, while open", "1", _OPEN),
    Check("R19", "pulse without a second phase", "1", "pulses whose second phase was measured", "measured"),
    Check("R20", "admitted current after one tick", "uA", _RISE),
    Check("R20", "current of a pulse over every earlier one", "uA", "pulses that rose from the one before", "pulses"),
    Check("R20", "admitted width after one tick", "us", _RISE),
    Check("R20", "width of a pulse over every earlier one", "us", "pulses wider than the one before", "pulses"),
    Check("R21", "current of a first pulse", "uA", "first pulses after power-on, arming or a rest", "pulses"),
    Check("R22", "current on the ramp of a planned stop", "uA", "ticks on such a ramp"),
    Check("R22", "planned stop not begun, or broken off to zero", "1", "ticks at which arm was let go while open"),
    Check("R23", "on-time without a rest", "us", _NEAR, "pulses"),
    Check("R23", "on-time in the long window", "us", _NEAR, "pulses"),
    Check("R23", "fall of the admitted current over a tick, as the on-time ends", "uA", "ticks of such a fall"),
    Check("R23", "silence after an on-time that ran out", "us", "first pulses after one", most=False),
    Check("R24", "time since the session began", "us", "pulses in its last tenth, and ticks at its end", "pulses"),
    Check("R24", "rectified charge of the session", "pC", _NEAR, "pulses"),
    Check("R25", "sum of both shares", "1/1000", _MORE),
    Check("R26", "time since the other channel's pulse ended", "us", "pulses within 1 ms of it", "pulses", most=False),
    Check("R26", "that time at a changeover", "us", "changeovers within a second of the other", "pulses", most=False),
    Check("R27", "armed against the screening", "1", "armings, and ticks that asked to arm against it"),
    Check("R28", "impedance, while open", "ohm", _OPEN, most=False),
    Check("R28", "impedance, while open", "ohm", _OPEN),
    Check("R28", "ratio of two impedances within the window, while open", "1/100", _OPEN),
    Check("R30", "age of the estimate, while open", "us", _OPEN),
    Check("R30", "current on the ramp for a stale or implausible estimate", "uA", "ticks on such a ramp"),
    Check("R30", "time with an implausible estimate, while open", "us", _OPEN),
    Check("R31", "agonist above the soft bound over what was delivered", "uA, us", "ticks above it while open"),
    Check("R31", "estimated force, while open", "mN", _OPEN),
    Check("R31", "rise of the estimated force within the window, while open", "mN", _OPEN),
    Check("R32", "current on the ramp for a late law", "uA", "ticks on such a ramp"),
    Check("R32", "silence of the law, while open", "us", _OPEN),
    Check("R33", "anything admitted or open at a stop", "1", "ticks with a stop, and stops between ticks"),
    Check("R34", "current admitted or loop open while latched", "uA", "ticks while latched"),
    Check("R34", "time from a latch to a pulse that still left", "us", "latches"),
    Check("R34", "latch cleared without its terms", "1", "latches cleared, and resets that were refused"),
    Check("R35", "limits other than at arming, while open", "1", _OPEN),
    Check("R35", "armed under other limits than these", "1", "armings"),
    Check("R36", "remainder of a current over the device step", "uA", "pulses and admitted currents", "pulses"),
    Check("R37", "admitted current over the asked one", "uA", "currents admitted or asked for while open"),
    Check("R37", "admitted width over the asked one", "us", "currents admitted"),
    Check("R37", "admitted period under the asked one", "us", "currents admitted", most=False),
    Check("R37", "current of a pulse over the admitted one", "uA", "pulses"),
    Check("R37", "width of a pulse over the admitted one", "us", "pulses"),
    Check("R37", "time between pulse starts under the admitted period", "us", "pulses", most=False),
    Check("R38", "alteration without a reason", "1", "ticks whose demand was altered"),
    Check("R38", "pulse that an admitted command owed and that didn't leave", "1", "pulses under a command"),
    Check("R38", "current, width or pause of a pulse off the admitted one", "uA, us", "pulses under a command"),
    Check("R40", "charge per second over every earlier pulse's line", "pC/s", _STEEPER, "pulses"),
    Check("R39", "a call that broke off, while open", "1", "ticks after a call that broke off"),
    Check("R01", "current admitted without a usable demand", "uA", "ticks with a demand that can't be read"),
    Check("R01", "unusable demands in a row, while open", "1", _OPEN),
    Check("R02", "demand of a wrong shape, while open", "1", _OPEN),
    Check("R03", "age of the command at a pulse", "us", "pulses in the last tenth of their command's life"),
    Check("R03", "life of an admitted command", "us", "commands admitted"),
    Check("R03", "gap between control ticks, while open", "us", _OPEN),
    Check("R04", "step back of the clock, while open", "us", _OPEN),
    Check("R04", "time between ticks, while anything is admitted", "us", _BEYOND),
    Check("R04", "time between ticks, while anything is admitted", "us", _BEYOND, most=False),
    Check("R05", "current admitted while disarmed", "uA", "ticks while disarmed"),
    Check("R05", "pulse while disarmed", "uA", "changes between open and shut"),
    Check("R05", "armed without being asked to", "1", "armings"),
)  # fmt: skip

(
    R06, R07, R07_ARMED, R08_WIDE, R08_NARROW, R09, R10, R11, R12, R13, R29, R14, R15, R16, R17, R17_ROW,
    R18_TICK, R18_RUN, R18_TRIP, R18_PULSE, R19_TICK, R19_PULSE, R20_TICK, R20_PULSE, R20_WIDTH_TICK, R20_WIDTH_PULSE,
    R21, R22_RAMP, R22_STOP, R23_RUN, R23_WINDOW, R23_FALL, R23_RECOVERY, R24_TIME, R24_CHARGE, R25, R26,
    R26_CHANGEOVER, R27, R28_LOW, R28_HIGH, R28_JUMP, R30_AGE, R30_RAMP, R30_BAD, R31_SOFT, R31_HARD, R31_RISE,
    R32_RAMP, R32_TRIP,
    R33, R34_SHUT, R34_PULSE, R34_CLEAR, R35_FROZEN, R35_SAME, R36, R37_CURRENT, R37_WIDTH, R37_PERIOD,
    R37_PULSE, R37_PULSE_WIDTH, R37_SPACING, R38, R38_OWED, R38_SAME, R40, R39, R01_ZERO, R01_TRIP, R02, R03_AGE,
    R03_LIFE, R03_GAP,
    R04_BACK, R04_SLOW, R04_FAST, R05_ZERO, R05_PULSE, R05_ARMED,
) = range(len(CHECKS))  # fmt: skip
