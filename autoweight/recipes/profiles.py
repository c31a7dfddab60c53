"""How a joint's influence falls off along its chain."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autoweight.errors import RecipeError, suggestion

__all__ = ["SHAPES", "UNITS", "End", "Falloff", "Row", "Side", "curve"]

Points = tuple[tuple[float, float], ...]

_BELL = 4.5  # a gaussian whose standard deviation is a third of its reach

SHAPES: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "linear": lambda t: 1 - t,
    "smooth": lambda t: 1 - t * t * (3 - 2 * t),
    "smoother": lambda t: 1 - t * t * t * (t * (6 * t - 15) + 10),
    "gaussian": lambda t: (np.exp(-_BELL * t * t) - math.exp(-_BELL)) / -math.expm1(-_BELL),
}
"""The named curves, from 1 at t = 0 to 0 at t = 1.

``smooth`` is Hermite's cubic, ``smoother`` the quintic of Perlin, "Improving Noise" (SIGGRAPH
2002). The first three satisfy f(t) + f(1 - t) = 1. ``gaussian`` has a standard deviation of a
third, lowered and stretched so that it ends at 0.
"""

UNITS = ("spacing", "scene")


def curve(shape: str | Points, t: ArrayLike) -> NDArray[np.float64]:
    """Value of a falloff curve.

    Parameters
    ----------
    shape : str or sequence of (t, value)
        A name in `SHAPES`, or points that a monotone cubic passes through (Fritsch & Butland,
        SIAM J. Sci. Stat. Comput. 5(2), 1984).
    t : array_like
        Share of the way from full influence to none; held at 0 and 1 outside of them.

    Returns
    -------
    ndarray
        Shaped like `t`.
    """
    t = np.clip(np.asarray(t, dtype=np.float64), 0, 1)
    if isinstance(shape, str):
        return SHAPES[shape](t)
    from scipy.interpolate import PchipInterpolator  # slow to import, and rarely needed

    at, value = np.array(shape).T
    return np.clip(PchipInterpolator(at, value)(t), 0, 1)


@dataclass(frozen=True)
class Side:
    """What differs on one side of every joint of a chain; what is left out is the chain's.

    Parameters
    ----------
    reach, hold : float, optional
    """

    reach: float | None = None
    hold: float | None = None


@dataclass(frozen=True)
class End:
    """What differs at the first or the last joint of a chain, on both its sides.

    Parameters
    ----------
    weight : float
        How much of its own band the joint keeps, 0 to 1. The rest goes to the joint before it,
        or, at the start of a chain that hangs from nothing, to the one after.
    reach, hold : float, optional
        Instead of the chain's.
    """

    weight: float = 1.0
    reach: float | None = None
    hold: float | None = None

    def __post_init__(self) -> None:
        _between("weight at a chain's end", self.weight, 0, 1)


@dataclass(frozen=True)
class Row:
    """The exact weights at one place of a chain.

    Parameters
    ----------
    at : float
        Position along the chain: 0 is its first joint, 1 its second, 1.5 half-way to the third;
        -1 is where it begins: before its first joint by as much as the second is after it, but
        not past the joint it hangs from.
    weights : sequence of float
        One for each joint of the chain, none negative, that sum to at most 1. What is missing
        goes to the joint the chain hangs from.
    """

    at: float
    weights: tuple[float, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "weights", tuple(float(each) for each in self.weights))
        _between("position of a row", self.at, -1, math.inf)
        for each in self.weights:
            _between(f"weight in the row at {self.at:g}", each, 0, 1)
        if sum(self.weights) > 1 + 1e-9:
            raise RecipeError(
                f"the row at {self.at:g} sums to {sum(self.weights):g}; lower it to 1 or less"
            )


@dataclass(frozen=True)
class Falloff:
    """How the joints of a chain share it: a band of influence round each.

    A band is 1 as far as `hold` from its centre and 0 from `reach` on. Where bands overlap they
    are divided by their sum, so the weights along a chain always sum to 1.

    Parameters
    ----------
    shape : str or sequence of (t, value)
        ``linear``, ``smooth``, ``smoother``, ``gaussian``, or points from (0, 1) to (1, 0).
    reach : float, optional
        Half-width of a band, above 0. At 1 spacing a band ends at the next joint; below half a
        spacing bands do not meet, and the nearer joint has what is between them. 1 when left
        out, unless `usual` knows better.
    hold : float
        Half-width of the plateau in the middle of a band, at least 0 and below `reach`.
    units : {'spacing', 'scene'}
        Of every reach and hold of the chain: the distance to the next joint on that side, or
        scene units along the chain.
    centre : float, optional
        Where the band of a joint is centred: 0 on the joint, 0.5 in the middle of its bone, so
        that the hand-over from its parent is centred on the joint. 0 when left out, unless
        `usual` knows better.
    toward_parent, toward_child : Side
        What differs on one side of every joint.
    start, end : End
        What differs at the chain's first and last joint; goes before what differs by side.
    rows : sequence of Row
        Exact weights, in ascending order of position; the bands then do not matter. Between two
        rows the weights go from one to the other by `shape`.

    Raises
    ------
    RecipeError
        A value out of its range; the message names it.
    """

    shape: str | Points = "smooth"
    reach: float | None = None
    hold: float = 0.0
    units: str = "spacing"
    centre: float | None = None
    toward_parent: Side = field(default_factory=Side)
    toward_child: Side = field(default_factory=Side)
    start: End = field(default_factory=End)
    end: End = field(default_factory=End)
    rows: tuple[Row, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "shape", _checked(self.shape))
        object.__setattr__(self, "rows", tuple(self.rows))
        _chosen("units", self.units, UNITS)
        _between("centre", self.centre or 0.0, 0, 1)
        for first in (False, True):
            for last in (False, True):
                for toward in (self.toward_parent, self.toward_child):
                    reach, hold = self._side(toward, first, last)
                    _between("reach", reach, 0, math.inf)
                    _between("hold", hold, 0, math.inf)
                    if hold >= reach:
                        raise RecipeError(
                            f"a hold of {hold:g} leaves no room in a reach of {reach:g}; "
                            "make the reach larger"
                        )
        places = [row.at for row in self.rows]
        if any(after <= before for before, after in pairwise(places)):
            raise RecipeError("the rows are not in order; sort them by 'at', each place once")

    def usual(self, *, centre: float, reach: float = 1.0) -> Falloff:
        """The same with what holds where nothing was said of centre or of reach in spacings."""
        return replace(
            self,
            centre=centre if self.centre is None else self.centre,
            reach=reach if self.reach is None and self.units == "spacing" else self.reach,
        )

    def weights(
        self, along: ArrayLike, stations: ArrayLike, *, hangs: bool = False
    ) -> NDArray[np.float64]:
        """Weights of a chain's m joints at positions along it.

        Parameters
        ----------
        along : array_like, shape (n,)
            Position along the chain in joints, as in `Row`.
        stations : array_like, shape (m,)
            Where the joints are, in scene units along the chain; with `hangs` (m + 1,), and where
            the chain begins before them.
        hangs : bool
            Whether the chain hangs from another joint.

        Returns
        -------
        ndarray, shape (n, m)
            Rows sum to 1, or with `hangs` to at most 1: the rest is for the joint it hangs from.

        Raises
        ------
        RecipeError
            A row of exact weights that has not one weight for each joint, or that does not sum to
            1 although the chain hangs from nothing.
        """
        along = np.asarray(along, dtype=np.float64)
        stations = np.asarray(stations, dtype=np.float64)
        if self.rows:
            return self._exact(along, len(stations) - hangs, hangs)
        shares = self._bands(along + hangs, stations, hangs)
        kept = shares[:, hangs:]
        count = kept.shape[1]
        if count > 1 or hangs:
            lent = (1 - self.end.weight) * kept[:, -1]
            kept[:, -1] -= lent
            if count > 1:
                kept[:, -2] += lent
        lent = (1 - self.start.weight) * kept[:, 0]
        if hangs:
            kept[:, 0] -= lent
        elif count > 1:
            kept[:, 0] -= lent
            kept[:, 1] += lent
        return kept

    def _bands(
        self, place: NDArray[np.float64], stations: NDArray[np.float64], hangs: bool
    ) -> NDArray[np.float64]:
        count = len(stations)
        # Beyond both ends the coordinate goes on as far as the last gap; a lone joint has none.
        numbers = np.arange(-1, count + 1)
        gaps = np.diff(stations) if count > 1 else np.ones(1)
        line = np.concatenate(
            [[stations[0] - gaps[0]], stations, [stations[-1] + gaps[-1]]], dtype=np.float64
        )
        found = np.empty((len(place), count))
        nearest = np.empty((len(place), count))
        for joint in range(count):
            first, last = joint == int(hangs), joint == count - 1
            offset = place - (joint + (self.centre or 0.0))
            fall = np.empty_like(place)
            for sign, toward in ((-1, self.toward_parent), (1, self.toward_child)):
                reach, hold = self._side(toward, first, last)
                if self.units == "scene":
                    ends = stations[joint] + sign * np.array([reach, hold])
                    reach, hold = np.abs(np.interp(ends, line, numbers) - joint)
                    reach = max(reach, np.nextafter(hold, np.inf))
                side = sign * offset >= 0
                fall[side] = (np.abs(offset[side]) - hold) / (reach - hold)
            # The outermost bands go on to the ends of the body.
            if joint == 0:
                fall[offset < 0] = 0
            if last:
                fall[offset > 0] = 0
            nearest[:, joint] = fall
            found[:, joint] = curve(self.shape, fall)
        total = found.sum(axis=1)
        gap = total <= 0
        if gap.any():
            found[gap] = 0
            found[np.flatnonzero(gap), nearest[gap].argmin(axis=1)] = 1
            total[gap] = 1
        return found / total[:, None]

    def _exact(self, along: NDArray[np.float64], count: int, hangs: bool) -> NDArray[np.float64]:
        for row in self.rows:
            if len(row.weights) != count:
                raise RecipeError(
                    f"the row at {row.at:g} has {len(row.weights)} weights for a chain of "
                    f"{count} joints; give one for each"
                )
            if not hangs and abs(sum(row.weights) - 1) > 1e-9:
                raise RecipeError(
                    f"the row at {row.at:g} sums to {sum(row.weights):g}, and its chain hangs "
                    "from no joint that could have the rest; make it 1"
                )
        at = np.array([row.at for row in self.rows])
        values = np.array([row.weights for row in self.rows])
        if hangs and at[0] > -1:
            at, values = np.append(-1.0, at), np.vstack([np.zeros(count), values])
        if len(at) == 1:
            return np.repeat(values, len(along), axis=0)
        before = np.clip(np.searchsorted(at, along, side="right") - 1, 0, len(at) - 2)
        share = (along - at[before]) / (at[before + 1] - at[before])
        keep = curve(self.shape, share)[:, None]
        return keep * values[before] + (1 - keep) * values[before + 1]

    def _side(self, toward: Side, first: bool, last: bool) -> tuple[float, float]:
        levels = [self.start] * first + [self.end] * last + [toward, Side(self.reach)]
        reach = next((each.reach for each in levels if each.reach is not None), 1.0)
        hold = next((each.hold for each in levels if each.hold is not None), self.hold)
        return reach, hold


def _checked(shape: object) -> str | Points:
    if isinstance(shape, str):
        _chosen("shape", shape, tuple(SHAPES))
        return shape
    wrong = f"shape {shape!r}: give a name or points [t, value] with t ascending"
    try:
        points = tuple((float(t), float(value)) for t, value in shape)  # type: ignore[attr-defined]
    except (TypeError, ValueError) as error:
        raise RecipeError(wrong) from error
    rising = all(after[0] > before[0] for before, after in pairwise(points))
    if len(points) < 2 or not rising:
        raise RecipeError(wrong)
    if points[0] != (0.0, 1.0) or points[-1] != (1.0, 0.0):
        raise RecipeError(f"shape {shape!r}: begin at [0, 1] and end at [1, 0]")
    for _, value in points:
        _between("value of a shape's point", value, 0, 1)
    return points


def _chosen(what: str, name: str, choices: tuple[str, ...]) -> None:
    if name not in choices:
        raise RecipeError(f"{what} {name!r} is not known; {suggestion(str(name), choices)}")


def _between(what: str, value: float, low: float, high: float) -> None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or math.isnan(value):
        raise RecipeError(f"{what}: need a number, got {value!r}")
    if not low <= value <= high:
        span = f"{low:g} or more" if math.isinf(high) else f"{low:g} to {high:g}"
        raise RecipeError(f"{what}: need {span}, got {value:g}")
