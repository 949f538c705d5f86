"""Data files that come with the package."""
