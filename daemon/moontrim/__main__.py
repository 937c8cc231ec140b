"""python -m moontrim."""

import sys

from moontrim.cli.main import main

sys.exit(main())
