"""``python -m canassist``."""

import sys

from canassist.cli import main

if __name__ == "__main__":
    sys.exit(main())
