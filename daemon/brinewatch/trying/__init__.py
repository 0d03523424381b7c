"""Limits tried on the past from the page, and put in force: what is typed, what came of it, in words."""
