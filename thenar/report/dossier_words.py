"""What a dossier says in words that no run decides: what it is, what it can't say, what to look after."""

from __future__ import annotations

from typing import Final

IS: Final = (
    "A summary of a planned study of closed-loop electrical muscle stimulation, played through in a simulator.",
    "All who take part in it are simulated. No person was stimulated, and nobody has been asked yet.",
    (
        "Made for a board that has to judge a protocol: what would be done, what each person would be given, what may "
        "come of it, and how well each of these is known."
    ),
)
IS_NOT: Final = (
    "No medical device, no clinical limit, no certificate, and no statement that anything is safe.",
    "No approval and no advice: the decision belongs to your ethics board, your local codes and licensed practice.",
    "No result about people: every number is of simulated wearers and holds for people only as far as the models do.",
)
CONDITIONS: Final = {
    "unassisted": "the wearer alone, no stimulation",
    "assisted": "the wearer, helped by stimulation that a control law asks for and the interlock lets through",
    "stimulation-only": "stimulation alone: the wearer's hand stays at rest",
}
CANNOT_SAY: Final = (
    "How stimulation feels. Pain, tingling, fear, dislike and wanting to stop are not in the models.",
    "What it does to skin. Redness, burns, allergies and drying pads are not simulated, only current and charge.",
    "How people learn, adapt, lean on the help or lose trust in it over trials and days. Each trial starts afresh.",
    "Fatigue from trial to trial. Each trial starts with rested muscles and an interlock just switched on.",
    "How often anything happens to people. Simulated counts are counts over simulated wearers, no rates of harm.",
    "Rare bodies and illnesses. Wearers are drawn around healthy norms, with spreads that are partly assumed.",
    "Other muscles. Spread of current to neighbouring muscles and nerves, reflexes and cramps are left out.",
    "Faults of a stimulator's output stage, leads, battery or software that were not put in as faults.",
    "Whether help in a simulated hold means anything for work, training or recovery.",
)
CAUTIONS: Final = (
    (
        "Skin: look at it before pads go on, after each condition and after the visit; write down what you see. A "
        "profile's limits are on current and charge and know nothing of this skin."
    ),
    (
        "Abrupt release: a trip ends stimulation at once, and the force that it made is gone with the muscle's own "
        "fall. Whatever is held may slip: no sharp tool free in the hand, a rest under the forearm, the other hand "
        "clear of its path."
    ),
    "Stop switch: within reach of the wearer's other hand, tried before the first pulse of each visit.",
    "Pads: contact is assumed to be good unless it is measured. A pad that lifts crowds the current on less skin.",
    (
        "Thresholds and ceilings: found for each person on the day, from nothing upward, never taken over from a "
        "simulation."
    ),
    "The wearer decides: nobody is talked into a higher ceiling, another trial or a shorter rest.",
    "After the visit: ask about skin, soreness and tiredness, at the end and on the next day.",
)
TAGS: Final = {
    "seen": "read in the source named",
    "memory": "from memory",
    "own": "our own choice",
    "derived": "reckoned from other values",
}
TAGS_SAY: Final = (
    "A key in [@...] is cited in full below the tables. Followed says "
    "how far a source was: read in the source named; from memory, not read again; our own choice; reckoned from other "
    "values."
)
AGENCY_SAYS: Final = (
    "Side by side and never as one score. Each is the mean over wearers with its 95 % interval. Published work puts "
    "the lead of evoked over own movement that people still feel as their own at 80 to 100 ms, in other tasks."
)
TAUGHT_BY: Final = (
    "No sentence here about help or harm stands without its interval and its number of simulated wearers."
)
PICTURES: Final = {
    "breakeven.png": "Largest error of the estimate at which assistance still helps, by force held, with intervals",
    "map.png": "Where assistance helps and where it harms, by force held and error of the estimate",
    "plan.png": "Share of simulated studies that find the effect, by number of people",
}
NO_EVIDENCE: Final = "No evidence attached: run"
MISSING: Final = {
    "breakeven": ("No break-even results attached: run", "thenar breakeven FILE --out DIR", "--breakeven DIR"),
    "plan": ("No plan of people attached: run", "thenar plan FILE --out DIR", "--plan DIR"),
}
