"""A delivery: the finished pictures of a job with all that goes with them, in a folder or a zip."""
