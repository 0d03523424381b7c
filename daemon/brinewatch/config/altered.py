"""The rules of a shed as they are in force: its own, and what was changed here since.

The changes lie in a file beside the shed's data. One that fits no more is left out and told: a shed whose rules
were tidied must go on watching.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from brinewatch.alarms.altered import FILE, Altered, AlteredFile, read_altered, summary, title_of, wrong
from brinewatch.alarms.rules import Alarm
from brinewatch.errors import ConfigurationError, Fault

# alarms bound anew with these changes after the shed's own; raises ConfigurationError
Rebind = Callable[[Sequence[Altered]], Sequence[Alarm]]


class RulesInForce:
    """alarms: as they are judged now; base: as the shed's own files have them; content: what is changed here and
    counts; left_out: a sentence for each change that fits no more; faults: what is wrong in the file.

    The one thing about a shed that may change while it is watched.
    """

    def __init__(self, base: Sequence[Alarm], rebind: Rebind | None = None) -> None:
        self.base = tuple(base)
        self.alarms = self.base
        self.content = AlteredFile()
        self.left_out: tuple[str, ...] = ()
        self.faults: tuple[Fault, ...] = ()
        self._rebind = rebind

    def of(self, alarm: str) -> Alarm | None:
        """An alarm as the shed's own files have it."""
        return next((one for one in self.base if one.id == alarm), None)

    def now(self, alarm: str) -> Alarm | None:
        """An alarm as it is in force."""
        return next((one for one in self.alarms if one.id == alarm), None)

    def with_rows(self, rows: Sequence[Altered]) -> tuple[Alarm, ...]:
        """All alarms as they would be. ConfigurationError with every reason why that cannot be."""
        faults, there = [], {one.id: one for one in self.base}
        for row in rows:
            base = there.get(row.alarm)
            if base is None:
                faults.append(Fault(FILE, "alarm", row.alarm, "an alarm of this shed"))
            else:
                faults += [Fault(FILE, f"{row.alarm}.{key}", value, said) for key, value, said in wrong(row, base)]
        if faults or (rows and self._rebind is None):
            raise ConfigurationError(faults or [Fault(FILE, "override", "(here)", "no change: nothing takes one")])
        return tuple(self._rebind(rows)) if rows and self._rebind else self.base

    def take(self, content: AlteredFile, alarms: Sequence[Alarm]) -> None:
        """From now on these are in force."""
        self.content, self.alarms = content, tuple(alarms)

    @property
    def told(self) -> list[str]:
        """What people should know: what is changed, what does not count."""
        said = [summary(self.content.rows)] if self.content.rows else []
        if self.faults:
            count = "One thing is" if len(self.faults) == 1 else f"{len(self.faults)} things are"
            said.append(f"{count} wrong in {FILE}: what is wrong there does not count. See: brinewatch check")
        return [*said, *self.left_out]

    def read(self, file: Path) -> None:
        """Take in the file, if there is one; what cannot be used of it is left out and told."""
        try:
            text = file.read_text(encoding="utf-8")
        except FileNotFoundError:
            return
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "it is none"
            self.faults = (Fault(str(file), "(the file)", None, f"a file that can be read as UTF-8 text ({why})"),)
            return
        content, faults = read_altered(text)
        fitting, left_out = [], []
        for row in content.rows:
            base = self.of(row.alarm)
            whose = f"Change {row.change} by {row.by} does not count"
            if base is None:
                left_out.append(f"{whose}: there is no alarm {row.alarm} any more.")
            elif found := wrong(row, base):
                said = "; ".join(f"{key} = {value!r}: expected {expected}" for key, value, expected in found)
                left_out.append(f"{whose}: {title_of(base)}: {said}.")
            else:
                fitting.append(row)
        rows, alarms = self._fit(fitting, left_out)
        self.left_out, self.faults = tuple(left_out), tuple(faults)
        idle = tuple(row for row in content.rows if row not in rows)
        self.take(AlteredFile(tuple(rows), content.newest, idle), alarms)

    def _fit(self, rows: Sequence[Altered], left_out: list[str]) -> tuple[Sequence[Altered], Sequence[Alarm]]:
        """As many of the changes as go together, the older first."""
        try:
            return rows, self.with_rows(rows)
        except ConfigurationError:
            pass
        fit: list[Altered] = []
        alarms: Sequence[Alarm] = self.base
        for row in sorted(rows, key=lambda one: one.change):
            try:
                alarms = self.with_rows([*fit, row])
            except ConfigurationError as error:
                said = "; ".join(
                    f"{fault.key} = {fault.value!r}: expected {fault.expected}" for fault in error.faults
                )
                left_out.append(f"Change {row.change} by {row.by} of {row.alarm} does not count: {said}.")
            else:
                fit.append(row)
        return fit, alarms
