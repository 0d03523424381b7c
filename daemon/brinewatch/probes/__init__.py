"""Wires and the probes on them: bytes in, samples out. Nothing here judges a value."""
