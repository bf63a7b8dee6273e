"""The `[study]` part of a scenario: in what order people meet the conditions, when they rest, what is measured.

`repeats` of the scenario is the number of counted trials per condition. What is planned here is laid out as a running
sheet by `thenar.study.sheet`; measures are named as in `thenar.report.metrics`, which checks the names.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from thenar.shared.errors import Strict

LONGEST_REST_S: Final = 86_400.0
Order = Literal["williams", "blocks", "as-listed"]


def _one_line(text: str) -> str:
    if not text.isprintable() or not text.strip():
        raise ValueError("one line of text without control characters")
    return text


def _distinct(names: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(names)) != len(names):
        raise ValueError("each name once")
    return names


Sentence = Annotated[str, Field(max_length=300), AfterValidator(_one_line)]
Sentences = Annotated[tuple[Sentence, ...], Field(strict=False, max_length=20)]
MeasureName = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_one_line)]


class Exclude(Strict):
    """Rules fixed beforehand that leave a wearer out of the comparison. A rule that is left out hits nobody."""

    trips_over: int | None = Field(None, ge=0, le=1000, description="more latched trips than this, all trials together")
    refused_trials_over: int | None = Field(
        None, ge=0, le=1000, description="more stimulated trials than this in which the interlock never armed"
    )
    unassisted_error_over_N: float | None = Field(
        None, gt=0, le=200, description="a larger mean absolute error without assistance: the task was not done, N"
    )


class Study(Strict):
    """How a study is run: order, practice, rest, measures, and the rules for people. Times in s, alpha a share."""

    order: Order = Field(
        "williams",
        description="williams: sequences balanced for period and for what came just before; blocks: in every block "
        "each condition once, shuffled; as-listed: everyone in the order of `conditions`",
    )
    preparation_s: float = Field(
        900.0, ge=0, le=7200, description="before the first trial: pads, screening, calibration, s"
    )
    practice_trials: int = Field(0, ge=0, le=100, description="trials of each condition that are done, not counted")
    rest_between_trials_s: float = Field(60.0, ge=0, le=LONGEST_REST_S, description="between two trials, s")
    rest_between_conditions_s: float = Field(
        300.0, ge=0, le=LONGEST_REST_S, description="between two trials of different conditions, s"
    )
    longest_visit_min: float | None = Field(
        None, gt=0, le=1440, description="the longest that a wearer may be asked to stay, min; longer is warned of"
    )
    primary: MeasureName = Field("mean_abs_error_N", description="the one measure that the study is decided by")
    measures: Annotated[tuple[MeasureName, ...], Field(strict=False, max_length=40), AfterValidator(_distinct)] = Field(
        (), description="further measures that are reported, none of them decisive"
    )
    alpha: float = Field(0.05, gt=0, lt=0.5, description="share of false alarms that is accepted, no unit")
    exclude: Exclude = Field(default_factory=Exclude, description="rules that leave a wearer out of the comparison")
    exclusion: Sentences = Field((), description="who can't take part, a sentence each, for the operator")
    stop: Sentences = Field((), description="when to stop, a sentence each, for the operator")

    @field_validator("measures")
    @classmethod
    def _primary_once(cls, measures: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        if info.data.get("primary") in measures:
            raise ValueError("further measures, without the primary one")
        return measures

    @property
    def all_measures(self) -> tuple[str, ...]:
        """The primary measure and then the further ones, by name."""
        return (self.primary, *self.measures)
