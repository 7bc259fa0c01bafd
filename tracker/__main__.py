"""`python -m tracker` is `lanepair`."""

import sys

from tracker.cli import main

sys.exit(main())
