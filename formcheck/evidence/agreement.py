"""How well measurements agree: with a truth, with themselves on another day, with each other.

Pure statistics on plain arrays. Intraclass correlation: Shrout and Fleiss 1979 (Psychol Bull
86:420-428), its intervals as there. Standard error of measurement and smallest detectable
change: Weir 2005 (J Strength Cond Res 19:231-240). Limits of agreement: Bland and Altman 1986
(Lancet 327:307-310) and 1999 (Stat Methods Med Res 8:135-160). Interval score: Gneiting and
Raftery 2007 (J Am Stat Assoc 102:359-378).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

IccForm = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
ICC_FORMS: tuple[IccForm, ...] = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")
NORMAL_95 = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Mean squares of a subjects by sessions table: between subjects, between sessions (or
    raters), residual, and within subjects (the last two together)."""

    n_subjects: int
    n_sessions: int
    between_subjects: float
    between_sessions: float
    residual: float
    within_subjects: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Icc:
    """An intraclass correlation with its 95 % interval."""

    form: IccForm
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How far two measurements of the same thing may lie apart by error alone.

    sem : standard error of measurement; mdc95 : smallest detectable change, 1.96 sqrt(2) sem.
    basis : which SEM this is, since forms differ (on Shrout and Fleiss's data 2.28 against 1.01).
    """

    sem: float
    mdc95: float
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Bland and Altman's limits: the mean difference and where 95 % of differences lie.

    Each of mean, lower and upper limit with its 95 % interval; `multiple` is the number of
    standard deviations taken (1.96; the paper of 1986 rounds to 2).
    """

    n: int
    multiple: float
    mean: float
    sd: float
    lower: float
    upper: float
    mean_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


def wilson_interval(n_hits: int, n: int, multiple: float = NORMAL_95) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927, J Am Stat Assoc 22:209-212); NaN when n is 0.

    It takes the trials as independent: repetitions of one clip are not wholly so, and the true
    interval is wider.

    Raises ValueError when n_hits is not within 0 and n.
    """
    if not 0 <= n_hits <= n:
        raise ValueError(f"{n_hits} hits of {n}")
    if n == 0:
        return float("nan"), float("nan")
    share, z2 = n_hits / n, multiple**2
    centre = share + z2 / (2 * n)
    half = multiple * np.sqrt(share * (1 - share) / n + z2 / (4 * n**2))
    low, high = (centre - half) / (1 + z2 / n), (centre + half) / (1 + z2 / n)
    # Exact at the ends, where rounding would leave 1e-17.
    return (0.0 if n_hits == 0 else float(low)), (1.0 if n_hits == n else float(high))


def interval_score(low, high, truth, alpha: float = 0.05) -> np.ndarray:
    """Score of each interval, in the unit of the values; smaller is better.

    Its width, and 2 / alpha times the distance by which it misses the truth: neither a wide nor
    an overconfident interval pays (Gneiting and Raftery 2007, eq. 43).

    Raises ValueError when any high lies below its low.
    """
    low, high, truth = (np.asarray(v, float) for v in (low, high, truth))
    if np.any(high < low):
        raise ValueError("an interval ends below its start")
    missed = np.maximum(low - truth, 0) + np.maximum(truth - high, 0)
    return (high - low) + 2 / alpha * missed


LEVELS = tuple(percent / 100 for percent in range(10, 100, 5))
"""Nominal levels at which calibration is looked at: 10 to 95 %."""


def coverage_at(value, low, high, truth, level: float) -> float:
    """Share of truths inside the central intervals of another level than 95 %.

    value, low, high, truth : (n,) estimates, the ends of their 95 % intervals, what is true. Each
    end moves toward its estimate as a normal distribution's would, so that an interval with
    unequal sides keeps their ratio. NaN for none.

    Raises ValueError for a level outside 0 to 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not at {level}")
    value, low, high, truth = (np.asarray(v, float) for v in (value, low, high, truth))
    if not len(value):
        return float("nan")
    scale = NormalDist().inv_cdf((1 + level) / 2) / NormalDist().inv_cdf(0.975)
    is_inside = (truth >= value - scale * (value - low)) & (truth <= value + scale * (high - value))
    return float(is_inside.mean())


def calibration_error(value, low, high, truth, levels: Sequence[float] = LEVELS) -> float:
    """Expected calibration error of intervals: how far coverage lies from its level, on average.

    The mean over `levels` of |share of truths inside - level| (Kuleshov, Fenner and Ermon 2018,
    ICML, with absolute instead of squared distances). Arrays as in `coverage_at`; NaN for none.
    It grows by chance alone in small samples: with 20 exact intervals it is about 0.07.
    """
    shares = [coverage_at(value, low, high, truth, level) for level in levels]
    return float(np.mean(np.abs(np.subtract(shares, levels))))


def _table(values) -> np.ndarray:
    table = np.asarray(values, float)
    if table.ndim != 2 or min(table.shape) < 2:
        raise ValueError("needs a table of at least 2 subjects by 2 sessions")
    if not np.isfinite(table).all():
        raise ValueError("the table has missing values; leave those subjects out")
    return table


def mean_squares(values) -> MeanSquares:
    """Two-way analysis of variance of a table (n subjects, k sessions or raters).

    Raises ValueError for fewer than 2 of either, or with missing values.
    """
    x = _table(values)
    n, k = x.shape
    grand = x.mean()
    subjects = k * float(((x.mean(axis=1) - grand) ** 2).sum())
    sessions = n * float(((x.mean(axis=0) - grand) ** 2).sum())
    residuals = x - x.mean(axis=1, keepdims=True) - x.mean(axis=0, keepdims=True) + grand
    residual = float((residuals**2).sum())
    return MeanSquares(
        n_subjects=n,
        n_sessions=k,
        between_subjects=subjects / (n - 1),
        between_sessions=sessions / (k - 1),
        residual=residual / ((n - 1) * (k - 1)),
        within_subjects=(sessions + residual) / (n * (k - 1)),
    )


def icc(values, form: IccForm = "2,1") -> Icc:
    """Intraclass correlation of a table (n subjects, k sessions), with its 95 % interval.

    "1,1" one-way; "2,1" two-way random, absolute agreement (for sessions that stand for any
    other day); "3,1" two-way mixed, consistency; "k" forms for the mean of all k. NaN when no
    subject or session differs from any other.

    Raises ValueError for a table that is too small or has missing values.
    """
    ms = mean_squares(values)
    n, k = ms.n_subjects, ms.n_sessions
    b, j, e, w = ms.between_subjects, ms.between_sessions, ms.residual, ms.within_subjects
    if b + j + e == 0:
        return Icc(form=form, value=float("nan"), low=float("nan"), high=float("nan"))
    if form[0] == "1":
        single, low, high = _over(b - w, b + (k - 1) * w), *_one_ratio(b, w, n, n * (k - 1), k)
    elif form[0] == "2":
        single = _over(b - e, b + (k - 1) * e + k * (j - e) / n)
        low, high = _two_way(b, j, e, n, k, single)
    else:
        single = _over(b - e, b + (k - 1) * e)
        low, high = _one_ratio(b, e, n, (n - 1) * (k - 1), k)
    if form.endswith("k"):
        single, low, high = (_of_the_mean(v, k) for v in (single, low, high))
    return Icc(form=form, value=float(single), low=float(low), high=float(high))


def _over(top: float, bottom: float) -> float:
    return top / bottom if bottom else float("nan")


def _of_the_mean(single: float, k: int) -> float:
    return _over(k * single, 1 + (k - 1) * single)


def _f(df1: float, df2: float) -> float:
    from scipy.stats import f

    return float(f.ppf(0.975, df1, df2))


def _one_ratio(between: float, error: float, n: int, df_error: int, k: int):
    if error == 0:
        return (1.0, 1.0) if between else (float("nan"), float("nan"))
    ratio = between / error
    lower, upper = ratio / _f(n - 1, df_error), ratio * _f(df_error, n - 1)
    return _over(lower - 1, lower + k - 1), _over(upper - 1, upper + k - 1)


def _two_way(b, j, e, n, k, rho):
    if e == 0 or np.isnan(rho):
        return (1.0, 1.0) if j == 0 else (float("nan"), float("nan"))
    ratio = j / e
    term = n * (1 + (k - 1) * rho) - k * rho
    top = (k - 1) * (n - 1) * (k * rho * ratio + term) ** 2
    df = top / ((n - 1) * k**2 * rho**2 * ratio**2 + term**2)
    rest = k * j + (k * n - k - n) * e
    upper, lower = _f(n - 1, df), _f(df, n - 1)
    return n * (b - upper * e) / (upper * rest + n * b), n * (lower * b - e) / (
        rest + n * lower * b
    )


def smallest_detectable_change(sem: float) -> float:
    """Change between two measurements that error alone passes 1 time in 20: 1.96 sqrt(2) SEM."""
    return float(NORMAL_95 * np.sqrt(2) * sem)


def repeatability(values, form: Literal["agreement", "consistency"] = "agreement") -> Repeatability:
    """Standard error of measurement and smallest detectable change of a table (n, k).

    agreement : SD of all values times sqrt(1 - ICC(2,1)): contains shifts between sessions, as
        a camera set up anew brings them.
    consistency : root of the residual mean square: leaves such shifts out.

    Raises ValueError for a table that is too small or has missing values.
    """
    ms = mean_squares(values)
    if form == "consistency":
        sem, basis = np.sqrt(ms.residual), "square root of the residual mean square"
    else:
        sd = float(np.std(np.asarray(values, float), ddof=1))
        share = icc(values, "2,1").value
        sem = 0.0 if np.isnan(share) else sd * np.sqrt(max(1 - share, 0.0))
        basis = "SD of all values times sqrt(1 - ICC(2,1))"
    return Repeatability(sem=float(sem), mdc95=smallest_detectable_change(float(sem)), basis=basis)


def limits_of_agreement(first, second, multiple: float = NORMAL_95) -> Agreement:
    """Bland and Altman's limits of agreement of first minus second, each of shape (n,).

    The intervals of the limits take s sqrt(1/n + multiple^2 / (2 (n - 1))) as their standard
    error (Bland and Altman 1999), those of the mean s / sqrt(n), with Student's t.

    Raises ValueError for fewer than 2 pairs, unequal lengths or missing values.
    """
    from scipy.stats import t

    a, b = np.asarray(first, float), np.asarray(second, float)
    if a.shape != b.shape or a.ndim != 1 or len(a) < 2:
        raise ValueError("needs two lists of equal length, at least 2 pairs")
    difference = a - b
    if not np.isfinite(difference).all():
        raise ValueError("there are missing values; leave those pairs out")
    n = len(a)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    factor = float(t.ppf(0.975, n - 1))
    of_mean = factor * sd / np.sqrt(n)
    of_limit = factor * sd * np.sqrt(1 / n + multiple**2 / (2 * (n - 1)))
    lower, upper = mean - multiple * sd, mean + multiple * sd
    return Agreement(
        n=n,
        multiple=multiple,
        mean=mean,
        sd=sd,
        lower=lower,
        upper=upper,
        mean_interval=(float(mean - of_mean), float(mean + of_mean)),
        lower_interval=(float(lower - of_limit), float(lower + of_limit)),
        upper_interval=(float(upper - of_limit), float(upper + of_limit)),
    )
