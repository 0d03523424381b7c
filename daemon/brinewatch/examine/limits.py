"""The limits a record is examined by: a sonde's, or those of a settings file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import ValidationError

from brinewatch.errors import BrinewatchError, ConfigurationError, Fault
from brinewatch.examine import COLUMNS
from brinewatch.settings import faults_of, table_of, toml_text
from brinewatch.signals.limits import Quality
from brinewatch.signals.sonde import SONDE


def limits_of(path: Path | None) -> tuple[Mapping[str, Quality], tzinfo]:
    """Limits by quantity and the time zone of seasons: a file's where it has any, a sonde's and UTC elsewhere.

    ConfigurationError names every fault of the file.
    """
    if path is None:
        return SONDE, UTC
    try:
        table = table_of(toml_text(path))
    except OSError as error:
        raise BrinewatchError(f"Cannot read {path}: {error.strerror}.") from error
    except ValueError as error:
        raise ConfigurationError([Fault(path.name, "(the file)", None, f"TOML in UTF-8; {error}")]) from error
    faults: list[Fault] = []
    found = dict(SONDE)
    zone: tzinfo = UTC
    for key, row in table.items():
        if key == "time_zone":
            try:
                zone = ZoneInfo(row)
            except (ZoneInfoNotFoundError, ValueError, OSError, TypeError, AttributeError):
                faults.append(Fault(path.name, key, row, "an IANA time zone, as timedatectl prints it"))
        elif key not in COLUMNS:
            faults.append(Fault(path.name, key, "(a table)", f"time_zone or a column: {', '.join(COLUMNS)}"))
        else:
            try:
                found[COLUMNS[key]] = Quality.model_validate(row)
            except ValidationError as error:
                faults += faults_of(error, path.name, (key,), Quality)
    if faults:
        raise ConfigurationError(faults)
    return found, zone
