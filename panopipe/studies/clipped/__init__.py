"""Clipped highlights: the colour of light that one, two or all planes of a camera could not hold."""
