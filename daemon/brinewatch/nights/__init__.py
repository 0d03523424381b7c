"""The night report: what the night was, in one text, on one page, for programs."""
