"""How long is left: from the moment something stops until a limit is crossed, as a range.

Pure: no clock, no I/O, no logging. Time comes in as seconds of a clock that never steps; forecasts go out as
values.
"""
