"""What is slow, how it grows, and against what: ``python -m benchmarks``."""
