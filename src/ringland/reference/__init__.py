"""Simulated reference cases, and what they say of a recording."""
