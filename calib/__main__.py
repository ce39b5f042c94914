"""Start the command line: ``python -m calib``."""

from calib.cli import main

if __name__ == "__main__":
    main()
