"""Print a command from the README, so that CI runs what a newcomer would type.

The README marks each with a comment line ``<!-- command: NAME -->`` above its code block.
"""

import re
import sys
from pathlib import Path

readme = Path(__file__).parent.parent.joinpath("README.md").read_text("utf-8")
block = rf"<!-- command: {re.escape(sys.argv[1])} -->\s*```sh\n(.*?)```"
found = re.search(block, readme, re.DOTALL)
if not found:
    sys.exit(f"README.md holds no command named {sys.argv[1]}")
sys.stdout.write(found.group(1).strip() + "\n")
