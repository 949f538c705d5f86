"""On-board diagnostics, read only: speed, load, temperature, trims, misfire counters, codes.

Nothing is imported here: `decode` and `frames` are arithmetic, `link` opens a port when asked.
"""
