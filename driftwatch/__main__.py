"""Lets `python -m driftwatch` do what `driftwatch` does."""

from driftwatch.cli import main

if __name__ == "__main__":
    main()
