"""What a command gives back, for the tests of this folder."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Answer:
    """What a command gave back."""

    code: int
    raw: bytes
    err: str

    @property
    def out(self) -> str:
        return self.raw.decode("utf-8")

    @property
    def rows(self) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.raw.decode("utf-8", "surrogateescape"), newline="")))


Ask = Callable[..., Answer]
