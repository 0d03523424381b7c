"""The daemon's end of the round: what people enter is checked in one place, kept, judged, and corrected."""
