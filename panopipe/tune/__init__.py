"""Tuning by eye: a page on this machine shows what a setting does; nothing is written until it is kept."""
