"""How the commands keep a proof: by the daemon where one runs, so that the journal has it too; else in the file."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from brinewatch.calibrate.held import Ask, over
from brinewatch.config import ShedFile
from brinewatch.control import NoDaemon
from brinewatch.ports import Clock
from brinewatch.proving.desk import proof_of, read_sheet, with_proof
from brinewatch.proving.items import Outcome, Sheet


class Keeping:
    """One shed's proofs as the commands see them. by: who stands by."""

    def __init__(self, shed: ShedFile, clock: Clock, by: str) -> None:
        self.shed = shed
        self.clock = clock
        self.by = by
        self.ask: Ask = over(shed.data / "control.sock", clock)

    async def prove(self, item: str, outcome: Outcome, detail: str) -> str:
        """Keep one; what was kept, in words. Raises BrinewatchError."""
        request = {"do": "commission prove", "item": item, "outcome": str(outcome), "by": self.by, "detail": detail}
        try:
            return str((await self.ask(request))["line"])
        except NoDaemon:
            proof = proof_of(self.shed, item, str(outcome), self.by, detail, self.clock.now())
            with self.clock.hold():
                await asyncio.to_thread(with_proof, self.shed, proof)
            return f"Kept in the file; no daemon runs that could journal it: {proof.outcome}."

    async def sheet(self) -> Sheet:
        """How everything stands, by the file on the disk."""
        with self.clock.hold():
            return await asyncio.to_thread(read_sheet, self.shed)

    async def running(self) -> bool:
        """Whether a daemon answers."""
        try:
            await self.ask({"do": "commission sheet"})
        except NoDaemon:
            return False
        return True

    async def sign(self, note: str, seen: str) -> Mapping[str, Any]:
        return await self.ask({"do": "commission sign", "by": self.by, "note": note, "open": seen})
