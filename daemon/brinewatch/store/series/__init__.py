"""The history beside itself: a replica of it on a time-series server, fed from a durable position."""
