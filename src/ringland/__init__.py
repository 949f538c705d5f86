"""Judge each cylinder of a running piston engine from pressure pulses."""
