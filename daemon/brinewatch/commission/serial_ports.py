"""Serial ports by the names that stay the same, and who has them open."""

from __future__ import annotations

import os
from pathlib import Path

from brinewatch.commission.findings import PortName

# deploy/udev: by make and serial number, then by the USB socket it sits in; then names that change
_STABLE = ("serial/by-id", "brinewatch")
_PTS, _PTY_MAKERS = "/dev/pts/", {"/dev/ptmx", "/dev/pts/ptmx"}
_PLAIN = ("ttyUSB*", "ttyACM*", "ttyAMA*", "serial[0-9]")


def serial_ports(dev: Path, proc: Path = Path("/proc")) -> list[PortName]:
    """Every port once, by its best name, in the order of names. Opens nothing."""
    names: dict[Path, list[tuple[int, str]]] = {}
    for rank, folder in enumerate(_STABLE):
        for link in sorted((dev / folder).glob("*")):
            names.setdefault(link.resolve(), []).append((rank, str(link)))
    for pattern in _PLAIN:
        for file in sorted(dev.glob(pattern)):
            names.setdefault(file.resolve(), []).append((len(_STABLE), str(file)))
    held = _holders(set(map(str, names)), proc)
    found = []
    for real, called in names.items():
        if not real.exists():
            continue
        (rank, name), *others = sorted(called)
        found.append(PortName(name, rank < len(_STABLE), tuple(one for _, one in others), held.get(str(real), "")))
    return sorted(found, key=lambda one: one.name)


def _holders(wanted: set[str], proc: Path) -> dict[str, str]:
    """Who has which of these open. Processes of others are seen by root only."""
    held: dict[str, str] = {}
    own = str(os.getpid())
    for process in proc.glob("[0-9]*"):
        if process.name == own:
            continue
        try:
            opened = {str(file.readlink()) for file in (process / "fd").iterdir()}
            # who made a pseudo-terminal holds both its ends, as a plug holds its pins
            targets = {one for one in opened & wanted if not (one.startswith(_PTS) and opened & _PTY_MAKERS)}
            name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip() if targets else ""
        except OSError:
            continue
        for target in targets:
            held[target] = f"{name} (process {process.name})"
    return held
