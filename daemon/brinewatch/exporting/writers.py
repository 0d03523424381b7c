"""The three forms. Each is told the points first, then their readings, point by point, in order of time."""

from __future__ import annotations

import csv
import gzip
import io
import json
import sys
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from brinewatch import __version__
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.exporting.names import cf_unit, standard_name
from brinewatch.moment import utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.past import Past
from brinewatch.querying.rows import FIELDS, record_of, together
from brinewatch.readings import Flag, Reading
from brinewatch.store.columns import microseconds

_MEANINGS = "pass not_evaluated suspect fail missing"  # QARTOD manual of flags: 1 2 3 4 9


class Writer(ABC):
    """Use it as a context manager: the file is whole when it was left without an error."""

    def __init__(self, path: Path | None, *, gzipped: bool = False) -> None:
        self._path = path
        self._gzipped = gzipped

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @abstractmethod
    def begin(self, shed: ShedFile, past: Past, points: Sequence[str]) -> None:
        """What is to come."""

    @abstractmethod
    def write(self, point: str, readings: Sequence[Reading]) -> None:
        """Some readings of one point."""

    @abstractmethod
    def close(self) -> None:
        """Nothing more is written."""


class CsvWriter(Writer):
    """One line a reading (RFC 4180, UTF-8), by the names in FIELDS."""

    def __init__(self, path: Path | None, *, gzipped: bool = False) -> None:
        super().__init__(path, gzipped=gzipped)
        self._under: IO[bytes] | None = None if path is None else path.open("wb")
        self._file = sys.stdout if self._under is None else _lines(self._under, gzipped)
        self.rows = csv.writer(self._file, lineterminator="\n" if path is None else "\r\n")

    def begin(self, shed: ShedFile, past: Past, points: Sequence[str]) -> None:
        self.rows.writerow(FIELDS)

    def write(self, point: str, readings: Sequence[Reading]) -> None:
        self.rows.writerows(record_of(one).values() for one in readings)

    def close(self) -> None:
        if self._under is None:
            self._file.flush()
            return
        self._file.close()
        self._under.close()  # which a file that is packed leaves open


def _lines(under: IO[bytes], gzipped: bool) -> IO[str]:
    # no name and no time in the head: the same readings give the same file
    file = gzip.GzipFile("", "wb", mtime=0, fileobj=under) if gzipped else under
    return io.TextIOWrapper(file, "utf-8", newline="")


def print_side_by_side(
    writer: CsvWriter,
    past: Past,
    points: Sequence[str],
    since: float,
    until: float,
    every: float,
    ages: Mapping[str, float],
) -> int:
    """A row every so many seconds: what each point had read last by then, and its flag; empty when too old."""
    heads = [f"{point} [{QUANTITIES[past.quantity(point)].unit}]" for point in points]
    writer.rows.writerow(["time", *(name for head in heads for name in (head, f"{head.partition(' ')[0]} flag"))])
    count = 0
    for instant, row in together(past, points, since, until, every, ages):
        cells: list[Any] = []
        for point in points:
            one = row[point]
            cells += ["", int(Flag.MISSING)] if one is None else [one.value, int(one.flag)]
        writer.rows.writerow([utc_text(instant), *cells])
        count += 1
    return count


class ParquetWriter(Writer):
    """One row a reading; times as microseconds of UTC, units and quantities in the schema's metadata."""

    def __init__(self, path: Path | None, *, gzipped: bool = False) -> None:
        super().__init__(path, gzipped=gzipped)
        try:
            import pyarrow as pa
            import pyarrow.parquet as pq
        except ImportError:
            raise _missing("Parquet", "parquet", "pyarrow") from None
        self._pa, self._pq = pa, pq
        self._table: Any = None

    def begin(self, shed: ShedFile, past: Past, points: Sequence[str]) -> None:
        pa = self._pa
        word = pa.dictionary(pa.int32(), pa.string())
        about = {point: {"quantity": past.quantity(point), "unit": _unit(past, point)} for point in points}
        self._schema = pa.schema(
            [
                ("time", pa.timestamp("us", tz="UTC")), ("point", word), ("value", pa.float64()),
                ("said", pa.float64()), ("unit", word), ("uncertainty", pa.float64()), ("flag", pa.int8()),
                ("reason", word), ("calibration", word), ("probe", word), ("clock", word),
            ],
            metadata={"shed": shed.shed.name, "points": json.dumps(about), "flags": f"1 2 3 4 9: {_MEANINGS}"},
        )  # fmt: skip
        self._table = self._pq.ParquetWriter(self._path, self._schema, compression="zstd")

    def write(self, point: str, readings: Sequence[Reading]) -> None:
        rows = [record_of(one) for one in readings]
        columns = {name: [row[name] for row in rows] for name in FIELDS}
        columns["time"] = [microseconds(one.at.utc) for one in readings]
        self._table.write_table(
            self._pa.table([self._pa.array(columns[field.name], field.type) for field in self._schema],
                           schema=self._schema)
        )  # fmt: skip

    def close(self) -> None:
        if self._table is not None:
            self._table.close()


class NetcdfWriter(Writer):
    """A variable and a time axis a point, flags and uncertainties beside it (CF-1.11, QARTOD flags)."""

    def __init__(self, path: Path | None, *, gzipped: bool = False) -> None:
        super().__init__(path, gzipped=gzipped)
        try:
            import netCDF4
        except ImportError:
            raise _missing("NetCDF", "netcdf", "netCDF4") from None
        self._file: Any = netCDF4.Dataset(str(path), "w", format="NETCDF4")
        self._place: dict[str, int] = {}

    def begin(self, shed: ShedFile, past: Past, points: Sequence[str]) -> None:
        file, place = self._file, shed.shed
        file.setncatts({
            "Conventions": "CF-1.11", "title": f"Readings of {place.name}", "institution": place.name,
            "source": "probes of the shed, calibrated; values worked out of them",
            "history": f"written by brinewatch {__version__}", "time_zone": place.time_zone,
        })  # fmt: skip
        if place.latitude is not None and place.longitude is not None:
            file.setncatts({"geospatial_lat": place.latitude, "geospatial_lon": place.longitude})
        for point in points:
            self._begin_one(past, point)

    def _begin_one(self, past: Past, point: str) -> None:
        file, name, key = self._file, point.replace(".", "_").replace("-", "_"), past.quantity(point)
        quantity, axis = QUANTITIES[key], f"time_{point.replace('.', '_').replace('-', '_')}"
        file.createDimension(axis, None)
        packed: dict[str, Any] = {"zlib": True, "complevel": 4}
        time = file.createVariable(axis, "i8", (axis,), **packed)
        time.setncatts({"standard_name": "time", "long_name": f"time of {point}", "calendar": "standard",
                        "units": "microseconds since 1970-01-01 00:00:00 UTC"})  # fmt: skip
        unit = cf_unit(key, quantity.unit)
        value = file.createVariable(name, "f8", (axis,), fill_value=-9999.0, **packed)
        value.setncatts({
            "long_name": f"{quantity.name} at {point}", "units": unit,
            "ancillary_variables": f"{name}_flag {name}_uncertainty {name}_calibration {name}_clock",
        })  # fmt: skip
        if standard := standard_name(key):
            value.setncattr("standard_name", standard)
        if quantity.states is not None:
            words = " ".join(one.replace(" ", "_") for one in quantity.states)
            states = [float(one) for one in range(len(quantity.states))]
            value.setncatts({"flag_values": states, "flag_meanings": words})
        flag = file.createVariable(f"{name}_flag", "i1", (axis,), **packed)
        flag.setncatts({"standard_name": "aggregate_quality_flag", "long_name": f"QARTOD flag of {point}",
                        "flag_values": _bytes(1, 2, 3, 4, 9), "flag_meanings": _MEANINGS})  # fmt: skip
        unsure = file.createVariable(f"{name}_uncertainty", "f8", (axis,), fill_value=-9999.0, **packed)
        unsure.setncatts({"long_name": f"one standard uncertainty of {point}", "units": unit})
        if standard:
            unsure.setncattr("standard_name", f"{standard} standard_error")
        record = file.createVariable(f"{name}_calibration", str, (axis,))
        record.setncatts({"long_name": f"calibration record of {point}"})
        clock = file.createVariable(f"{name}_clock", "i1", (axis,), **packed)
        clock.setncatts({"long_name": f"whether the time of {point} was known", "flag_values": _bytes(0, 1),
                         "flag_meanings": "clock_not_set clock_set"})  # fmt: skip
        self._place[point] = 0

    def write(self, point: str, readings: Sequence[Reading]) -> None:
        file, name, here = self._file, point.replace(".", "_").replace("-", "_"), self._place[point]
        rows = slice(here, here + len(readings))
        file[f"time_{name}"][rows] = [microseconds(one.at.utc) for one in readings]
        file[name][rows] = [-9999.0 if one.value is None else one.value for one in readings]
        file[f"{name}_flag"][rows] = [int(one.flag) for one in readings]
        file[f"{name}_uncertainty"][rows] = [
            -9999.0 if one.uncertainty is None else one.uncertainty for one in readings
        ]
        file[f"{name}_calibration"][rows] = _texts([one.calibration for one in readings])
        file[f"{name}_clock"][rows] = [int(one.at.trusted) for one in readings]
        self._place[point] = rows.stop

    def close(self) -> None:
        self._file.close()


def _bytes(*values: int) -> Any:
    import numpy as np

    return np.array(values, dtype="i1")


def _texts(values: Sequence[str]) -> Any:
    import numpy as np

    return np.array(values, dtype=object)


def _unit(past: Past, point: str) -> str:
    return QUANTITIES[past.quantity(point)].unit


def _missing(form: str, extra: str, library: str) -> BrinewatchError:
    return BrinewatchError(
        f"{form} needs the library {library}, which is not installed.",
        f"Install it: pip install 'brinewatch[{extra}]'; CSV needs nothing.",
    )
