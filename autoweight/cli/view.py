"""``autoweight view``."""

from __future__ import annotations
