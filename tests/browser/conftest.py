"""Fixtures of the tests in a real browser."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from browsing import chromium, pictures

__all__ = ["chromium", "pictures"]
