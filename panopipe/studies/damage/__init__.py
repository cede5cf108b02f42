"""Damage that a file's coding cannot tell: parts of its samples that no camera wrote."""
