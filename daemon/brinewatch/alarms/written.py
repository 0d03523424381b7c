"""The keys of a condition as they are written in a rule file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from brinewatch.alarms.memory import LONGEST_DELAY_S
from brinewatch.settings import Settings

_DAY = 86400.0
Window = Annotated[float, Field(ge=60, le=90 * _DAY)]


class Plain(Settings):
    """A condition of one reading: exactly one of these."""

    below: float | None = Field(default=None, description="Under this value, in the rule's unit.")
    above: float | None = Field(default=None, description="Over this value, in the rule's unit.")
    state: str | None = Field(
        default=None, description="A quantity of several states stands in this one, by its name."
    )


class When(Plain):
    """The condition: exactly one of the heads, and what belongs to it."""

    stale_s: float | None = Field(default=None, gt=0, description="No trustworthy value, or one older than this.")
    failed: Literal[True] | None = Field(default=None, description="The reading itself says that it is wrong.")
    differs_from: str | None = Field(
        default=None,
        description="Further than `by` from another point (stage.quantity), or from the nearest of a quantity.",
    )
    higher_than: str | None = Field(default=None, description="The same, but only when higher than the other.")
    lower_than: str | None = Field(default=None, description="The same, but only when lower than the other.")
    by: float | None = Field(default=None, gt=0, description="How far two readings may differ, in the rule's unit.")
    falls: float | None = Field(
        default=None, gt=0, description="Falls by more than this per unit of time, over a window."
    )
    rises: float | None = Field(default=None, gt=0, description="Rises by more than this per unit of time.")
    changes: float | None = Field(default=None, gt=0, description="Falls or rises by more than this.")
    per: Literal["min", "h", "d"] | None = Field(default=None, description="The unit of time of a rate.")
    over_s: Window | None = Field(default=None, description="The window of a rate or a count, in seconds.")
    flat_s: Window | None = Field(default=None, description="Has not moved by more than `within` for so long.")
    within: float | None = Field(default=None, ge=0, description="By how much what is flat may move.")
    starts_more_than: int | None = Field(
        default=None, ge=0, le=999, description="Came into a state (its second when none is said) more often."
    )
    of: Plain | None = Field(default=None, description="What is counted instead of a state: below or above.")
    overdue_s: float | None = Field(
        default=None, gt=0, description="Last entered by hand, or last done, longer ago than this."
    )
    since: Literal["entry", "calibration", "round"] | None = Field(
        default=None, description="What is overdue: an entry when left out."
    )
    forecast_below: float | None = Field(default=None, description="Forecast to fall under this value.")
    forecast_above: float | None = Field(default=None, description="Forecast to rise over this value.")
    within_s: float | None = Field(
        default=None, gt=0, le=30 * _DAY, description="How far ahead a forecast is judged."
    )
    time: Literal["earliest", "middle"] | None = Field(
        default=None, description="Which time of the forecast counts: the earliest when left out."
    )
    all: list[PartSettings] | None = Field(default=None, min_length=2, description="Every one of these holds.")
    any: list[PartSettings] | None = Field(default=None, min_length=2, description="At least one of these holds.")
    not_: PartSettings | None = Field(default=None, alias="not", description="This does not hold.")


class PartSettings(When):
    """One condition of several."""

    quantity: str | None = Field(default=None, description="Of the nearest such point; the rule's when left out.")
    point: str | None = Field(default=None, description="Of this point (stage.quantity).")
    unit: str | None = Field(default=None, description="Unit of its numbers; the rule's for the same quantity.")
    deadband: float = Field(default=0.0, ge=0, description="Its own deadband, in its unit.")
    for_s: float = Field(
        default=0.0, ge=0, le=LONGEST_DELAY_S, description="How long it must hold before it counts, in seconds."
    )


class OnlySettings(Settings):
    """When a rule counts; at other times its condition counts as gone."""

    hours: str | None = Field(default=None, description='Of the shed\'s day, as "22:00-06:00"; may pass midnight.')
    months: list[Annotated[int, Field(ge=1, le=12)]] | None = Field(
        default=None, min_length=1, description="Numbers of the months, as [11, 12, 1]."
    )
    start_up: list[str] | None = Field(
        default=None, min_length=1, description="Stages of the filter's start-up in which it counts."
    )


# a condition holds parts, which are conditions: the one named before it was there
When.model_rebuild()
