"""Risk: collision probability, errors of states, avoidance workload, number and probability over a mission."""
