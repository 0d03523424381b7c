"""brinewatch: watches a small recirculating seawater shed and wakes the right phone in time."""

__version__ = "0.1.0"
