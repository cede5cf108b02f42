"""Places of known light, rendered with the sample job's kit (needs the bpy package)."""

import sys
from pathlib import Path

# The kit's modules import each other by their plain names, as the renderer's own scripts do.
sys.path.insert(0, str(Path(__file__).parents[3] / "sample_job" / "make"))
