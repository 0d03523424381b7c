"""Where a broker is and how to be let in."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from brinewatch.settings import Settings


class BrokerSettings(Settings):
    """How to reach a broker."""

    host: str = Field(min_length=1, description="name or address of the broker")
    port: int | None = Field(
        None, gt=0, lt=65536, description="port; 8883 with TLS and 1883 without when not given"
    )
    tls: bool = Field(False, description="whether the connection is encrypted and the broker's certificate checked")
    ca_file: str | None = Field(None, description="PEM file of the authority that signed the broker's certificate; "
                                "the system's authorities when not given")  # fmt: skip
    username: str | None = Field(None, min_length=1, description="user name for the broker")
    password_file: str | None = Field(None, description="file whose first line is the password; only its owner and "
                                      "group may read it")  # fmt: skip
    keepalive_s: int = Field(10, ge=2, le=3600, description="seconds of silence after which the link is tested")
    answer_s: float = Field(10.0, gt=0, le=60, description="longest wait for the broker's answer, in seconds")

    @model_validator(mode="after")
    def _together(self) -> Self:
        if self.ca_file is not None and not self.tls:
            raise ValueError("tls = true beside ca_file, or no ca_file")
        if self.password_file is not None and self.username is None:
            raise ValueError("username beside password_file")
        return self

    @property
    def port_in_use(self) -> int:
        return self.port if self.port is not None else 8883 if self.tls else 1883

    def from_folder(self, folder: Path) -> Self:
        """The same settings with file names taken from the folder of the shed file."""
        files = {"ca_file": self.ca_file, "password_file": self.password_file}
        return self.model_copy(update={key: str(folder / name) for key, name in files.items() if name is not None})
