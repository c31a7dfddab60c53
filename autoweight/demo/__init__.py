"""Our own invented character: a procedurally built axolotl and its joints."""

from autoweight.demo.axolotl import Model, axolotl, model

__all__ = ["Model", "axolotl", "model"]
