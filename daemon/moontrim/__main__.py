"""python -m moontrim."""

import sys

from moontrim.cli import main

sys.exit(main())
