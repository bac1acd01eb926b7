"""Debris: an invented population, catalogues and the conversion of their elements."""
