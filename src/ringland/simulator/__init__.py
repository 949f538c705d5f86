"""Physics of the engine, the gas path and the sensors, healthy and faulty."""
