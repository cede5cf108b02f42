"""Sensor noise in a stitched frame: its model, its measure, and what stands out of it at each scale."""
