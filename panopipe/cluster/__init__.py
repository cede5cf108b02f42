"""Frames finished by the workers of a dask.distributed cluster. Loaded only when a cluster is named."""
