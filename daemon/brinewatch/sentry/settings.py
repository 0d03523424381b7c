"""What a shed says of its lookout."""

from __future__ import annotations

from pydantic import Field, model_validator

from brinewatch.settings import Settings

KEY = r"^[a-z][a-z0-9_-]*$"
E164 = r"^\+[1-9][0-9]{6,14}$"


class LookoutSettings(Settings):
    """Who watches this shed's watch: the same program on another machine, on other power and another line."""

    key: str = Field(pattern=KEY, max_length=32, description="the lookout's key, as in its own file")
    secret_file: str = Field(description="file whose first line is the secret shared with the lookout; only its "
                             "owner and group may read it")  # fmt: skip
    every_s: float = Field(30, ge=5, le=60, description="time between two signs of life over the broker, s")
    silent_s: float = Field(180, ge=60, le=3600, description="the lookout counts as silent after, s")
    stop_min: float = Field(
        30,
        gt=0,
        le=1440,
        description="stopped on purpose, the shed means to be back within, min; then it is alarmed",
    )
    phone: str | None = Field(
        None, pattern=E164, description="number of the lookout's own modem, for signs of life by SMS"
    )
    sms_every_min: float = Field(
        60, ge=5, le=60, description="time between two signs of life by SMS, min; each is a text to be paid for"
    )
    acknowledge: bool = Field(
        False, description="whether the lookout may take over alarms of this shed, over the broker"
    )
    broker: bool = Field(
        True, description="whether signs of life go over the broker; false where there is no internet"
    )

    @model_validator(mode="after")
    def _some_way(self) -> LookoutSettings:
        if not self.broker and self.phone is None:
            raise ValueError("phone, where broker = false: no sign of life would leave")
        return self
