"""The floor under the camera: finding the footprint, and rebuilding what it hides."""
