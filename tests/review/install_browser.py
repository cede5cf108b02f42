"""Install the browser that the page tests need: Debian's chromium and its driver. Run as root, or with sudo.

Does nothing when both are there already.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

PACKAGES = ("chromium", "chromium-driver", "fonts-dejavu-core")


def main() -> int:
    """Install, and say in a line what was done or what to do."""
    if shutil.which("chromium") and shutil.which("chromedriver"):
        print("chromium and its driver are installed")
        return 0
    apt = shutil.which("apt-get")
    if apt is None or os.geteuid() != 0:
        print(
            f"install these packages of your system, then run the tests again: {' '.join(PACKAGES)}",
            file=sys.stderr,
        )
        return 1
    quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run([apt, "update", "-qq"], check=True, env=quiet)
    subprocess.run([apt, "install", "-y", "-qq", "--no-install-recommends", *PACKAGES], check=True, env=quiet)
    return 0


if __name__ == "__main__":
    sys.exit(main())
