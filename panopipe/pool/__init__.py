"""Worker processes, their memory and the machine. Knows no pixels."""
