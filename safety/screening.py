"""Screening as data: placement of the pads and the contraindication answers that arming needs (R27).

The topics are those on which the lists of standards and texts agree (facts A1, A2 and A5: part seen, part
from memory). This is a simulator's record of answers and no advice: whether someone may be stimulated is
for a licensed practitioner and the local rules.
"""

from __future__ import annotations

from typing import Literal

from thenar.shared.errors import Strict

Answer = Literal["no", "yes", "not asked"]


class Contraindications(Strict):
    """One answer per topic. Only "no" lets the loop arm; a topic left out counts as not asked."""

    implanted_electronics: Answer = "not asked"
    pregnancy: Answer = "not asked"
    epilepsy: Answer = "not asked"
    heart_disease: Answer = "not asked"
    cancer_at_the_site: Answer = "not asked"
    thrombosis: Answer = "not asked"
    bleeding_or_recent_surgery: Answer = "not asked"
    broken_or_infected_skin: Answer = "not asked"
    absent_sensation: Answer = "not asked"
    unable_to_report: Answer = "not asked"


class Placement(Strict):
    """Where the pads sit. Current must stay within one arm."""

    site: Literal["forearm", "thumb", "head", "neck", "chest", "other"]
    same_limb: bool


class Screening(Strict):
    """Placement and answers of one person for one session."""

    placement: Placement
    contraindications: Contraindications

    def objections(self) -> tuple[str, ...]:
        """What forbids arming, one short phrase each; empty when nothing does."""
        found = [
            f"{topic.replace('_', ' ')}: {answer}"
            for topic, answer in self.contraindications.model_dump().items()
            if answer != "no"
        ]
        if self.placement.site not in ("forearm", "thumb"):
            found.append(f"placement: {self.placement.site}")
        if not self.placement.same_limb:
            found.append("pads on more than one limb")
        return tuple(found)
