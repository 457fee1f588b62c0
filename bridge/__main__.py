"""``python -m bridge``: the same as the ``tidegate`` command."""

import sys

from bridge.cli import main

sys.exit(main())
