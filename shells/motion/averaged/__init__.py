"""Rates of mean elements: forces averaged over the orbit."""
