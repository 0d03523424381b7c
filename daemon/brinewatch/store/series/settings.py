"""Where the time-series server is, and how it is spoken to."""

from __future__ import annotations

from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from brinewatch.settings import Settings

SERVERS = ("influxdb2", "influxdb1", "victoria-metrics")


class SeriesSettings(Settings):
    """A server that is sent a copy of the history."""

    url: str = Field(min_length=1, description="address of the server, for example http://192.0.2.10:8086")
    bucket: str = Field(min_length=1, max_length=200, description="bucket (or database) the readings go to")
    org: str = Field("brinewatch", min_length=1, max_length=200, description="organisation the bucket belongs to")
    token_file: str | None = Field(
        None, description="file whose first line is the token; only its owner and group may read it"
    )
    ca_file: str | None = Field(
        None,
        description="PEM file of the authority that signed the server's certificate; the system's authorities when "
        "not given",
    )
    server: Literal["influxdb2", "influxdb1", "victoria-metrics"] = Field(
        "influxdb2", description="what the server is: how readings are read back from it"
    )
    every_s: float = Field(60, ge=1, le=3600, description="seconds between two looks for readings to send")
    batch: int = Field(5000, ge=1, le=20_000, description="readings sent at once, at most")
    answer_s: float = Field(20, gt=0, le=300, description="longest wait for the server's answer, in seconds")
    behind_h: float = Field(24, gt=0, le=1000, description="hours it may be behind before somebody is told")

    @field_validator("url")
    @classmethod
    def _address(cls, value: str) -> str:
        try:
            parts = urlsplit(value)
            found = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port or 1) > 0
        except ValueError:
            found = False
        if not found or parts.query or parts.fragment:
            raise ValueError("an address like http://192.0.2.10:8086 or https://series.example")
        if parts.username or parts.password:
            raise ValueError("an address without a name or password in it: they belong in token_file")
        return value.rstrip("/")

    @model_validator(mode="after")
    def _together(self) -> SeriesSettings:
        if self.ca_file is not None and not self.url.startswith("https:"):
            raise ValueError("an https address beside ca_file, or no ca_file")
        return self
