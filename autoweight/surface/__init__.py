"""The surface the solvers work on: welded, cleaned, and measured."""

from autoweight.surface.prepare import Surface, prepare

__all__ = ["Surface", "prepare"]
