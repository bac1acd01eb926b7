"""Risk: collision probability of an encounter."""
