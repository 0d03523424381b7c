"""What the store's disk and the copies elsewhere say of themselves; for a thread, since a disk may hang."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from brinewatch.config import ShedFile
from brinewatch.errors import StoreError
from brinewatch.moment import Moment, utc_of
from brinewatch.store.backup import ABOUT
from brinewatch.store.reader import StoreReader
from brinewatch.store.rows import Fate

_DAY_S = 86400.0
_PREFIX, _UNFINISHED = "brinewatch-", ".unfinished"


@dataclass(frozen=True, slots=True)
class StoreFacts:
    """Bytes of the journal, the history and all else in the data folder; free, total: of its disk, None when that
    is not known; days: of record there are in the history; fates: how messages fared; fault: what could not be
    read."""

    journal: int
    history: int
    others: int
    free: int | None
    total: int | None
    days: float | None
    fates: tuple[Fate, ...]
    fault: str = ""

    @property
    def a_day(self) -> float | None:
        """Bytes a day of history took so far; None with less than a day of it."""
        return self.history / self.days if self.days is not None and self.days >= 1.0 else None

    @property
    def days_left(self) -> float | None:
        """For how many days there is room at that pace."""
        return self.free / self.a_day if self.free is not None and self.a_day else None


@dataclass(frozen=True, slots=True)
class BackupFacts:
    """made_utc: when the newest whole copy was, None for none; its bytes and records; kept: how many there are;
    broken: copies that came to no end; elsewhere: whether they lie on another disk than the store; fault: what is
    wrong with the folder, "" for nothing."""

    made_utc: float | None = None
    bytes: int = 0
    records: int = 0
    kept: int = 0
    broken: int = 0
    elsewhere: bool = False
    fault: str = ""


def store_facts(shed: ShedFile, now: Moment) -> StoreFacts:
    """Look at the data folder."""
    sizes = {"journal": 0, "history": 0}
    others = 0
    fault = ""
    fates: tuple[Fate, ...] = ()
    days = free = total = None
    try:
        for file in sorted(shed.data.rglob("*")):
            if file.is_file():
                key = file.name.partition(".")[0]
                if key in sizes and file.parent == shed.data:
                    sizes[key] += file.stat().st_size
                else:
                    others += file.stat().st_size
        usage = shutil.disk_usage(shed.data)
        free, total = usage.free, usage.total
        with StoreReader(shed.data, shed.zone) as store:
            fates = tuple(store.fates())
            first = store.following(0.0, now.utc) if (shed.data / "history.sqlite").exists() else None
            days = None if first is None else (now.utc - first) / _DAY_S
    except (OSError, StoreError) as error:
        fault = str(error)
    return StoreFacts(sizes["journal"], sizes["history"], others, free, total, days, fates, fault)


def backup_facts(shed: ShedFile, to: Path) -> BackupFacts:
    """Look at the folder of the nightly copies. A copy is given its name only when it was read back whole."""
    try:
        folders = sorted(one for one in to.iterdir() if one.is_dir() and one.name.startswith(_PREFIX))
        whole = [one for one in folders if not one.name.endswith(_UNFINISHED)]
        broken = len(folders) - len(whole)
        elsewhere = to.stat().st_dev != shed.data.stat().st_dev
        if not whole:
            return BackupFacts(broken=broken, elsewhere=elsewhere)
        about = json.loads((whole[-1] / ABOUT).read_text(encoding="utf-8"))
        files = about["files"].values()
        return BackupFacts(
            utc_of(str(about["made"]), shed.zone), sum(int(one["bytes"]) for one in files),
            sum(int(one["records"]) for one in files), len(whole), broken, elsewhere,
        )  # fmt: skip
    except OSError as error:
        where = error.filename or to
        return BackupFacts(fault=f"{where} cannot be looked at ({error.strerror or error})")
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        return BackupFacts(fault=f"what stands in {to} cannot be read ({error})")


def size_text(size: float) -> str:
    """Bytes as people say them, in powers of ten."""
    for unit in ("B", "kB", "MB"):
        if size < 999.5:
            return f"{size:.0f} {unit}" if size >= 10 or unit == "B" else f"{size:.1f} {unit}"
        size /= 1000.0
    return f"{size:.1f} GB"
