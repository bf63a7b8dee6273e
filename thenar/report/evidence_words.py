"""What the evidence page says in words: what it is and is not, fallback modes, plausibility checks, standards."""

from __future__ import annotations

from typing import Final, NamedTuple

NO_RUN: Final = "no run"
IS: Final = (
    "A record of one campaign of attacks on a software interlock inside a simulator, requirement by requirement.",
    "It says where each one is written, which tests check it, and how near the output came to its bound.",
    "Made for a reader who has to judge a study or a device file: what was tried, what was not.",
    "Offences with the interlock off show what the same attacks would have done without it.",
)
IS_NOT: Final = (
    "Not a certificate, not a declaration of conformity, and no statement that anything is safe.",
    "Not a clinical limit: every bound was chosen by somebody, and the page says by whom and from what.",
    "Not about a medical device: thenar is a simulator. No output stage, electrode or person was involved.",
    "Not proof: what was tried held; what was not tried is not known. A proof, where there is one, is named as such.",
    "It defers to your ethics board, your local codes and licensed practice. Where they differ, they are right.",
)
READING: Final = (
    "Met: how often a rule had something to judge. Acted: decisions it altered (0 where it acts at the pulse).",
    "Trips: whether the rule was seen to latch the loop.",
    "Closest to bound: the nearest that an admitted output came to the bound in force in that attack.",
    "Some attacks move bounds on purpose, so that a rule that others hide can be seen to act.",
    "Check taken out: after how many commands the campaign noticed that this check was missing from a copy.",
    "Mutants, by file: small changes to the files that hold the rule, all rules of a file counted together.",
    "Sources: a key in [@...] is cited in full under Sources, with what was read there and what is from memory.",
)
TAGS: Final[dict[str, str]] = {
    "seen": "read in the source named",
    "memory": "from memory, read the standard before you rely on it",
    "own": "our own choice",
    "derived": "reckoned from other values",
}
STANDARDS: Final[dict[str, str]] = {
    "ISO 14971": "The hazard table follows its chain: hazard, sequence of events, hazardous situation, harm, control, "
    "check that the control is there and that it works (offences with the interlock off and on).",
    "IEC 62304": "Each requirement leads to code and to tests, and each test result leads back.",
    "IEC 60601-1-10": "Sensed variable with range, rate, time-out and reaction; fallback mode with how it is entered, "
    "signalled and left; known disturbances and what notices them.",
}
STANDARDS_NOTE: Final = (
    "These process standards are named because the page's structure serves the questions they ask. Their structure is "
    "recalled from memory, sub-clauses are not cited, and no claim is made to fulfil any of them "
    "[@iso-14971] [@iec-62304] [@iec-60601-1-10]."
)


class Mode(NamedTuple):
    """A way in which output falls below what the law asks for, how it is entered, signalled and left."""

    name: str
    entered: str
    output: str
    signalled: str
    left: str
    rules: tuple[str, ...]


class Check(NamedTuple):
    """A plausibility check of something sensed: the bound that sets it (a key of the profile) and the reaction."""

    variable: str
    what: str
    key: str
    reaction: str


FALLBACK: Final = (
    Mode(
        "Ramp to zero",
        "The estimate is older than allowed, out of range, too steep or frozen; the law is late; a planned stop; a "
        "channel's on-time runs out",
        "Falls to zero within the ramp time and never rises meanwhile",
        "Reason R22, R23, R30 or R32 in every decision; told to the law; in decisions.parquet",
        "By itself when the cause has gone, from the level reached and no faster than R20 allows; after R23 by a soft "
        "start (R21) once the channel has recovered",
        ("R20", "R21", "R22", "R23", "R30", "R32"),
    ),
    Mode(
        "Latched trip",
        "Any cause that trips: stop, contact, force, late estimate or law, internal fault, changed limits",
        "Zero from the same instant, no ramp",
        "A trip event with the rule and what clears it; reason R34 while latched",
        "Only when the operator names the cause, it is gone, and the law asks for nothing; then a soft start (R21)",
        ("R33", "R34", "R21"),
    ),
    Mode(
        "Withheld pulse",
        "A budget is used up, a pulse comes too early, or one demand is unusable",
        "This pulse is left out; the next soft start is small after a second of silence",
        "The rule's reason in the decision or at the gate",
        "By itself when the budget or the time allows",
        ("R01", "R11", "R21", "R23"),
    ),
    Mode(
        "End of session",
        "Session time or charge is used up",
        "Zero, latched",
        "A trip event with R24",
        "Not at all: the session is over",
        ("R24",),
    ),
)

CHECKS: Final = (
    Check("pinch force estimate", "lowest believable, below zero by", "loop.estimate_undershoot_N", "ramp"),
    Check("pinch force estimate", "greatest believable value", "loop.estimate_max_N", "ramp"),
    Check("pinch force estimate", "steepest believable change", "loop.estimate_slope_N_per_s", "ramp"),
    Check("pinch force estimate", "longest time the same", "loop.estimate_frozen_ms", "ramp"),
    Check("pinch force estimate", "age that starts the ramp", "loop.estimate_ramp_ms", "ramp"),
    Check("pinch force estimate", "age that trips", "loop.estimate_trip_ms", "trip"),
    Check("pinch force estimate", "not believed for so long", "loop.implausible_trip_ms", "trip"),
    Check("pinch force", "share of the person's maximum, soft", "loop.force_soft_share", "push no further"),
    Check("pinch force", "share of the person's maximum, hard", "loop.force_hard_share", "trip"),
    Check("pinch force", "fastest rise", "loop.force_rise_N_per_s", "trip"),
    Check("skin impedance, agonist", "lowest", "agonist.impedance_min_ohm", "trip"),
    Check("skin impedance, agonist", "highest", "agonist.impedance_max_ohm", "trip"),
    Check("skin impedance, agonist", "largest factor within the window", "agonist.impedance_jump", "trip"),
    Check("skin impedance, antagonist", "lowest", "antagonist.impedance_min_ohm", "trip"),
    Check("skin impedance, antagonist", "highest", "antagonist.impedance_max_ohm", "trip"),
    Check("skin impedance, antagonist", "largest factor within the window", "antagonist.impedance_jump", "trip"),
    Check("heartbeat of the law", "silence that starts the ramp", "loop.heartbeat_ramp_periods", "ramp"),
    Check("heartbeat of the law", "silence that trips", "loop.heartbeat_trip_ms", "trip"),
)
