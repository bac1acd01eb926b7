"""Numerical: Cartesian equations of motion, integrated to rounding; the truth for everything else in motion."""
