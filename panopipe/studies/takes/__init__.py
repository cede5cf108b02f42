"""Several takes of one stand: what is wrong with each, and which of them to finish."""
