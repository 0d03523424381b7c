"""What is known before there is a shed file: what was found, and what was answered so far. One file beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.commission.findings import Found, found_of
from brinewatch.errors import BrinewatchError
from brinewatch.proving.kept import read_json, write_json


def draft_path(shed: Path) -> Path:
    return shed.with_name(f"{shed.stem}.draft.json")


@dataclass(slots=True)
class Draft:
    """answers: what was typed, by the name of its question. Every `keep` is on the disk when it returns."""

    path: Path
    found: Found | None = None
    answers: dict[str, str] = field(default_factory=dict)

    @classmethod
    def read(cls, shed: Path) -> Draft:
        path = draft_path(shed)
        body = read_json(path)
        if body is None:
            return cls(path)
        found, answers = body.get("found"), body.get("answers", {})
        if not isinstance(answers, Mapping) or not all(isinstance(one, str) for one in answers.values()):
            raise BrinewatchError(
                f"{path} cannot be understood: its answers are no texts.", "Move it away and begin anew."
            )
        return cls(path, found_of(found) if found else None, dict(answers))

    def keep(self) -> None:
        found: Any = self.found.to_json() if self.found else None
        write_json(self.path, {"format": 1, "found": found, "answers": self.answers})
