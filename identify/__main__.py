"""``python -m identify`` is the ``tapwright`` command."""

import sys

from identify.cli import main

sys.exit(main())
