"""`python -m panopipe`."""

from panopipe.cli import main

if __name__ == "__main__":
    main()
