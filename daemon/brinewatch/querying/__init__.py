"""Questions to the past, asked alike by the terminal, the page and what is handed out.

All see the calibrations there are now, and none disturbs the watch.
"""
