"""``python -m analyser``."""

import sys

from analyser.cli import main

if __name__ == "__main__":
    sys.exit(main())
