"""Screening as data: placement of the pads and the contraindication answers that arming needs (R27).

The topics are those on which the lists of standards and texts agree [@iec-60601-2-10] [@fda-1999-guidance]
[@ptc-2010] [@electrotherapy-org], in part from memory. This is a simulator's record of answers and no advice: whether
someone may be stimulated is for a licensed practitioner and the local rules.
"""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field

from thenar.shared.errors import Strict

Answer = Literal["no", "yes", "not asked"]
NO_SCREENING: Final = "no screening on file"


class Contraindications(Strict):
    """One answer per topic. Only "no" lets the loop arm; a topic left out counts as not asked."""

    implanted_electronics: Answer = Field("not asked", description="a pacemaker above all")
    pregnancy: Answer = Field("not asked", description="pregnancy")
    epilepsy: Answer = Field("not asked", description="epilepsy")
    heart_disease: Answer = Field("not asked", description="heart disease")
    cancer_at_the_site: Answer = Field("not asked", description="cancer at or near the pads")
    thrombosis: Answer = Field("not asked", description="thrombosis or phlebitis")
    bleeding_or_recent_surgery: Answer = Field("not asked", description="bleeding, recent surgery or fracture")
    broken_or_infected_skin: Answer = Field("not asked", description="broken, infected, inflamed or irradiated skin")
    absent_sensation: Answer = Field("not asked", description="absent sensation below the pads")
    unable_to_report: Answer = Field("not asked", description="a wearer who can't say that something is wrong")


class Placement(Strict):
    """Where the pads sit. Current must stay within one arm."""

    site: Literal["forearm", "thumb", "head", "neck", "chest", "other"] = Field(
        description="where the pads sit; only forearm and thumb let the loop arm"
    )
    same_limb: bool = Field(description="do all pads sit on one limb; only true lets the loop arm")


class Screening(Strict):
    """Placement and answers of one person for one session. What is left out counts as not asked."""

    placement: Placement | None = Field(None, description="where the pads sit; left out counts as not declared")
    contraindications: Contraindications = Field(
        default_factory=Contraindications, description='an answer per topic: "no", "yes" or "not asked"'
    )

    def objections(self) -> tuple[str, ...]:
        """What forbids arming, one short phrase each; empty when nothing does."""
        found = [
            f"{topic.replace('_', ' ')}: {answer}"
            for topic in type(self.contraindications).model_fields
            if (answer := getattr(self.contraindications, topic)) != "no"
        ]
        if self.placement is None:
            return (*found, "placement: not declared")
        if self.placement.site not in ("forearm", "thumb"):
            found.append(f"placement: {self.placement.site}")
        if not self.placement.same_limb:
            found.append("pads on more than one limb")
        return tuple(found)


def objections_to(screening: Screening | None) -> tuple[str, ...]:
    """What forbids arming on account of the screening; no screening at all forbids it too (R27)."""
    return (NO_SCREENING,) if screening is None else screening.objections()
