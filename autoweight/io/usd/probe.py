"""Opens a stage and reads all that is in it, in a process of its own; see `library.opened`.

A damaged file can take the process down inside the library, keep it busy for ever or have it ask
for more memory than there is. It does so to this one, whose memory and time are limited by the
sizes of the files, and the process that asked lives to say so. Run by path, so that it needs
nothing but OpenUSD.
"""

import contextlib
import os
import re
import sys
import textwrap

from pxr import Ar, Sdf, Tf, Usd, UsdGeom, UsdSkel

MEMORY, MEMORY_FOR_A_BYTE = 2 << 30, 32
SECONDS, SECONDS_FOR_A_BYTE = 20, 2e-6
MOST = 160
"""Letters of a reason; where text cannot be read the library gives the whole line."""
INNER = re.compile(r"\w+__pxrReserved__::(\w+::)*")


def limit(size: int) -> None:
    """Allow no more memory and time than files of so many bytes can need."""
    try:
        import resource
    except ImportError:  # not on Windows
        return
    for what, wanted in (
        (resource.RLIMIT_AS, MEMORY + MEMORY_FOR_A_BYTE * size),
        (resource.RLIMIT_CPU, SECONDS + round(SECONDS_FOR_A_BYTE * size)),
    ):
        _, most = resource.getrlimit(what)
        resource.setrlimit(what, (wanted if most < 0 else min(wanted, most), most))


def layers(path: str) -> list[Sdf.Layer]:
    """The layers that a stage is made of, each opened only when its size is allowed for."""
    found, known, waiting, size = [], {path}, [path], 0
    while waiting:
        each = waiting.pop()
        with contextlib.suppress(OSError):
            size += os.stat(each).st_size
        limit(size)
        with contextlib.suppress(Tf.ErrorException):
            layer = Sdf.Layer.FindOrOpen(each)
            if layer:
                found.append(layer)
                refers = {layer.ComputeAbsolutePath(name) for name in layer.GetExternalReferences()}
                waiting += refers - known
                known |= refers
    return found


def read(path: str) -> None:
    """Touch every value that reading or writing a rig may ask for."""
    with Ar.ResolverContextBinder(Ar.GetResolver().CreateDefaultContextForAsset(path)):
        held = layers(path)
    stage = Usd.Stage.Open(path)
    everything = Usd.TraverseInstanceProxies(Usd.PrimAllPrimsPredicate)
    for prim in Usd.PrimRange(stage.GetPseudoRoot(), everything):
        prim.GetAllMetadata()
        for attribute in prim.GetAttributes():
            with contextlib.suppress(Tf.ErrorException, RuntimeError, ValueError):
                attribute.Get()
                attribute.Get(Usd.TimeCode.EarliestTime())
                attribute.GetTimeSamples()
        if prim.IsA(UsdGeom.Xformable):
            UsdGeom.Xformable(prim).ComputeLocalToWorldTransform(Usd.TimeCode.Default())
        if prim.IsA(UsdSkel.Root):
            cache = UsdSkel.Cache()
            cache.Populate(UsdSkel.Root(prim), Usd.PrimDefaultPredicate)
            for below in Usd.PrimRange(prim):
                cache.GetSkinningQuery(below)
    del held


def reason(error: Exception) -> str:
    """What an exception has to say, without its place in the library's source.

    It lists the errors in the order in which they came, so the first is why. Each ends with what
    it has to say, in quotes.
    """
    if isinstance(error, UnicodeDecodeError):
        return "it has text that is not UTF-8"
    first = (str(error).strip().splitlines() or [type(error).__name__])[0]
    said = first.partition(" in file ")[2].partition(" : ")[2] or first
    return textwrap.shorten(INNER.sub("", said.strip("'")), MOST, placeholder=" …")


if __name__ == "__main__":
    try:
        read(sys.argv[1])
    except Exception as error:
        sys.exit(reason(error))  # on stderr, behind whatever the library said there
