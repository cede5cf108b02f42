"""Print one of the README's shell commands: the text of its n-th fenced block marked `sh`."""

import re
import sys
from pathlib import Path

readme = Path(__file__).parents[1] / "README.md"
blocks = re.findall(r"^```sh\n(.*?)^```", readme.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
print(blocks[int(sys.argv[1]) - 1].strip())
