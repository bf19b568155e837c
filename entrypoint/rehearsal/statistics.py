"""How marks spread, how practice goes on, and what to practise next.

Bias and scatter are kept apart: the one is where the marks lie on average, the other how far they
lie from each other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from entrypoint.errors import FieldRefused

if TYPE_CHECKING:
    from entrypoint.rehearsal.store import Attempt

__all__ = [
    "BiasAndScatter",
    "CurvePoint",
    "LearningCurve",
    "bias_and_scatter",
    "circular_error",
    "learning_curve",
    "what_next",
]

FloatArray = NDArray[np.float64]
_FEWEST_ELLIPSE = 3
_LAST = 5  # attempts that "lately" means
_FEWEST_TREND = 6
_CURVES = ("nasion_mm", "by_eye_mm", "entry_mm", "tilt_deg", "past_inner_mm", "tip_error_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasAndScatter:
    """Of marks in a plane: x towards the patient's right, y to the front, from the true point.

    Parameters
    ----------
    n : int
    mean_mm, median_mm : (float, float)
        The bias, x and y; the middle of each direction by count.
    bias_mm : float
        Length of the mean.
    circular_error_mm : float or None
        Radius round the *mean* that holds half of such marks (bivariate normal): the scatter.
    circular_error_about_true_mm : float
        Radius round the *true point* that held half of these marks: bias and scatter together.
    major_mm, minor_mm : float or None
        Half axes of the ellipse in which 95 of 100 further marks would lie (bivariate normal,
        mean and covariance estimated from these marks); None for fewer than three.
    major_deg : float or None
        Of the longer axis from x towards y.
    """

    n: int
    mean_mm: tuple[float, float]
    median_mm: tuple[float, float]
    bias_mm: float
    circular_error_mm: float | None
    circular_error_about_true_mm: float
    major_mm: float | None
    minor_mm: float | None
    major_deg: float | None

    def ellipse_mm(self, count: int = 121) -> FloatArray | None:
        """The ellipse as a closed line, (count, 2); None where there is none."""
        if self.major_mm is None or self.minor_mm is None or self.major_deg is None:
            return None
        t = np.linspace(0.0, 2.0 * np.pi, count)
        turn = np.radians(self.major_deg)
        along, across = self.major_mm * np.cos(t), self.minor_mm * np.sin(t)
        x = self.mean_mm[0] + along * np.cos(turn) - across * np.sin(turn)
        y = self.mean_mm[1] + along * np.sin(turn) + across * np.cos(turn)
        return np.column_stack([x, y])


def circular_error(sd_major_mm: float, sd_minor_mm: float) -> float:
    """Radius of the circle round the mean that holds half of a bivariate normal.

    Parameters
    ----------
    sd_major_mm, sd_minor_mm : float
        Standard deviations along its axes.

    Examples
    --------
    >>> round(circular_error(1.0, 1.0), 4), round(circular_error(1.0, 0.0), 4)
    (1.1774, 0.6745)
    """
    major, minor = max(sd_major_mm, sd_minor_mm), min(sd_major_mm, sd_minor_mm)
    if not major > 0.0:
        return 0.0
    ratio = minor / major
    if ratio < 1e-6:
        from scipy.special import ndtri

        return float(major * ndtri(0.75))
    from scipy.optimize import brentq

    # P(r <= k) of unit major axis: the exponential of r squared, averaged over the direction.
    half, weight = np.polynomial.legendre.leggauss(64)
    t = 0.25 * np.pi * (half + 1.0)  # a quarter turn holds all of it
    w = 0.25 * np.pi * weight
    shape = np.cos(t) ** 2 + (np.sin(t) / ratio) ** 2

    def inside(k: float) -> float:
        held = (1.0 - np.exp(-0.5 * k * k * shape)) / shape
        return float(2.0 / (np.pi * ratio) * (w @ held)) - 0.5

    if ratio < 0.05:  # too sharp a peak for the rule above: the same along the axes
        from scipy.integrate import quad
        from scipy.special import ndtr

        def density(x: float, k: float) -> float:
            across = np.sqrt(max(k * k - x * x, 0.0)) / ratio
            return float(np.exp(-0.5 * x * x) * (2.0 * ndtr(across) - 1.0))

        def held_at(k: float) -> float:
            return float(np.sqrt(2.0 / np.pi) * quad(density, 0.0, k, args=(k,))[0]) - 0.5

        return float(major * brentq(held_at, 0.5, 1.3))
    return float(major * brentq(inside, 0.5, 1.3))


def bias_and_scatter(xy_mm: ArrayLike) -> BiasAndScatter:
    """Bias and scatter of marks.

    Parameters
    ----------
    xy_mm : array_like, shape (n, 2)
        Towards the patient's right, and to the front, from the true point.

    Raises
    ------
    FieldRefused
        There is no mark, or one is not finite.
    """
    xy = np.asarray(xy_mm, dtype=float).reshape(-1, 2)
    if not len(xy) or not np.isfinite(xy).all():
        raise FieldRefused(
            found="no marks, or marks that are not numbers",
            expected="at least one mark",
            next_step="score some marks first",
        )
    mean, n = xy.mean(axis=0), len(xy)
    scatter = major = minor = turn = None
    if n >= _FEWEST_ELLIPSE:
        from scipy.special import fdtri

        values, vectors = np.linalg.eigh(np.cov(xy.T))
        values = np.maximum(values, 0.0)
        # Hotelling: the region of one more mark, its mean and covariance not known but estimated.
        scale = 2.0 * (n + 1) * (n - 1) / (n * (n - 2)) * float(fdtri(2.0, n - 2.0, 0.95))
        major, minor = (float(np.sqrt(scale * v)) for v in values[::-1])
        axis = vectors[:, 1]
        turn = float(np.degrees(np.arctan2(axis[1], axis[0])) % 180.0)
        scatter = circular_error(*(float(np.sqrt(v)) for v in values[::-1]))
    middle = np.median(xy, axis=0)
    return BiasAndScatter(
        n=n,
        mean_mm=(float(mean[0]), float(mean[1])),
        median_mm=(float(middle[0]), float(middle[1])),
        bias_mm=float(np.hypot(*mean)),
        circular_error_mm=scatter,
        circular_error_about_true_mm=float(np.median(np.hypot(xy[:, 0], xy[:, 1]))),
        major_mm=major,
        minor_mm=minor,
        major_deg=turn,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One attempt on a learning curve; the error without its sign."""

    number: int
    at_utc: str
    head_key: str
    error: float
    median_lately: float  # of this attempt and up to four before it


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningCurve:
    """How one error went on; ``per_ten`` is its change over ten attempts.

    The slope is the median of all slopes between two attempts (Theil and Sen), with its 95 %
    interval; None for fewer than six attempts.
    """

    figure: str
    points: tuple[CurvePoint, ...]
    per_ten: float | None
    per_ten_95: tuple[float, float] | None
    words: str


def learning_curve(attempts: Sequence[Attempt]) -> dict[str, LearningCurve]:
    """A curve for each figure of the hand score of which there is one.

    Parameters
    ----------
    attempts : sequence of Attempt
        Of one person, in order.
    """
    out: dict[str, LearningCurve] = {}
    for figure in _CURVES:
        points: list[CurvePoint] = []
        errors: list[float] = []
        for attempt in attempts:
            found = getattr(attempt, figure)
            if found is None:
                continue
            # Short of the inner table is not deeper: only what passes it is an error.
            errors.append(max(found, 0.0) if figure == "past_inner_mm" else abs(found))
            points.append(
                CurvePoint(
                    number=attempt.number,
                    at_utc=attempt.at_utc,
                    head_key=attempt.head_key,
                    error=errors[-1],
                    median_lately=float(np.median(errors[-_LAST:])),
                )
            )
        if points:
            out[figure] = _curve(figure, tuple(points), errors)
    return out


def _curve(figure: str, points: tuple[CurvePoint, ...], errors: list[float]) -> LearningCurve:
    unit = "degrees" if figure.endswith("_deg") else "mm"
    n = len(points)
    if n < _FEWEST_TREND:
        return LearningCurve(
            figure=figure, points=points, per_ten=None, per_ten_95=None,
            words=f"No trend can be told from {n} attempt{'s' if n > 1 else ''}.",
        )  # fmt: skip
    from scipy.stats import theilslopes

    found = theilslopes(errors, np.arange(n, dtype=float), 0.95)
    ten, low, high = (10.0 * float(v) for v in (found[0], found[2], found[3]))
    if low <= 0.0 <= high:
        words = "No change can be told from chance yet."
    else:
        words = (
            f"The error {'falls' if ten < 0 else 'grows'} by about {abs(ten):.1f} {unit} in ten "
            "attempts."
        )
    return LearningCurve(
        figure=figure, points=points, per_ten=ten, per_ten_95=(low, high), words=words
    )


# What is wanted of each figure before the next is spoken of: judgement, no source.
_WANTED: tuple[tuple[str, float, str], ...] = (
    ("nasion_mm", 3.0, "touching the nasion: the tape starts there, and its error is carried on"),
    ("entry_mm", 5.0, "laying the tape and marking the entry"),
    ("tilt_deg", 5.0, "holding the drill square to the bone"),
    ("past_inner_mm", 0.5, "setting the drill stop from the bone along your own path"),
    ("tip_error_mm", 2.0, "setting the sensor's depth"),
)
_HEAD_FOR = {
    "wrong side": ("turned", "choosing the side that was asked for, on a head that lies turned"),
    "wrong seat": ("haematoma", "naming what the stop seats on, over a swollen scalp"),
    "past the inner table": ("thin", "setting the stop on thin bone"),
    "sinus envelope entered": ("adult", "keeping away from the midline"),
    "going ahead on a stop": ("small", "reading the findings before going ahead"),
    "less cautious": ("small", "seeing when a finding asks for a change"),
}


def what_next(attempts: Sequence[Attempt]) -> str:
    """One sentence: what to practise next, from the latest attempts of one person.

    What fails comes first, then the decision, then the figure that lies farthest from what is
    wanted of it, bias told apart from scatter.
    """
    from entrypoint.rehearsal.ladder import LADDER

    if not attempts:
        return "Begin with the first head of the ladder, ladder:adult."
    late = attempts[-_LAST:]
    failures = Counter(what for a in late for what in a.fails)
    failures.update("less cautious" for a in late if a.verdict == "less cautious")
    if failures:
        order = list(_HEAD_FOR)
        what, count = min(failures.items(), key=lambda kv: (-kv[1], order.index(kv[0])))
        key, words = _HEAD_FOR[what]
        return (
            f"Practise {words}, for example on ladder:{key}: {what!r} came up {count} time"
            f"{'s' if count > 1 else ''} in the last {len(late)}."
        )
    worst: tuple[float, str, float, str] | None = None
    for figure, wanted, words in _WANTED:
        found = [abs(v) for a in late if (v := getattr(a, figure)) is not None]
        if figure == "past_inner_mm":
            found = [max(v, 0.0) for a in late if (v := a.past_inner_mm) is not None]
        if not found:
            continue
        ratio = float(np.median(found)) / wanted
        if ratio > 1.0 and (worst is None or ratio > worst[0]):
            worst = (ratio, figure, float(np.median(found)), words)
    if worst is not None:
        unit = "degrees" if worst[1].endswith("_deg") else "mm"
        more = _bias_words(late) if worst[1] == "entry_mm" else ""
        return f"Practise {worst[3]}: lately {worst[2]:.1f} {unit} off in the middle{more}."
    done = {a.head_key for a in attempts}
    for step in LADDER:
        if f"ladder:{step.key}" not in done:
            return f"Go on to the next head of the ladder, ladder:{step.key}: {step.title.lower()}."
    return "Practise on random heads: every head of the ladder has been met."


def _bias_words(late: Sequence[Attempt]) -> str:
    marks: list[Any] = [
        (a.entry_left_right_mm, a.entry_front_back_mm)
        for a in late
        if a.entry_left_right_mm is not None and a.entry_front_back_mm is not None
    ]
    if len(marks) < _FEWEST_ELLIPSE:
        return ""
    found = bias_and_scatter(marks)
    if found.circular_error_mm is None or found.bias_mm <= found.circular_error_mm:
        return ", with no one direction: the marks scatter"
    x, y = found.mean_mm
    way = (
        f"{'in front of' if y > 0 else 'behind'} the true point"
        if abs(y) >= abs(x)
        else f"towards the PATIENT'S {'RIGHT' if x > 0 else 'LEFT'}"
    )
    return f", mostly {way}"
