"""Several exposures of one place: recognised, laid on each other, joined."""
