"""How the watch itself is: its parts, ways, store, clock and probes, in sentences."""
