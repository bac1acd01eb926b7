"""Separation of shells: what eats the gap of two of them, the chance that they meet, and how far apart they must be."""
