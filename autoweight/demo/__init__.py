"""Our own invented character: a procedurally built axolotl and its joints."""

from autoweight.demo.axolotl import Model, axolotl, model
from autoweight.demo.document import bound

__all__ = ["Model", "axolotl", "bound", "model"]
