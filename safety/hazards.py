"""Hazards as data: how each could come to harm someone, and which requirements stand in the way.

A chain reads hazard, foreseeable sequence, hazardous situation, harm. The chains are our own analysis of a
simulated loop. They are a start for whoever owns the risk file of a real device and no replacement for it.
`left` says what remains although every requirement holds; nothing here estimates how likely or grave harm is.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Hazard(NamedTuple):
    """One chain. `rules`: identifiers of the requirements that stand against it; `left`: what they leave open."""

    name: str
    sequence: str
    situation: str
    harm: str
    rules: tuple[str, ...]
    left: str


class Disturbance(NamedTuple):
    """Something that happens to a wearer or a sensor. `sensed`: what the interlock has to notice it by."""

    name: str
    sensed: str
    rules: tuple[str, ...]


HAZARDS: Final[tuple[Hazard, ...]] = (
    Hazard(
        "Too much current",
        "The law, a wrong gain or a corrupt number asks for more than this person bears",
        "A pulse above the channel's peak or above the person's calibrated ceiling",
        "Pain, a muscle forced past what it tolerates",
        ("R01", "R06", "R07", "R36", "R37"),
        "A ceiling measured wrongly on the day is obeyed as if it were right",
    ),
    Hazard(
        "A pulse that is too wide",
        "Width and current are swapped, or width is used to get force that current may not give",
        "More charge per phase than was meant at an allowed current",
        "Pain, skin irritation",
        ("R01", "R08", "R09", "R20"),
        "Comfort differs by width between people; one range serves all",
    ),
    Hazard(
        "Charge or current crowded on little skin",
        "A small pad, half-lifted pad or long strong train",
        "Charge, RMS current or power per area above its bound",
        "Skin burn",
        ("R09", "R10", "R12", "R13", "R14", "R15", "R16", "R29"),
        "Pad area is declared by a person; edges and dry spots carry more than the average",
    ),
    Hazard(
        "Direct current",
        "The second phase falls short, is missing, or drifts to one side",
        "Net charge flows in one direction for seconds",
        "Chemical injury to the skin",
        ("R18", "R19"),
        "Seen only as well as the output stage measures its own charge",
    ),
    Hazard(
        "Pulses too close together",
        "A burst of requests, a repeated time stamp or both channels at once",
        "Pulses overlap or add up on a shared path",
        "Pain, fused contraction, more current than either channel admits",
        ("R04", "R11", "R25", "R26"),
        "Tissue shared by the channels is not modelled",
    ),
    Hazard(
        "Stimulation for too long",
        "The task goes on, the law makes up for a tiring muscle with more current",
        "Long on-time without rest, a long session, a rising total charge",
        "Muscle fatigue, soreness, skin irritation",
        ("R12", "R16", "R23", "R24"),
        "Fatigue itself is not sensed, only time and charge",
    ),
    Hazard(
        "Abrupt loss of assisting force",
        "Any trip or emergency stop while the wearer relies on the assistance",
        "Force falls at once; the graver or the workpiece slips",
        "A cut, a dropped tool, a damaged piece",
        ("R22", "R30", "R32"),
        "A trip is zero at once by design, which trades this hazard for a worse one. Planned stops, a stale estimate "
        "and a late law ramp down first; nothing can ramp after an emergency stop. The task must bear a lost grip",
    ),
    Hazard(
        "Unintended grip",
        "Spasm, reflex, a law that winds up, or the wearer adds force to the assistance",
        "Pinch force above what the hand or the object bears, or rising too fast",
        "Pain, strain, a crushed object or finger",
        ("R07", "R20", "R31", "R33", "R40"),
        "Once current is zero a spasm runs its course; force is estimated and the estimate lags",
    ),
    Hazard(
        "A sensor that lies",
        "Wrong sign, frozen value, jump after re-seating, slow bias, or values out of range",
        "The law pushes the wrong way on an estimate that looks alive",
        "Unintended force, loss of force",
        ("R30", "R31"),
        "A slow bias inside range and slope is not noticed: the simulator shows its effect, no rule senses it",
    ),
    Hazard(
        "Contact lost or drying",
        "A pad lifts, dries or is moved during the session",
        "The same current through less skin, or a voltage that hits compliance",
        "Sting on re-contact, skin burn",
        ("R13", "R17", "R28", "R29"),
        "A pad that dries slowly inside the impedance range is not told apart from a dry skin",
    ),
    Hazard(
        "Controller stalled or crashed",
        "The law hangs, raises, floods, or its process ends",
        "The last command goes on with nobody in charge",
        "Unintended force, fatigue",
        ("R01", "R02", "R03", "R32", "R39"),
        "A crash of the whole machine is outside the software: the output stage needs its own time-out",
    ),
    Hazard(
        "Old commands after a restart",
        "Power-on, re-arming, or a clock that jumps, with a command still in memory",
        "Output starts at the old level without anybody asking for it now",
        "Sudden contraction, startle",
        ("R03", "R04", "R05", "R21", "R34"),
        "Session totals live in memory: a restart of the process forgets them",
    ),
    Hazard(
        "Limits changed under way",
        "A file edit, mixed-up units or a stray write alters a bound while armed",
        "The interlock enforces numbers that nobody agreed to",
        "Any of the harms above",
        ("R35",),
        "Values inside the hard range that were wrong from the start are enforced faithfully",
    ),
    Hazard(
        "Wrong person, no calibration, or a contraindication",
        "Somebody else's file, no calibration, or a question answered yes or not asked",
        "Stimulation of a person for whom no ceiling was measured or who must not be stimulated",
        "Pain; for some conditions grave injury",
        ("R07", "R27"),
        "Answers are typed by a person and believed",
    ),
    Hazard(
        "Stop not heard",
        "The stop is pressed in mid-pulse, in mid-ramp, during another trip, or its input is unreadable",
        "Output goes on after the person said stop",
        "Pain, loss of trust",
        ("R22", "R33", "R34"),
        "A stop button that nobody can reach or whose wire is cut is outside the simulation",
    ),
    Hazard(
        "Silent alteration",
        "The interlock lowers or drops a demand and nobody is told",
        "The wearer or operator believes the assistance works, and relies on it; later authorship is unclear",
        "Misplaced trust, a wrong conclusion from an experiment",
        ("R37", "R38"),
        "A log is only of use when someone reads it; over-reliance is a matter for the study's protocol",
    ),
    Hazard(
        "Startle by a sudden start",
        "Arming, resuming after a pause, or a blocked law that is freed at full demand",
        "Full current from one pulse to the next",
        "Startle, jerk with a sharp tool in the hand",
        ("R20", "R21", "R40"),
        "Sensation jumps at the sensory threshold whatever the ramp",
    ),
)


DISTURBANCES: Final[tuple[Disturbance, ...]] = (
    Disturbance("Muscle fatigue", "on-time and charge used up; not force itself", ("R23", "R24")),
    Disturbance("Impedance drifts or a pad dries", "impedance, voltage needed at compliance", ("R17", "R28")),
    Disturbance("A pad lifts in part", "contact share, half when unknown; impedance jump", ("R13", "R28", "R29")),
    Disturbance("The estimate is delayed", "age of the estimate", ("R30",)),
    Disturbance("The estimate drops out", "age of the estimate", ("R30",)),
    Disturbance("The estimate is stuck", "the same value while pushed above the motor threshold", ("R30",)),
    Disturbance("The estimate is biased or has the wrong sign", "range and slope only; force bounds", ("R30", "R31")),
    Disturbance("Spasm or a sudden voluntary grip", "force above its bound or rising too fast", ("R31",)),
    Disturbance("The law is late, silent or wrong", "heartbeat; shape of the demand", ("R01", "R02", "R32")),
    Disturbance("Ticks are late or the clock steps", "time between ticks and pulses", ("R03", "R04")),
    Disturbance("The output stage unbalances pulses", "measured net charge, missing phase", ("R18", "R19")),
    Disturbance("The person or the operator stops", "the stop input", ("R33",)),
)
