"""Controlled: compiled motion of held satellites about the reference orbit of their plane."""
