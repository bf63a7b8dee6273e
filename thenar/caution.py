"""The cautions that go wherever a person could act on a result. Text only, nothing else is imported.

Topics: from the US regulator's pages [@cfr-890-5850] [@fda-1999-guidance], summaries of a standard [@iec-60601-2-10]
and clinical lists [@ptc-2010] [@electrotherapy-org]; some are from memory. The lists of different authorities disagree,
so these name topics to ask about and never replace the list of an ethics board or a licensed practitioner.
"""

from __future__ import annotations

from typing import Final

SHORT: Final = (
    "Simulation only, not a medical device. No result here allows anyone to be stimulated: contraindications, "
    "stop criteria and the decision itself belong to your ethics board, local codes and licensed practice."
)

MARGIN: Final = (
    "Simulation only, not a medical device.\n"
    "Contraindications, stop criteria and every decision about a person: your ethics board, local codes, "
    "licensed practice."
)

CONTRAINDICATIONS: Final = (
    "implanted electronics (a pacemaker above all)",
    "pregnancy (trunk) and heart disease",
    "epilepsy",
    "a current path across the chest or heart, or through the head",
    "pads on the front of the neck, over the mouth or on the eyes",
    "broken, swollen, infected, inflamed or irradiated skin under a pad",
    "a cancer site under or near a pad",
    "thrombosis, phlebitis or varicose veins",
    "bleeding tendency, recent surgery or fracture where a contraction may disturb healing",
    "absent sensation, or a wearer who can't report what is felt",
    "surgery equipment at high frequency, short-wave or microwave therapy nearby",
)

STOP_CRITERIA: Final = (
    "the wearer asks to stop, or can't reach the stop switch",
    "pain, burning, tingling that lasts, cramp or spasm",
    "redness that stays, swelling or any damage to the skin",
    "dizziness, nausea, shortness of breath, palpitations or chest discomfort",
    "a pad that lifts, dries or moves, or a contact reading that jumps",
    "a movement or force that nobody asked for, or any latched trip without a known cause",
)


def full_text() -> str:
    """The whole caution as plain text with one topic a line (no argument, no unit)."""
    lines = [
        "Caution",
        "",
        SHORT,
        "Models leave out most of what a body does. A limit that held here is a limit that held in a model.",
        "",
        "Ask about these before anyone is stimulated (topics, not a complete list; authorities disagree):",
        *(f"  - {topic}" for topic in CONTRAINDICATIONS),
        "",
        "Stop at once when:",
        *(f"  - {topic}" for topic in STOP_CRITERIA),
        "",
        "Where this text and your ethics board, your local codes or a licensed practitioner differ, they are right.",
    ]
    return "\n".join(lines)
