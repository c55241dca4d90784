"""Run the command line as ``python -m vinemap``."""

from vinemap.cli import main

if __name__ == "__main__":
    main()
