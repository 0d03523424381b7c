"""Who may be called: in which order at any time, whether the ways to them work, and what drills have shown."""
