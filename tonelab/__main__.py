"""``python -m tonelab``."""

import sys

from tonelab.cli.app import main

sys.exit(main())
