"""Names of every whole number in a vector file, in the order in which they stand, and what the file says of itself."""

from __future__ import annotations

from typing import Final

from thenar.safety.bounds import MOST_RUNS
from thenar.safety.inputs import Senses
from thenar.safety.interlock import Admitted
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import (
    SHORT_SLOTS,
    BalanceMemory,
    CommandMemory,
    EstimateMemory,
    IntensityMemory,
    Latch,
    LoopMemory,
    Lowest,
    TrainMemory,
)

SCHEMA: Final = "thenar-interlock-vectors"
VERSION: Final = 1
CHANNELS: Final = ("agonist", "antagonist")
ASKED: Final = (
    "fault",
    *(f"{channel}_{name}" for channel in CHANNELS for name in ("current_uA", "width_us", "period_us")),
)
PULSE: Final = ("current_uA", "width_us", "gap_us")
UNITS: Final = (
    "Whole numbers only. Units are in the names: uA, us, pC, aJ (1e-18 J), uV, mN, ohm, mm2, per mille, percent. "
    "Names without a unit are counts, marks or choices (0 and 1). A reasons mask has bit n-1 set for requirement Rn."
)
OVERFLOW: Final = """\
Every value and every intermediate result fits a signed 64-bit integer, with one exception: limits_mark and the seal \
work on the low bits of two's complement numbers, so reckon those two unsigned. A JSON reader that turns numbers into \
doubles loses digits above 2^53: read them as integers.
Division is floor division; everywhere but for times before 0 both sides are non-negative, so that it is the same as \
division toward zero. Window buckets are counted from time 0 with floor division.
Senses are brought into fixed ranges, and t_us of a tick into 0 to 1e15, before any arithmetic; demands are only \
compared until they are known to lie in the type range. Times of gate and next calls lie within -1e15 to 1e15+1.
A 32-bit machine must widen to 64 bits before these products: current_uA*width_us*2 (pC), that times current_uA \
(uA2 us), rms_uA*rms_uA*window_us, current_uA*current_uA*1000*width_us (aJ), current_uA*contact_ohm (uV), \
share*ceiling*ceiling and wish*room (R25), slew*time, counted charge*11000000 and top*time (R40), \
mN*1000000, ohm*percent, and all times."""
FLAGS: Final = {
    "boundary": "one number stands just below, on or just above a bound",
    "overflow": "a number at an end of its type, or of 64 bits",
    "order": "more than one rule fired in one call, so their order of precedence shows",
    "recovery": "a latched trip, and an operator who names its cause",
    "stale": "a command or a clock too old (R03, R04)",
    "both_channels": "both channels are asked for, or wait for each other (R25, R26)",
    "quantise": "a current is rounded down to the device step (R36)",
    "stop": "an emergency stop (R33)",
    "contact": "skin contact decides (R28, or a known share of the pad)",
    "estimate": "the force estimate or the force decides (R30, R31)",
    "windows": "a sliding window or an on-time is used up (R12, R13, R15, R16, R23)",
    "balance": "measured net charge decides (R18, R19)",
    "rise": "how fast a channel may rise or must fall decides (R20, R21, R22, R40)",
    "law": "the demand or the law behind it is at fault (R01, R02, R32)",
    "session": "the session, its charge, screening or changed limits decide (R05, R07, R24, R27, R35)",
    "broken_off": "an earlier call broke off (R39)",
    "directed": "from a schedule aimed at one requirement",
    "random": "from a drawn schedule",
    "altered": "control file: one output is wrong on purpose",
}


def _lowest(prefix: str) -> list[str]:
    return [f"{prefix}.{name}" for name in Lowest._fields]


def memory_names() -> list[str]:
    """The name of every entry of the interlock's memory, MEMORY_SIZE of them, in order."""
    names = [f"latch.{name}" for name in Latch._fields] + [f"loop.{name}" for name in LoopMemory._fields]
    names += [f"estimate.{name}" for name in EstimateMemory._fields[:-1]] + _lowest("estimate.lows_mN")
    for channel in CHANNELS:
        names += [f"{channel}.command.{name}" for name in CommandMemory._fields]
        names += _lowest(f"{channel}.contact.lows_ohm") + _lowest(f"{channel}.contact.minus_highs_ohm")
        names += [f"{channel}.balance.{name}" for name in BalanceMemory._fields]
        names += [f"{channel}.train.{name}" for name in TrainMemory._fields]
        names += [f"{channel}.intensity.{name}" for name in IntensityMemory._fields]
    for channel in CHANNELS:
        for name in ("charge_pC", "square_uA2_us"):
            names += [f"{channel}.slots.{name}.{index}" for index in range(SHORT_SLOTS)]
        for index in range(MOST_RUNS):
            names += [f"{channel}.runs.{index}.{name}" for name in ("since_us", "before_us")]
    return names


def limits_names() -> list[str]:
    """The name of every limit, LIMITS_SIZE of them, in order."""
    names = [f"{channel}.{name}" for channel in CHANNELS for name in ChannelLimits._fields]
    return names + [f"loop.{name}" for name in LoopLimits._fields]


def fields() -> dict[str, list[str]]:
    """The lists of names that stand in the header, by what they name."""
    return {
        "limits": limits_names(),
        "memory": memory_names(),
        "asked": list(ASKED),
        "senses": list(Senses._fields),
        "admitted": list(Admitted._fields),
        "pulse": list(PULSE),
    }
