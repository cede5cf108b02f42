"""The tonal rendering of a frame: its large-scale light, the curves that move it, and what suits a room."""
