"""The joint white of a job: evidence from each frame, matches between frames, one robust solution."""
