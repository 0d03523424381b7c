"""`brinewatch commission`: what is on the wires, the first shed file, wires proven one by one, the sheet."""

from __future__ import annotations
