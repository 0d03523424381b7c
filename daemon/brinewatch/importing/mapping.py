"""How a file of earlier records is read: which column is which point, in which unit, what its times mean."""

from __future__ import annotations

import codecs
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError, ConfigurationError, Fault
from brinewatch.examine.sheet import NUMBER
from brinewatch.probes.common import ChannelSettings
from brinewatch.probes.record_file import zone_of
from brinewatch.readings import IMPORTED
from brinewatch.settings import Settings, faults_of, table_of, toml_text

NAME = r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$"
Ambiguous = Literal["refuse", "first", "second", "in order"]


class ImportColumn(Settings):
    """One column of values. The number in a cell times `scale` plus `offset` is in `unit`."""

    column: str = Field(min_length=1, description="the column's heading")
    point: str = Field(description="measuring point of the shed file it is of, stage.quantity")
    unit: str | None = Field(None, description="unit of its numbers; the quantity's own when left out")
    scale: float = Field(1.0, description="multiplies the number in the cell")
    offset: float = Field(0.0, description="added after scale, in that unit")
    missing: list[str] = Field(default_factory=list, description="what stands for no value in this column alone")
    empty: Literal["missing", "nothing"] | None = Field(
        None,
        description="an empty cell is a reading that is missing, or no reading at all; nothing for a point that is "
        "entered by hand, missing for all others when left out",
    )
    calibrated: bool = Field(
        False, description="the numbers are right as they stand: no calibration of the journal is for them"
    )
    accuracy: float | None = Field(
        None, gt=0, description="one standard uncertainty of what is calibrated, in the quantity's own unit"
    )

    @model_validator(mode="after")
    def _of_its_own(self) -> ImportColumn:
        if self.accuracy is not None and not self.calibrated:
            raise ValueError("accuracy only with calibrated = true; else the shed file's counts")
        return self


class ImportSettings(Settings):
    """A file of earlier records."""

    name: str = Field(
        pattern=NAME, max_length=60, description="what its readings are kept under; one for each file"
    )
    time_column: str | list[str] = Field(description="the column of times, or a list: a day's column and a time's")
    time_format: str | None = Field(None, description="as strptime has it, like %d.%m.%Y %H:%M; else ISO 8601")
    time_zone: str | None = Field(None, description='zone of times without one: "-06:00" or an IANA name')
    ambiguous: Ambiguous = Field(
        "refuse",
        description="a local time that came twice when clocks went back: refuse the row, take the first or the "
        "second of both, or go by the order of the rows",
    )
    encoding: str = Field("", description="of the text, like cp1252 or utf-16; UTF-8 when left out")
    delimiter: str = Field(",", min_length=1, max_length=1, description="what stands between two cells")
    header_line: int = Field(1, ge=1, le=1000, description="the line that names the columns")
    decimal: Literal[".", ","] = Field(".", description="what stands before the decimals")
    missing: list[str] = Field(
        default_factory=lambda: ["", "NA", "N/A", "NaN", "null"], description="what stands for no value"
    )
    column: list[ImportColumn] = Field(min_length=1, description="the columns of values")

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        if value is not None:
            zone_of(value)
        return value

    @field_validator("time_column")
    @classmethod
    def _some(cls, value: str | list[str]) -> str | list[str]:
        if not value or not all(value):
            raise ValueError("the heading of a column, or a list of headings")
        return value

    @field_validator("encoding")
    @classmethod
    def _known(cls, value: str) -> str:
        try:
            codecs.lookup(value or "utf-8")
        except LookupError as error:
            raise ValueError("an encoding, like cp1252 or utf-16") from error
        return value

    @property
    def probe(self) -> str:
        """What its readings say they come from."""
        return f"{IMPORTED}{self.name}"

    @property
    def times(self) -> list[str]:
        """The columns a time is made of."""
        return [self.time_column] if isinstance(self.time_column, str) else self.time_column

    @property
    def zone(self) -> tzinfo | None:
        return zone_of(self.time_zone) if self.time_zone else None


@dataclass(frozen=True)
class Mapped:
    """One column as its cells become samples. empty: an empty cell is a reading that is missing; missing, fills:
    the words and the numbers that stand for no value.
    """

    settings: ImportColumn
    channel: ChannelSettings
    empty: bool
    missing: frozenset[str]
    fills: frozenset[float]

    def is_missing(self, text: str) -> bool:
        """Whether a cell without blanks around it says that there is no value: -9999 is -9999.00."""
        if text.lower() in self.missing:
            return True
        return bool(self.fills) and NUMBER.fullmatch(text) is not None and float(text) in self.fills

    @property
    def point(self) -> str:
        return self.channel.point


def settings_of(path: Path | None, given: Mapping[str, Any], columns: Sequence[str]) -> ImportSettings:
    """The mapping of a TOML file with what was given on the command line in its place, or of either alone.

    columns: as `column_of` takes them; a point named there goes before the file's. ConfigurationError names every
    fault.
    """
    table = {} if path is None else _read(path)
    table |= given
    own = [column_of(one) for one in columns]
    named = {one["point"] for one in own}
    there = table.get("column", [])
    if own and isinstance(there, list):
        table["column"] = [
            *(one for one in there if not (isinstance(one, dict) and one.get("point") in named)), *own,
        ]  # fmt: skip
    try:
        return ImportSettings.model_validate(table)
    except ValidationError as error:
        file = "the mapping" if path is None else path.name
        raise ConfigurationError(faults_of(error, file, (), ImportSettings)) from error


def _read(path: Path) -> dict[str, Any]:
    try:
        return table_of(toml_text(path))
    except OSError as error:
        raise BrinewatchError(f"--mapping {path} cannot be read: {error.strerror}.") from error
    except ValueError as error:
        raise ConfigurationError([Fault(path.name, "(the file)", None, f"TOML in UTF-8; {error}")]) from error


def column_of(text: str) -> dict[str, Any]:
    """--column: HEADING=stage.quantity or HEADING=stage.quantity:unit. BrinewatchError for anything else."""
    heading, equals, rest = text.rpartition("=")
    point, colon, unit = rest.partition(":")
    if not (heading and equals and point) or (colon and not unit):
        raise BrinewatchError(
            f"--column {text!r} is not HEADING=POINT or HEADING=POINT:UNIT.",
            "Write for example --column 'Temp=raceway.temperature:degC'.",
        )
    return {"column": heading, "point": point.strip(), **({"unit": unit.strip()} if unit else {})}


def mapped(settings: ImportSettings, shed: ShedFile, file: str) -> list[Mapped]:
    """The columns held against the shed. ConfigurationError names every fault."""
    known, found = shed.channels(), list[Mapped]()
    derived = {one.point for one in shed.derivations} | {p for one in shed.follows for p in one.points}
    faults: list[Fault] = []
    for place, one in enumerate(settings.column, 1):
        key = f"column[{place}]"
        if one.point in derived:
            faults.append(
                Fault(
                    file, f"{key}.point", one.point, "a point that is measured; this one is worked out from others"
                )
            )
            continue
        if one.point not in known:
            points = ", ".join(sorted(known))
            faults.append(Fault(file, f"{key}.point", one.point, f"a point of the shed file: {points}"))
            continue
        if any(one.point == other.point for other in found):
            faults.append(Fault(file, f"{key}.point", one.point, "each point once"))
        bus, _, _ = known[one.point]
        by_hand = shed.buses[bus].kind == "manual"
        told = {"point": one.point, "unit": one.unit, "scale": one.scale, "offset": one.offset}
        try:
            channel = ChannelSettings.model_validate(told)
        except ValidationError as error:
            faults += faults_of(error, file, ("column", place - 1), ChannelSettings)
            continue
        empty = one.empty == "missing" or (one.empty is None and not by_hand)
        missing = frozenset(text.strip().lower() for text in (*settings.missing, *one.missing, ""))
        fills = frozenset(float(text) for text in missing if NUMBER.fullmatch(text))
        found.append(Mapped(one, channel, empty, missing, fills))
    if faults:
        raise ConfigurationError(faults)
    return found


def mapping_text(settings: ImportSettings) -> str:
    """The mapping in one line, for the journal."""
    return ", ".join(
        f"{one.column}={one.point}"
        + (f":{one.unit}" if one.unit else "")
        + (f" times {one.scale:g}" if one.scale != 1.0 else "")
        + (f" plus {one.offset:g}" if one.offset else "")
        + (" (calibrated)" if one.calibrated else "")
        for one in settings.column
    )
