"""The search on relative motion: every pair that the linear picture at the node does not cover."""
