"""Published equations of seawater: floats in, floats out, one function for each equation, which names its source.

Nothing here knows of probes, flags or time. An argument outside the range an equation may be used in, and any value
that is not a finite number, raises ValueError naming the argument and the range: no doubtful number is returned.
Temperatures are degC on ITS-90, salinity is practical salinity (PSS-78), pressure is station pressure.
"""
