"""Values that change with time, read at one time: the default where there is one, else the first.

A rig is one pose. What had to be chosen is told, once for a file.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autoweight.io.usd.library import bindings

__all__ = ["Moment"]

LISTED = 4

log = logging.getLogger(__name__)


class Moment:
    """The time a stage is read at, and what else it would have had to say.

    Parameters
    ----------
    path : Path
        Of the stage, for the message.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.moving: dict[str, None] = {}
        self.variants: dict[str, None] = {}

    def value(self, attribute: Any) -> Any:
        """The value of an attribute; an empty tuple where it has none."""
        if attribute.ValueMightBeTimeVarying():
            self.moving[str(attribute.GetPath())] = None
        value = attribute.Get()
        if value is None:
            value = attribute.Get(bindings().Usd.TimeCode.EarliestTime())
        return () if value is None else value

    def flat(self, primvar: Any) -> Any:
        """As `value`, of a primvar, with values in full that are kept once and numbered."""
        if not primvar.IsIndexed():
            return self.value(primvar.GetAttr())
        for attribute in (primvar.GetAttr(), primvar.GetIndicesAttr()):
            if attribute.ValueMightBeTimeVarying():
                self.moving[str(attribute.GetPath())] = None
        first = bindings().Usd.TimeCode.EarliestTime()
        value = primvar.ComputeFlattened() or primvar.ComputeFlattened(first)
        return () if value is None else value

    def place(self, prim: Any) -> NDArray[np.float64]:
        """From the space of a prim to the world, (4, 4), acting on column vectors."""
        pxr = bindings()
        time = pxr.Usd.TimeCode.Default()
        up = prim
        while up:
            form = pxr.UsdGeom.Xformable(up)
            for operation in form.GetOrderedXformOps() if form else ():
                attribute = operation.GetAttr()
                if attribute.ValueMightBeTimeVarying():
                    self.moving[str(attribute.GetPath())] = None
                if attribute.Get() is None:
                    time = pxr.Usd.TimeCode.EarliestTime()
            up = up.GetParent()
        return np.array(pxr.UsdGeom.Imageable(prim).ComputeLocalToWorldTransform(time)).T

    def chosen(self, prim: Any) -> None:
        """Note the variants that a prim and those above it are read with."""
        while prim:
            sets = prim.GetVariantSets()
            for name in sets.GetNames():
                said = f"{prim.GetPath()}{{{name}={sets.GetVariantSelection(name)}}}"
                self.variants[said] = None
            prim = prim.GetParent()

    def tell(self) -> None:
        """Say what was chosen, in a line for each kind."""
        if self.moving:
            log.warning(
                "%s: read at the default or first time, but changes with it: %s",
                self.path, _some(self.moving),
            )  # fmt: skip
        if self.variants:
            log.warning(
                "%s: read, and to be written, with the variants that are selected: %s",
                self.path, _some(self.variants),
            )  # fmt: skip


def _some(names: dict[str, None]) -> str:
    listed = list(names)
    return ", ".join(listed[:LISTED]) + (", …" if len(listed) > LISTED else "")
