"""Did the repair work: repeatability, before and after, back to normal. Pure functions."""
