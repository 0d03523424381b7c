"""The parts of the shed file about rounds and batches."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from brinewatch.settings import Settings

DAY_S = 86400.0
# people are not clocks: a round may be late by a quarter of its time before anybody is told
GRACE = 1.25

Key = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]*$", max_length=32)]


class RoundSettings(Settings):
    """What is asked of whoever goes on the round, at one stage."""

    stage: str = Field(description="key of the stage it is measured or done at")
    ask: list[str] = Field(min_length=1, description="quantities that are entered there, as tan, deaths, cleaning")
    every_days: float = Field(
        1, gt=0, le=366, description="how often, d; a quarter more and people are told that it is overdue"
    )


class BatchSettings(Settings):
    """Animals that came together and are reckoned together."""

    key: Key = Field(description="short name of the batch")
    name: str = Field(min_length=1, max_length=60, description="the batch's name, as people say it")
    species: str = Field(min_length=1, max_length=60, description="what they are")
    stage: str = Field(description="key of the stage they live at; what is entered there counts for the batch")
    started: date = Field(strict=False, description="the day they came")
    ended: date | None = Field(
        None, strict=False, description="the last day that counts; none while they are there"
    )
    animals_in: int = Field(gt=0, le=10_000_000, description="how many came")
    mean_weight_g: float | None = Field(
        None, gt=0, le=100_000, description="mean live weight of one when they came, g"
    )
    market_weight_g: float | None = Field(None, gt=0, le=100_000, description="live weight they are grown to, g")

    @model_validator(mode="after")
    def _in_order(self) -> BatchSettings:
        if self.ended is not None and self.ended < self.started:
            raise ValueError("ended on or after the day it started")
        return self
