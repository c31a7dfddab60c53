"""What the user asked for."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Recipe", "Tidy"]


@dataclass(frozen=True)
class Tidy:
    """How weights are cleaned before they are written.

    Parameters
    ----------
    max_influences : int
        Most joints a vertex may have.
    prune : float
        Weights below this become 0.
    bits : {32, 16, 8}
        Precision in the file: float, or whole numbers whose sum is exactly 65535 or 255.
    """

    max_influences: int = 4
    prune: float = 0.001
    bits: int = 32


@dataclass(frozen=True)
class Recipe:
    """What the user asked for, with a default for everything.

    Parameters
    ----------
    method : str
        A name `autoweight.methods.find` knows.
    skip : tuple of str
        Shell-style patterns of the joints that get no weight.
    tidy : Tidy
    """

    method: str = "heat"
    skip: tuple[str, ...] = ()
    tidy: Tidy = field(default_factory=Tidy)
