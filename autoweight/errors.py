"""What can go wrong, as one family of exceptions.

Every message names the file or thing, what is wrong with it, and the mend. The command line
prints the message alone and leaves with exit code 2.
"""

__all__ = [
    "AutoweightError",
    "FileError",
    "GeometryError",
    "RecipeError",
    "SkeletonError",
    "WeightsError",
]


class AutoweightError(Exception):
    """Base of every error this package raises on purpose."""


class FileError(AutoweightError):
    """A file cannot be read or written, or breaks the rules of its format."""


class GeometryError(AutoweightError):
    """A mesh that cannot be weighted: no faces, positions that are not finite, bad indices."""


class SkeletonError(AutoweightError):
    """A joint hierarchy that is not one forest of uniquely named joints."""


class RecipeError(AutoweightError):
    """A recipe, option or name that asks for something that is not there."""


class WeightsError(AutoweightError):
    """Weights that are not finite, negative, of the wrong shape, or contradict a lock."""
