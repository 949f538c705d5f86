"""At the vehicle: what is seen while recording, when it is enough, and the verdict at the end.

`session` runs an instrument and keeps every block; `monitor` looks at what has come so far;
`enough` decides when to stop; `verdict` says whether it is fit to judge, naming the hook-up fault.
"""
