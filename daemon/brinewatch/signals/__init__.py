"""From a raw signal to a value that says how far it may be trusted: calibration, quality, derived quantities."""
