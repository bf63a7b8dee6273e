"""The requirements R01 to R40 as data, and the names of the rules in a reasons mask.

Defaults are those of the profile forearm-25cm2. `hard` is what no profile may exceed. `tag` says how far the
source was followed: seen (read), memory (recalled, not read again), own (our choice), derived (reckoned).
A key as in [@shannon-1992] names a source of `shared/sources.toml`. Nothing here is a clinical limit.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

Action = Literal["clamp", "withhold", "ramp", "trip", "refuse"]


class Requirement(NamedTuple):
    """One row. `action` lists every answer that the rule can give, the mildest first."""

    number: int
    title: str
    action: tuple[Action, ...]
    default: str
    hard: str
    source: str
    tag: Literal["seen", "memory", "own", "derived"]

    @property
    def name(self) -> str:
        """The identifier: "R01" for 1."""
        return f"R{self.number:02d}"


REQUIREMENTS: Final[tuple[Requirement, ...]] = (
    Requirement(
        1,
        "A demand that is missing, not a finite number or out of type range is not used",
        ("withhold", "trip"),
        "3 in a row trip",
        "10 in a row",
        "NaN passes a > clamp [@solver-trial]",
        "seen",
    ),
    Requirement(
        2,
        "A demand with more channels or fields than there are is not used",
        ("withhold", "trip"),
        "at once",
        "-",
        "unknown fields are refused [@mldsa-native-1381]",
        "seen",
    ),
    Requirement(
        3,
        "An admitted command expires by itself, and a gap between control ticks trips",
        ("withhold", "trip"),
        "3 control periods, at most 200 ms; trip after 250 ms",
        "5 control periods, 250 ms; trip 500 ms",
        "time-outs of a closed loop [@iec-60601-1-10]; age of inputs [@opendbc]",
        "memory",
    ),
    Requirement(
        4,
        "The clock goes on by about one control period",
        ("withhold", "trip"),
        "0.5 to 2 periods; backwards trips",
        "3 periods",
        "cold start and stale times [@plfm-radar-78]",
        "seen",
    ),
    Requirement(
        5,
        "Output is zero unless armed; power-on state is disarmed",
        ("withhold",),
        "-",
        "-",
        "silent by default [@opendbc]; start from minimum [@iec-60601-2-10]",
        "seen",
    ),
    Requirement(
        6,
        "Peak current per channel",
        ("clamp",),
        "40 mA",
        "100 mA",
        "forearm practice 10-40 mA [@forearm-practice]",
        "memory",
    ),
    Requirement(
        7,
        "Peak current at most this person's calibrated comfort ceiling; none on file is zero",
        ("clamp", "refuse"),
        "per session",
        "100 mA",
        "control by the person [@fda-1999-guidance]",
        "seen",
    ),
    Requirement(
        8,
        "Pulse width range: wider is clamped, narrower is left out",
        ("clamp", "withhold"),
        "50-400 us",
        "10-500 us",
        "200-400 us in practice [@nmes-knee-trials] [@forearm-practice]",
        "seen",
    ),
    Requirement(
        9, "Charge per phase", ("clamp",), "12 uC", "50 uC", "a figure the regulator asks for [@cfr-882-5891]", "seen"
    ),
    Requirement(
        10,
        "Charge density per phase on the smaller pad",
        ("clamp",),
        "1.0 uC/cm2",
        "2.0 uC/cm2",
        "below the line for implants [@iso-14708-3]",
        "own",
    ),
    Requirement(
        11,
        "Rate and shortest time between pulses on a channel",
        ("clamp", "withhold"),
        "50 Hz",
        "100 Hz, 10 ms",
        "clinician guide 30-50 Hz [@nmes-clinician-guide]",
        "seen",
    ),
    Requirement(
        12,
        "RMS current over a sliding second",
        ("clamp", "withhold"),
        "10 mA",
        "50 mA",
        "the standard's 50 mA up to 400 Hz [@iec-60601-2-10]",
        "memory",
    ),
    Requirement(
        13,
        "RMS current density on the smaller pad's share in contact",
        ("clamp", "withhold", "trip"),
        "1.0 mA/cm2, trip above 2.0",
        "2.0 mA/cm2",
        "attention level of 2 mA/cm2 [@iec-60601-2-10]",
        "seen",
    ),
    Requirement(
        14,
        "Energy per pulse into 500 ohm (a backstop at the defaults)",
        ("trip",),
        "2 mJ",
        "300 mJ",
        "the standard's 300 mJ [@iec-60601-2-10]",
        "seen",
    ),
    Requirement(
        15,
        "Average power density into 500 ohm over a second (a backstop at the defaults)",
        ("trip",),
        "0.05 W/cm2",
        "0.25 W/cm2",
        "the regulator's 0.25 W/cm2 [@fda-1999-guidance]",
        "seen",
    ),
    Requirement(
        16,
        "Average rectified current over a second (a backstop at the defaults)",
        ("clamp", "withhold"),
        "5 mA",
        "10 mA",
        "recalled with low confidence [@fda-2010-drafts]",
        "memory",
    ),
    Requirement(
        17,
        "The voltage a current needs stays within compliance",
        ("clamp", "trip"),
        "120 V; 5 lowered pulses in a row trip",
        "500 V",
        "the standard's 500 V [@iec-60601-2-10]; loads of pads [@pad-practice]",
        "seen",
    ),
    Requirement(
        18,
        "Net charge of the pulses as measured, as a share of a phase and over a second",
        ("withhold", "trip"),
        "2 % of a phase; 10 uA over 1 s, trip above 50 uA",
        "5 %; 10 uA, 50 uA",
        "analogue of the standard's auxiliary current [@iec-60601-1]",
        "memory",
    ),
    Requirement(
        19,
        "Every pulse carries both phases or none: one that breaks off between them trips",
        ("trip",),
        "at once",
        "-",
        "half a pulse is direct current",
        "derived",
    ),
    Requirement(
        20,
        "Rise per control period against what was last delivered",
        ("clamp",),
        "20 mA/s; width 200 us/s",
        "50 mA/s; 250 us/s",
        "knee trials: ramps of 0.5-3.5 s [@nmes-knee-trials]",
        "seen",
    ),
    Requirement(
        21,
        "After arming or a rest the output starts small",
        ("clamp", "withhold"),
        "0.8 mA after 1 s of silence",
        "2 mA",
        "start from minimum [@iec-60601-2-10]",
        "memory",
    ),
    Requirement(
        22,
        "A planned stop ramps down, an emergency stop is zero at once; the two are never mixed",
        ("ramp", "trip"),
        "0.5 s",
        "2 s",
        "ramp rather than block [@opendbc]; knee trials: 1 s down [@nmes-knee-trials]",
        "seen",
    ),
    Requirement(
        23,
        "On-time without a rest and on-time per window: ends by the ramp of R22, then the channel recovers in silence",
        ("withhold", "ramp"),
        "20 s; 50 % of 60 s; 10 s",
        "300 s; 100 %; 1 s",
        "maximal quadriceps strengthening: 5-20 s and 17-38 % on [@nmes-knee-trials]",
        "seen",
    ),
    Requirement(
        24,
        "Session time and total rectified charge",
        ("trip",),
        "30 min; 1.0 C per channel",
        "60 min; 2 C",
        "sessions of 15-30 min [@forearm-practice]",
        "memory",
    ),
    Requirement(
        25, "Summed drive of both channels as shares of their ceilings", ("clamp",), "1.2", "2.0", "joint load", "own"
    ),
    Requirement(
        26,
        "Pulses of the two channels never overlap and keep a gap; a changeover keeps a longer one",
        ("withhold",),
        "1 ms; 20 ms",
        "0.5 ms; 1 ms",
        "shared path",
        "own",
    ),
    Requirement(
        27,
        "Placement declared in one arm, and every contraindication answered no",
        ("refuse",),
        "every item answered no",
        "-",
        "201.7.9.2 [@iec-60601-2-10]; [@fda-1999-guidance]; lists differ [@ptc-2010] [@electrotherapy-org]",
        "seen",
    ),
    Requirement(
        28,
        "Skin contact: impedance in range and without a jump",
        ("trip",),
        "100 ohm to 10 kohm; factor 2 within 1 s",
        "50 ohm to 20 kohm; factor 4",
        "test loads [@fda-1999-guidance]",
        "own",
    ),
    Requirement(
        29,
        "An unknown contact share counts as half (a value inside R13)",
        ("clamp",),
        "0.5",
        "0.5",
        "half contact doubles the density",
        "derived",
    ),
    Requirement(
        30,
        "The estimate is believable: range, slope, frozen, age",
        ("ramp", "trip"),
        "-5 to 200 N; 1000 N/s; 500 ms the same; 300 ms old ramps, 800 ms trips",
        "500 N; 5000 N/s; 2 s; 500 ms, 1.5 s",
        "plausibility and fallback [@iec-60601-1-10]; the ages are ours, see the profile",
        "memory",
    ),
    Requirement(
        31,
        "Force: above the soft bound the agonist pushes no further; above the hard bound or rising too fast, all stops",
        ("clamp", "trip"),
        "60 % and 80 % of the calibrated maximum; 200 N/s over 100 ms",
        "80 % and 100 %; 1000 N/s",
        "a small verified switch [@sha-2001]",
        "own",
    ),
    Requirement(
        32,
        "The law's heartbeat: late is held, then ramped, then tripped",
        ("ramp", "trip"),
        "3 control periods; 0.5 s",
        "10 control periods; 1 s",
        "heartbeat of a vehicle's actuator gate [@panda]",
        "seen",
    ),
    Requirement(
        33,
        "A stop by the person or the operator wins over everything",
        ("trip",),
        "at once",
        "-",
        "patient override [@fda-1999-guidance]",
        "seen",
    ),
    Requirement(
        34,
        "A latched trip clears only when the operator names its cause, the cause is gone and nothing is asked for",
        ("withhold",),
        "no automatic reset",
        "-",
        "passive after firing [@nasa-lc]; latching alarms [@iec-60601-1-8]",
        "memory",
    ),
    Requirement(
        35,
        "Limits are frozen at arming; a profile past a hard ceiling is refused",
        ("trip", "refuse"),
        "SHA-256 of the profile",
        "-",
        "tables validated at load [@nasa-lc]",
        "seen",
    ),
    Requirement(
        36,
        "After all limits the current is rounded toward zero to the device step and checked again",
        ("clamp",),
        "0.1 mA",
        "1 mA",
        "floor, never nearest [@androidaps]",
        "seen",
    ),
    Requirement(
        37,
        "Output never exceeds what was asked for, keeps its sign, stays zero at zero; twice is once",
        ("trip",),
        "-",
        "-",
        "minimal change [@mestres-2025]",
        "seen",
    ),
    Requirement(
        38,
        "Every alteration is reported with the rule that made it (the reasons mask itself)",
        ("clamp",),
        "-",
        "-",
        "reason with owner [@androidaps]; logs [@iec-60601-1-8] [@iec-60601-1-10]",
        "seen",
    ),
    Requirement(
        39,
        "A call that breaks off inside the interlock equals zero output",
        ("trip",),
        "-",
        "-",
        "fail-safe default",
        "own",
    ),
    Requirement(
        40,
        "Rise of what a channel delivers per second, however current, width and rate are combined; upward only",
        ("withhold",),
        "240 uC/s per second; a narrower pulse counts as 300 us",
        "600 uC/s per second; 200 us",
        "R20 at 300 us and 40 Hz; narrow pulses recruit at less charge [@geddes-2004]",
        "derived",
    ),
)


RULE_PATTERN: Final = f"^({'|'.join(row.name for row in REQUIREMENTS)})$"
"""What an identifier of a requirement must match, as a regular expression."""


def rearming_needs(number: int) -> str:
    """What clears a trip latched by requirement `number`, in words (R34)."""
    if number == 24:
        return "nothing clears it: the session is over"
    steps = [f"the operator names R{number:02d}", "the law asks for nothing", "no cause of any kind is left"]
    if number in (13, 15):
        steps.append("a whole short window (1 s) has passed in silence")
    return "; ".join(steps)


def reason_ids(mask: int) -> tuple[str, ...]:
    """Identifiers ("R06", ...) of the rules in a reasons mask, in order. Bits past the last requirement are ignored."""
    return tuple(row.name for row in REQUIREMENTS if int(mask) >> (row.number - 1) & 1)
