"""`brinewatch water`: the published equations of seawater at the terminal and on whole CSV files.

One table of works (what comes out, from what, by which published function, within which limits) drives the options,
the help, the terminal's output, tables over a range and files.
"""
