"""The arithmetic that is done at every pixel: defined in numpy, compiled where a compiler was at hand."""
