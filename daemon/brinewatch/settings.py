"""The base of every settings class: unknown keys refused, nothing coerced, nothing changed after reading."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Settings(BaseModel):
    """Settings of one part. Strict: a number in quotes is a fault, not a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
