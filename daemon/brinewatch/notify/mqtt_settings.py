"""Where the broker of the alarm messages is, and what stands on it."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from brinewatch.broker.settings import BrokerSettings


class MqttSettings(BrokerSettings):
    """How to reach the broker."""

    base: str = Field("brinewatch", pattern=r"^[^+#$\s/][^+#\s]*$", description="first part of every topic")
    client_id: str | None = Field(None, min_length=1, max_length=64, description="client id, brinewatch-<shed> if "
                                  "not given; no two daemons may share one")  # fmt: skip
    state_every_s: float = Field(5.0, ge=1, description="shortest pause between two retained states, in seconds")
    refresh_s: float = Field(60.0, ge=1, description="longest pause between two retained states, in seconds")

    @model_validator(mode="after")
    def _no_slash(self) -> Self:
        if self.base.endswith("/"):
            raise ValueError("base without a slash at its end")
        return self

    def topic(self, shed_key: str) -> str:
        """Where everything of one shed stands."""
        return f"{self.base}/{shed_key}"
