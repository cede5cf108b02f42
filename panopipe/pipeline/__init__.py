"""A frame's way through its stages. Knows no job and no workers."""
