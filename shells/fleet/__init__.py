"""Fleet: Walker patterns, stacked shells, frozen orbits, matched node rates, tolerances."""
