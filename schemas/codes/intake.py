"""Codes of this area: see the package."""

from schemas.codes import Code

CODES: list[Code] = []
