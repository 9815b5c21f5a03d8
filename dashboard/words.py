"""Moved to schemas/words.py, where printed pages find it too."""

from schemas.words import *  # noqa: F403
