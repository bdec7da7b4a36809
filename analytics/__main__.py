"""Run the command line as ``python -m analytics``."""

from analytics.cli import main

if __name__ == "__main__":
    main()
