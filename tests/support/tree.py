"""Where the files of this checkout are."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
