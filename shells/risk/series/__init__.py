"""Kernels of the series of the short encounter, and of what is sought with it: greatest value, area above a level."""
