"""Run the command line with `python -m yieldwatch`."""

import sys

from yieldwatch.cli import main

sys.exit(main())
