"""How well a camera tells failed from sound, known only about: rates with a prior, learnt beside the curves.

Sensitivity and specificity are two more unknowns. Records speak of them where looks at one pipe contradict each
other (`models.repeat_looks`). `models.lives` fits at given rates; here fits at neighbouring rates are put together.
Called by `pipeline.steps.camera_rates`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from itertools import product

import numpy as np
from scipy.optimize import minimize
from scipy.special import betaincinv, ndtr, ndtri

from models.errors import ModelInputError
from models.fitted_lives import FittedLives
from models.looks import Detection, FloatArray
from models.normal import deviations
from models.repeat_looks import SMALLEST_CHANCE, RepeatLooks

#: Nearest to certainty that an uncertain rate is tried: at 1 some looks would be impossible, and fits no longer of
#: the same records.
LARGEST_RATE = 1.0 - 1e-6
#: Sensitivity and specificity that are tried add up to this at least: at 1 a look says nothing.
SMALLEST_SUM = 1.01
#: Distance of neighbours for differences, in standard deviations.
NEIGHBOUR = 0.5
#: Where the rates found lie further off than so many times the neighbours, fits are made anew around them, their
#: widths of priors too; so often at most.
FAR, ROUNDS = 1.5, 4
#: Records may make a rate less certain than its prior, by this part of the prior's precision at most.
LEAST_PRECISION = 0.5
#: Nodes by rate of the averages over the posterior.
N_NODES = 24
NO_NEIGHBOUR = "The fit did not settle at the camera rates around those of the settings."


@dataclass(frozen=True, kw_only=True)
class RateBelief:
    """A rate, and how many looks at pipe of known state it is worth.

    Parameters
    ----------
    mean : float, in (0, 1]
        Expected rate.
    looks : float
        As sure as a share that was counted on so many looks: the prior is Beta(looks · mean, looks · (1 - mean)).
        Infinite: the rate is certain, as it is with a mean of 1.

    Raises
    ------
    ModelInputError
        If the mean lies outside (0, 1] or `looks` is not above 0.
    """

    mean: float
    looks: float = float("inf")

    def __post_init__(self) -> None:
        """Refuse what is no rate."""
        if not 0.0 < self.mean <= 1.0:
            raise ModelInputError(f"a rate is {self.mean}; it must be above 0 and at most 1.")
        if not self.looks > 0.0:
            raise ModelInputError(f"a rate is worth {self.looks} looks; it must be more than 0.")

    @property
    def is_certain(self) -> bool:
        """Whether nothing can be learnt about it."""
        return self.mean == 1.0 or not np.isfinite(self.looks)

    def at(self, score: FloatArray) -> FloatArray:
        """Rate at normal scores: a standard normal score has the prior as its law.

        Parameters
        ----------
        score : ndarray
            Normal scores; 0 is the prior's median.
        """
        if self.is_certain:
            return np.full(np.shape(score), self.mean)
        a, b = self.looks * self.mean, self.looks * (1.0 - self.mean)
        # Either tail from its own side, which keeps the digits of a chance near 1.
        low, high = betaincinv(a, b, ndtr(score)), 1.0 - betaincinv(b, a, ndtr(-score))
        rate: FloatArray = np.minimum(np.where(np.asarray(score) < 0.0, low, high), LARGEST_RATE)
        return rate


@dataclass(frozen=True, kw_only=True)
class RatesPosterior:
    """What is known of sensitivity and specificity after the records: normal in the normal scores of the priors.

    Attributes
    ----------
    beliefs : tuple of RateBelief
        Priors of sensitivity and specificity.
    score, covariance : ndarray, shape (2,) and (2, 2)
        Of the normal scores; a certain rate has score 0 and no variance.
    """

    beliefs: tuple[RateBelief, RateBelief]
    score: FloatArray
    covariance: FloatArray

    def rates(self, scores: FloatArray) -> FloatArray:
        """Sensitivity and specificity at normal scores, shape (n, 2)."""
        return np.column_stack([belief.at(scores[:, k]) for k, belief in enumerate(self.beliefs)])

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean, shape (2,), and covariance, shape (2, 2), of the rates, by Gauss-Hermite quadrature."""
        node, weight = np.polynomial.hermite_e.hermegauss(N_NODES)
        scores = np.array(list(product(node, node)))
        chance = np.outer(weight, weight).ravel() / weight.sum() ** 2
        values, axes = np.linalg.eigh(self.covariance)
        rate = self.rates(self.score + scores @ (axes * np.sqrt(np.maximum(values, 0.0))).T)
        certain = [belief.is_certain for belief in self.beliefs]
        mean = np.where(certain, [belief.mean for belief in self.beliefs], chance @ rate)
        apart = np.where(certain, 0.0, rate - mean)
        return mean, apart.T @ (apart * chance[:, None])

    def detection(self) -> Detection:
        """Mean rates."""
        mean, _ = self.moments()
        return _detection(mean)

    def range(self, level: float = 0.95) -> FloatArray:
        """Range of each rate, shape (2, 2): rows are sensitivity and specificity, columns lower and upper end."""
        reach = ndtri(0.5 + level / 2.0) * np.sqrt(np.diag(self.covariance))
        ends = [self.rates((self.score + sign * reach)[None, :])[0] for sign in (-1.0, 1.0)]
        return np.column_stack(ends)

    def draws(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draw n pairs of rates, shape (n, 2)."""
        return self.rates(self.score + deviations(self.covariance, n, rng))


@dataclass(frozen=True, kw_only=True)
class FittedWithRates(FittedLives):
    """A fit of lives at the mean of camera rates that are themselves uncertain.

    `covariance`, `standard_error` and `draws` hold what the rates' uncertainty adds.

    Attributes
    ----------
    at_mean : FittedLives
        The fit at the mean rates, as if these were certain.
    rates : RatesPosterior
        What is known of the rates after the records.
    by_rate : ndarray, shape (n_all, 2)
        How coefficients and groups' effects move with sensitivity and specificity.
    """

    at_mean: FittedLives
    rates: RatesPosterior
    by_rate: FloatArray

    def draws(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draw coefficients and effects: the rates first, then the rest given them."""
        mean, _ = self.rates.moments()
        moved = (self.rates.draws(n, rng) - mean) @ self.by_rate.T
        return self.at_mean.draws(n, rng) + moved


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A fit of lives at given camera rates, and what it says of pipe that was looked at several times.

    Attributes
    ----------
    fitted : FittedLives
    failed, dug_out : ndarray, shape (n_looks,)
        As in `RepeatLooks.log_likelihood`; not used where the fit does not stand.
    """

    fitted: FittedLives
    failed: FloatArray
    dug_out: FloatArray


def fit_with_rates(
    trial: Callable[[Detection, FittedLives | None], Trial],
    repeats: RepeatLooks,
    sensitivity: RateBelief,
    specificity: RateBelief,
) -> tuple[FittedLives, RatesPosterior]:
    """Fit lives where the camera's rates are known only about.

    Parameters
    ----------
    trial : callable
        Fits lives at given rates: `trial(detection, near)`, near as in `LifeRegression.fit`.
    repeats : RepeatLooks
        Looks at pipe that was looked at several times: they tell of the rates.
    sensitivity, specificity : RateBelief
        What is known of the rates beforehand.

    Returns
    -------
    tuple of FittedLives and RatesPosterior
        The fit, a `FittedWithRates` where some rate is uncertain and the fit stands; and what is known of the
        rates after it: the prior, where the fit does not stand.

    Notes
    -----
    The rates are integrated out by nested Laplace approximations (Tierney & Kadane 1986, Journal of the American
    Statistical Association 81:82; Rue, Martino & Chopin 2009, Journal of the Royal Statistical Society B 71:319;
    from memory): a fit of the curves at given rates, and a normal posterior of the rates in the normal scores of
    their priors, in which a prior is exactly standard normal. So records without repeat looks leave the Beta prior
    as it was. Only later looks at a pipe inform the rates, see `RepeatLooks.log_likelihood`; all looks inform the
    curves given the rates. Coefficients, and log cumulative hazards at the repeat looks, are taken to move with the
    rates along a straight line, found from a fit at a neighbouring rate each, which keeps its widths of priors.
    """
    beliefs = (sensitivity, specificity)
    free = np.array([not belief.is_certain for belief in beliefs])
    prior = RatesPosterior(beliefs=beliefs, score=np.zeros(2), covariance=np.diag(free.astype(np.float64)))
    found = prior
    here = np.array([belief.mean for belief in beliefs])
    middle = trial(_detection(here), None)
    if not free.any() or middle.fitted.status != "ok":
        return middle.fitted, prior
    for _ in range(ROUNDS):
        slopes = _slopes(trial, here, found, middle)
        if slopes is None:
            return replace(middle.fitted, status="not_converged", reason=NO_NEIGHBOUR), prior
        updated = _updated(found, repeats, here, middle, slopes)
        by_rate = slopes.mode
        mean, _ = updated.moments()
        is_near = np.abs(mean - here) <= FAR * slopes.apart
        middle = trial(_detection(mean), middle.fitted if is_near.all() else None)
        here, found = mean, updated
        if is_near.all():
            break
    return _put_together(middle.fitted, found, by_rate), found


def carried_over(part: FittedLives, whole: FittedLives) -> FittedLives:
    """Add to a fit of all records what a part of them told of the camera's rates.

    Parameters
    ----------
    part : FittedLives
        Fit to a part of the records by `fit_with_rates`.
    whole : FittedLives
        Fit of the same terms and groups to all records, at the mean rates that the part told.

    Returns
    -------
    FittedLives
        Groups that the part has no record of are taken to move with the rates like its average group.
    """
    if not isinstance(part, FittedWithRates):
        return whole
    by_rate, p = part.by_rate.copy(), len(part.coef)
    unseen = np.flatnonzero(part.mode[p:] == 0.0) + p
    seen = np.flatnonzero(part.mode[p:] != 0.0) + p
    if len(seen):
        by_rate[unseen] = part.by_rate[seen].mean(axis=0)
    return _put_together(whole, part.rates, by_rate)


@dataclass(frozen=True)
class _Slopes:
    """Slope by each rate: of coefficients and effects, of log hazards at the looks, of log shares standing.

    `apart` is how far the neighbours are.
    """

    apart: FloatArray
    mode: FloatArray
    log_hazard: FloatArray
    log_standing: FloatArray


def _slopes(
    trial: Callable[[Detection, FittedLives | None], Trial],
    here: FloatArray,
    found: RatesPosterior,
    middle: Trial,
) -> _Slopes | None:
    """Differences to one neighbour for each uncertain rate; None where a fit does not stand.

    The neighbour is a better camera: under a worse one all that it calls failed may pass for false calls, and no
    pipe for failed, whatever the rate.
    """
    _, spread = found.moments()
    every = np.minimum(NEIGHBOUR * np.sqrt(np.diag(spread)), (1.0 - here) / 2.0)
    columns = []
    for apart, axis in zip(every, np.eye(2), strict=True):
        near = trial(_detection(here + apart * axis), middle.fitted) if apart else middle
        if near.fitted.status != "ok" or middle.fitted.status != "ok":
            return None
        columns.append(
            [
                (by(near) - by(middle)) / (apart or 1.0)
                for by in (lambda one: one.fitted.mode, _log_hazard, _log_standing)
            ]
        )
    return _Slopes(every, *(np.column_stack(pair) for pair in zip(*columns, strict=True)))


def _log_hazard(of: Trial) -> FloatArray:
    chance = np.clip(of.failed, SMALLEST_CHANCE, 1.0 - SMALLEST_CHANCE)
    result: FloatArray = np.log(-np.log1p(-chance))
    return result


def _log_standing(of: Trial) -> FloatArray:
    result: FloatArray = np.log(np.maximum(1.0 - of.dug_out, SMALLEST_CHANCE))
    return result


def _updated(
    prior: RatesPosterior, repeats: RepeatLooks, here: FloatArray, middle: Trial, slopes: _Slopes
) -> RatesPosterior:
    """Posterior of the rates: its mode by a search, its covariance from differences there."""
    free = np.flatnonzero([not belief.is_certain for belief in prior.beliefs])
    log_hazard, log_standing = _log_hazard(middle), _log_standing(middle)

    def loss(score: FloatArray) -> float:
        every = np.zeros(2)
        every[free] = score
        rates = prior.rates(every[None, :])[0]
        failed = -np.expm1(-np.exp(log_hazard + slopes.log_hazard @ (rates - here)))
        dug_out = 1.0 - np.exp(np.minimum(log_standing + slopes.log_standing @ (rates - here), 0.0))
        found = repeats.log_likelihood(failed, dug_out, _detection(rates))
        return 0.5 * float(score @ score) - found

    start = prior.score[free]
    best = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-6})
    values, axes = np.linalg.eigh(_hessian(loss, best.x))
    score, covariance = np.zeros(2), np.zeros((2, 2))
    score[free] = best.x
    covariance[np.ix_(free, free)] = (axes / np.maximum(values, LEAST_PRECISION)) @ axes.T
    return replace(prior, score=score, covariance=covariance)


def _hessian(loss: Callable[[FloatArray], float], at: FloatArray) -> FloatArray:
    """Second derivatives by differences over a good part of a standard deviation, which is found on the way."""
    k, unit = len(at), np.eye(len(at))
    step, middle = np.full(k, NEIGHBOUR), loss(at)
    for _ in range(2):
        bend = [loss(at + s * e) + loss(at - s * e) - 2.0 * middle for s, e in zip(step, unit, strict=True)]
        step = np.minimum(NEIGHBOUR * step / np.sqrt(np.maximum(bend, LEAST_PRECISION * step**2)), 1.0)
    bend = [loss(at + s * e) + loss(at - s * e) - 2.0 * middle for s, e in zip(step, unit, strict=True)]
    hessian = np.diag(bend)
    if k == 2:
        both = loss(at + step) + loss(at - step) - 2.0 * middle
        hessian[0, 1] = hessian[1, 0] = (both - bend[0] - bend[1]) / 2.0
    result: FloatArray = hessian / np.outer(step, step)
    return result


def _detection(rates: FloatArray) -> Detection:
    """Rates as a Detection, kept from saying nothing."""
    specificity = float(rates[1])
    return Detection(sensitivity=max(float(rates[0]), SMALLEST_SUM - specificity), specificity=specificity)


def _put_together(found: FittedLives, rates: RatesPosterior, by_rate: FloatArray) -> FittedLives:
    """The fit at the mean rates, with what the rates' uncertainty adds to its own."""
    if found.status != "ok":
        return found
    _, spread = rates.moments()
    added = by_rate @ spread @ by_rate.T
    p = len(found.coef)
    effects = found.effects
    if effects is not None:
        error = np.sqrt(effects.standard_error**2 + np.diag(added)[p:])
        effects = replace(effects, standard_error=error)
    as_is = {field.name: getattr(found, field.name) for field in fields(found)}
    as_is |= {"covariance": found.covariance + added[:p, :p], "effects": effects}
    return FittedWithRates(**as_is, at_mean=found, rates=rates, by_rate=by_rate)
