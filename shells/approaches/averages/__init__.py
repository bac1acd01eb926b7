"""Averages over phase: the compiled part of rates."""
