"""Rules, states and the engine that judges readings: pure, `now` in, events out."""
