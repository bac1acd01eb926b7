"""The search at mutual nodes: compiled kernels."""
