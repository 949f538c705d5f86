"""Live sources of a recording, and the plan of the hook-up made before them.

`plan`: which sensors where, rate, range and duration for this engine. `protocol`: what every
instrument does; `registry`: the table of instruments; `keep`: blocks
streamed to disk as they arrive.
"""
