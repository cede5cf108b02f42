"""panopipe finishes a night's worth of stitched 360-degree panoramas while its user sleeps."""

__version__ = "0.1.0"
