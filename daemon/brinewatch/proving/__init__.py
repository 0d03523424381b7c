"""What was proven of a shed before it is left alone: by whom, when, on which settings; the sheet they sign."""
