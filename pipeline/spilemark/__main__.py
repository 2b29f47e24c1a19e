"""``python -m spilemark``."""

import sys

from spilemark.cli import main

if __name__ == "__main__":
    sys.exit(main())
