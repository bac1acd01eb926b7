"""Close approaches: node crossings, refinement, phase-averaged rates."""
