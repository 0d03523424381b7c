"""Readings of the past through rules, with the engine that keeps watch: which alarms would have called, and when.

Time is the readings' own UTC: monotonic time is taken to be the same, so that a step of the wall clock shows as a
gap or not at all. Orders of people are not replayed; that alarms are answered so long after they call can be
assumed. Pure: readings and their hours' summaries come in through `Record`, events go out.
"""
