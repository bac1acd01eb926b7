"""Motion: forces, mean-element integrator, mean to osculating and back, frozen orbits, positions."""
