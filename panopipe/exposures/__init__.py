"""Several files of one place: opened as one picture, and recognised as such."""
