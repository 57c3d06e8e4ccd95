"""Run the command line as ``python -m thermlab``."""

from thermlab.cli import main

if __name__ == "__main__":
    main()
