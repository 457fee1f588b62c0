"""``python -m bridge.shell.health [FILE]``: exit 0 when the daemon's decision loop turns.

For a container's health check. Starts no part of the daemon.
"""

import os
import sys
from pathlib import Path

from bridge.shell.liveness import default_health_file, judge


def main(arguments: list[str]) -> int:
    """Judge the health file and say what was found."""
    usual = default_health_file(os.environ.get("TIDEGATE_SHARE"))
    alive, sentence = judge(Path(arguments[0]) if arguments else usual)
    sys.stdout.write(sentence + "\n")
    return 0 if alive else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
