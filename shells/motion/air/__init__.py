"""Drag averaged over the orbit."""
