"""A shed that does not exist: water, air, heat and nitrogen in balance, and its devices at the wire.

What reads it cannot tell it from a shed of pipes and pumps: it speaks on pseudo-terminals and in sysfs trees.
"""
