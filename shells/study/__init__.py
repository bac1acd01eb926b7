"""Studies: configuration, cases, the separation decision, running on dask, the store and resuming."""
