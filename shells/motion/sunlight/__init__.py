"""Pressure of sunlight on an orbit that meets the shadow of the Earth."""
