"""Regression on looks at lives: the fit behind every score.

What a record does not say is summed over: install years given as a range, materials not recorded,
what the camera missed or saw wrongly, and which segment of a line an overall verdict meant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from models.arrow import Arrow
from models.atoms import Predictors
from models.errors import ModelInputError
from models.fitted_lives import FittedLives, GroupEffects, linear_predictors
from models.groups import Groups
from models.likelihood import Derivatives, LooksLikelihood
from models.looks import Detection, FloatArray, IntArray, LifeLooks, LineLooks, single_candidates
from models.newton import GAIN_TOLERANCE, Optimum, maximise
from models.patterns import kinds_of_rows
from models.priors import (
    FIRST_SD,
    Extrapolation,
    Prior,
    Ridge,
    resolve_prior,
    updated_prior,
    updated_width,
)

#: Rounds of choosing prior widths, and the relative change of a width at which they stop.
WIDTH_ROUNDS = 100
WIDTH_TOLERANCE = 1e-3
#: While widths are still being chosen the mode need not be found to more than this [log-likelihood units].
ROUND_TOLERANCE = 1e-4
#: A coefficient this uncertain [log units squared] is not determined by anything.
LARGEST_VARIANCE = 1e4
#: Where the search starts for the log odds of failing from the start: about 5 %.
START_LOG_ODDS = -3.0
#: What the coefficients speak of, in their order.
PARTS = ("hazard", "shape", "start")

__all__ = [
    "Detection",
    "FittedLives",
    "GroupEffects",
    "LifeLooks",
    "LifeRegression",
    "LineLooks",
    "Ridge",
    "single_candidates",
]


class LifeRegression:
    """Regression on looks at lives under a law of life, marginal over what the records do not say.

    A life fails at age T with S(a) = P(T > a) as `models.laws` has it, h = X·β and log shape = Z·γ; under the
    Weibull S(a) = exp(-exp(X·β) (a / 40)^shape), and covariates multiply the hazard. Its looks at ages a_1 <= … <= a_m called r_1 … r_m have probability
    Σ_j c_j [S(a_j) - S(a_{j+1})] with a_0 = 0, a_{m+1} = inf and
    c_j = Π_{i<=j} P(r_i | sound) Π_{i>j} P(r_i | failed); P(bad | failed) = sensitivity and
    P(bad | sound) = 1 - specificity. That is averaged over install years (5 Gauss-Legendre nodes where
    the range is wider than half a year, else its middle) and over the candidates for its covariates.
    A line of several lives is one life whose failure time is the least of its members'; the install
    quantile is shared along the line, because segments of one line were mostly laid together.

    Some pipe is bad from the start, laid without fall or broken in the trench: ageing does not explain it.
    With W given, S(a) is (1 - δ) times that for every a > 0, with log odds of δ = W·ω.

    Lives of one group (a subdivision, built by one builder in one soil) fail alike for reasons that no covariate
    names. With groups given the hazard (or odds) of each is multiplied by e^b, b drawn together by N(0, sd²), with sd
    chosen from the data: a shared frailty (Clayton 1978, Biometrika 65:141; Hougaard 2000, Analysis of
    Multivariate Survival Data, ch. 7; from memory), fitted by penalised likelihood (Ripatti & Palmgren 2000,
    Biometrics 56:1016; from memory). Leaving it out flattens the curve, for the groups that fail late are those
    still seen sound, and states ranges that are too narrow.

    With sensitivity = specificity = 1, exact install years and one candidate this is exactly
    interval-censored Weibull regression.

    Parameters
    ----------
    ridges : sequence of Ridge
        Gaussian priors; a coefficient in none of them is estimated freely.
    detection : Detection
        How often a look tells the truth; default always.
    law : str
        Law of life, one of `models.laws.LAWS`.
    max_iterations : int
        Newton steps allowed.

    Examples
    --------
    >>> life, row, probability = single_candidates([0, 0, 0, 0])
    >>> looks = LifeLooks(
    ...     candidate_life=life, candidate_row=row, candidate_probability=probability,
    ...     install_min=[1950.0] * 4, install_max=[1950.0] * 4,
    ...     look_life=[0, 1, 2, 3], look_year=[1970.0, 1990.0, 2000.0, 2010.0],
    ...     look_bad=[False, False, True, True],
    ... )  # fmt: skip
    >>> priors = (Ridge(terms=("hazard: all",), sd=1.0, mean=0.0), Ridge(terms=("shape: all",), sd=0.5, mean=1.0))
    >>> fit = LifeRegression(ridges=priors).fit([[1.0]], [[1.0]], looks, X_names=["all"], Z_names=["all"])
    >>> fit.status
    'ok'
    """

    def __init__(
        self,
        *,
        ridges: Sequence[Ridge] = (),
        detection: Detection | None = None,
        law: str = "weibull",
        max_iterations: int = 100,
    ) -> None:
        self.ridges = tuple(ridges)
        self.detection = detection or Detection()
        self.law = law
        self.max_iterations = max_iterations

    def fit(
        self,
        X: ArrayLike,
        Z: ArrayLike,
        looks: LifeLooks,
        line_looks: LineLooks | None = None,
        *,
        X_names: Sequence[str] | None = None,
        Z_names: Sequence[str] | None = None,
        W: ArrayLike | None = None,
        W_names: Sequence[str] | None = None,
        group: ArrayLike | None = None,
        start: FloatArray | None = None,
        near: FittedLives | None = None,
        near_rounds: int = 0,
    ) -> FittedLives:
        """Fit by Newton's method with analytic gradient and Hessian.

        Parameters
        ----------
        X : array, shape (n_rows, p)
            Covariates of log hazard, with the intercept column if one is wanted. Rows are what
            `looks.candidate_row` points to; many lives may share one. Give distinct rows: the cost
            grows with distinct (row, ages, results), and ages may be rounded (to 0.25 y, say) before.
        Z : array, shape (n_rows, q)
            Covariates of log shape.
        looks : LifeLooks
            Lives and their own looks.
        line_looks : LineLooks, optional
            Looks that have a verdict for a line of several lives only. A life may be in several line
            looks; those over the same members are treated jointly.
        X_names, Z_names, W_names : sequence of str, optional
            Names of the columns; default "x0", "x1", …, "z0", … and "w0", ….
        W : array, shape (n_rows, r), optional
            Covariates of the log odds of having failed from the start; without it no pipe has.
        group : array of int, shape (n_rows,), optional
            Group of each covariate row, 0, 1, …, or -1 where it belongs to none. All candidates of a life
            and all lives of a line must share theirs.
        start : ndarray, shape (p + q + r,), optional
            Coefficients to begin at, such as those of a fit to nearly the same looks.
        near : FittedLives, optional
            A fit of the same terms and groups to begin at, whose widths of priors are kept instead of chosen anew.
        near_rounds : int
            Rounds of choosing widths anew after all, beginning at those of `near`.

        Returns
        -------
        FittedLives

        Raises
        ------
        ModelInputError
            If shapes do not match, X or Z is not finite, `candidate_row` is out of range, a Ridge
            names an unknown term, a life or line is of two groups, or there is no such law.
        """
        given = {"X": X, "Z": Z} if W is None else {"X": X, "Z": Z, "W": W}
        designs = tuple(_covariates(array, name) for name, array in given.items())
        n_rows = len(designs[0])
        for name, design in zip(given, designs, strict=True):
            if len(design) != n_rows:
                raise ModelInputError(
                    f"X has {n_rows} rows and {name} has {len(design)}; they must be the same rows."
                )
        if looks.candidate_row.max(initial=-1) >= n_rows:
            raise ModelInputError(
                f"candidate_row points beyond the {n_rows} rows of X.",
                row=int(np.argmax(looks.candidate_row >= n_rows)),
            )
        names = _term_names(designs, (X_names, Z_names, W_names))
        prior = resolve_prior(self.ridges, names)
        groups = None if group is None else _groups(group, n_rows)
        # Rows of lives that nobody looked at have no part in the fit, and may be most of them.
        used, row = np.unique(looks.candidate_row, return_inverse=True)
        first, kind = kinds_of_rows([design[used] for design in designs])
        designs = tuple(design[used[first]] for design in designs)
        looks = replace(looks, candidate_row=row)
        groups = None if groups is None else Groups(groups.of_row[used], groups.n)
        problem = _Problem(
            designs,
            kind,
            LooksLikelihood(looks, line_looks, self.detection, groups, self.law),
            looks,
            line_looks,
        )
        status, reason = problem.objection(prior)
        if status:
            return self._result(problem, names, prior, None, status, reason)
        # Matrices are long and narrow: threads would spend ten times what they save.
        with threadpool_limits(1, user_api="blas"):
            if near is None:
                begin = problem.start(prior) if start is None else start
                x = np.concatenate((begin, np.zeros(problem.n_groups)))
                optimum, prior, sd = self._optimise(problem, prior, FIRST_SD, x, WIDTH_ROUNDS)
            else:
                prior = replace(prior, sd=near.prior_sd)
                sd = FIRST_SD if near.effects is None else near.effects.sd
                optimum, prior, sd = self._optimise(problem, prior, sd, near.mode, near_rounds)
        status, reason = _verdict_on(optimum, names)
        return self._result(problem, names, prior, (optimum, sd), status, reason)

    def _optimise(
        self, problem: _Problem, prior: Prior, sd: float, x: FloatArray, rounds: int
    ) -> tuple[Optimum[Arrow], Prior, float]:
        """Alternate between the mode and the widths that are to be chosen from the data."""
        p, chosen = len(prior.mean), prior.group >= 0
        chooses = rounds > 0 and (prior.is_estimated or problem.n_groups > 0)
        extrapolation = Extrapolation()
        for _ in range(rounds if chooses else 0):
            optimum = problem.mode(prior, sd, x, self.max_iterations, ROUND_TOLERANCE)
            x = optimum.x
            if not optimum.converged:
                break
            curvature = optimum.hessian.negated()
            covariance = np.asarray(np.linalg.inv(curvature.reduced()), dtype=np.float64)
            wider, new = updated_prior(prior, x[:p], covariance), sd
            if problem.n_groups:
                new = updated_width(sd, x[p:], curvature.tip_of_inverse(covariance))
            old = np.log(np.append(prior.sd[chosen], sd))
            found = np.log(np.append(wider.sd[chosen], new))
            leapt = np.exp(extrapolation.next(found))
            widths = prior.sd.copy()
            widths[chosen], sd = leapt[:-1], float(leapt[-1])
            prior = replace(prior, sd=widths)
            if np.abs(found - old).max() < WIDTH_TOLERANCE:
                break
        return problem.mode(prior, sd, x, self.max_iterations), prior, sd

    def _result(
        self,
        problem: _Problem,
        names: tuple[str, ...],
        prior: Prior,
        found: tuple[Optimum[Arrow], float] | None,
        status: str,
        reason: str,
    ) -> FittedLives:
        p = len(names)
        coef, covariance = np.full(p, np.nan), np.full((p, p), np.nan)
        log_likelihood = log_marginal = float("nan")
        effects = None
        if found is not None:
            optimum, sd = found
            coef = optimum.x[:p]
            log_likelihood = problem.log_likelihood(optimum.x)
            if status == "ok":
                curvature = optimum.hessian.negated()
                covariance = np.linalg.inv(curvature.reduced())
                covariance = (covariance + covariance.T) / 2.0
                log_marginal = prior.log_marginal(optimum.value, -curvature.reduced())
                if problem.n_groups:
                    log_marginal -= float(problem.n_groups * np.log(sd) + 0.5 * np.log(curvature.tip).sum())
                    error = np.sqrt(curvature.tip_of_inverse(covariance))
                    effects = GroupEffects(
                        value=optimum.x[p:], standard_error=error, sd=sd, curvature=curvature
                    )
        return FittedLives(
            status=status,
            reason=reason,
            names=names,
            coef=coef,
            covariance=covariance,
            log_likelihood=log_likelihood,
            log_marginal=log_marginal,
            prior_sd=prior.sd,
            converged=found is not None and found[0].converged,
            n_lives=problem.n_lives,
            n_looks=problem.n_looks,
            n_bad=problem.n_bad,
            excluded_lives=problem.system.excluded_lives,
            detection=self.detection,
            law=self.law,
            n_hazard=problem.designs[0].shape[1],
            n_shape=problem.designs[1].shape[1],
            effects=effects,
        )


class _Problem:
    """Log posterior as a function of coefficients and group effects, and what the records can support."""

    def __init__(
        self,
        designs: tuple[FloatArray, ...],
        kind: IntArray,
        system: LooksLikelihood,
        looks: LifeLooks,
        line_looks: LineLooks | None,
    ) -> None:
        self.designs, self.kind = designs, kind
        self.system = system
        self.n_coef = sum(design.shape[1] for design in designs)
        self.n_groups = 0 if system.groups is None else system.groups.n
        self._known: tuple[FloatArray, Derivatives] | None = None
        line_bad = np.zeros(0, dtype=np.bool_) if line_looks is None else line_looks.line_bad
        in_line = np.zeros(0, dtype=np.int64) if line_looks is None else line_looks.member_life
        self.n_lives = len(np.union1d(looks.look_life, in_line))
        self.n_looks = looks.n_looks + len(line_bad)
        self.n_bad = int(looks.look_bad.sum() + line_bad.sum())

    def objection(self, prior: Prior) -> tuple[str, str]:
        """Why these records cannot be fitted without priors, or two empty strings."""
        if self.n_looks == 0 or not (self.system.weight > 0).any():
            return "no_looks", "No look at any pipe can be used."
        if prior.is_proper:
            return "", ""
        if self.n_bad == 0:
            return "no_failures", f"None of {self.n_looks} looks was bad: the curve has no upper end."
        if self.n_bad == self.n_looks:
            return "all_failed", f"All {self.n_looks} looks were bad: the curve has no lower end."
        return "", ""

    def predictors(self, x: FloatArray) -> Predictors:
        """Predictors of all rows at coefficients and effects."""
        at = linear_predictors(self.designs, x[: self.n_coef]).take(self.kind)
        groups = self.system.groups
        if groups is None:
            return at
        return replace(at, log_hazard=at.log_hazard + np.append(x[self.n_coef :], 0.0)[groups.of_row])

    def log_likelihood(self, x: FloatArray) -> float:
        return self.system.value(self.predictors(x))

    def mode(
        self,
        prior: Prior,
        sd: float,
        start: FloatArray,
        max_steps: int,
        tolerance: float = GAIN_TOLERANCE,
    ) -> Optimum[Arrow]:
        """Maximise log-likelihood plus log prior."""
        p = self.n_coef

        def derivatives(x: FloatArray) -> tuple[float, FloatArray, Arrow]:
            found = self._likelihood(x)
            coef, effects = x[:p], x[p:]
            pull = np.concatenate((prior.precision * (coef - prior.mean), effects / sd**2))
            stiffness = Arrow(
                -np.diag(prior.precision),
                np.zeros((self.n_groups, p)),
                np.full(self.n_groups, -1.0 / sd**2),
            )
            value = found.value + prior.log_density(coef) - 0.5 * float(effects @ effects) / sd**2
            return value, found.gradient - pull, found.hessian + stiffness

        return maximise(derivatives, start, max_steps=max_steps, tolerance=tolerance)

    def _likelihood(self, x: FloatArray) -> Derivatives:
        """Derivatives of the log-likelihood; those last asked for are kept, for a new prior begins where they are."""
        if self._known is None or not np.array_equal(self._known[0], x):
            self._known = (x.copy(), self.system.derivatives(self.predictors(x), self.designs, self.kind))
        return self._known[1]

    def start(self, prior: Prior) -> FloatArray:
        """The best of a few flat curves, so that no pattern starts out hopeless."""
        to_hazard, to_shape, *to_start = (
            np.linalg.lstsq(A, np.ones(len(A)), rcond=None)[0] for A in self.designs
        )
        middle = float(np.median(self.system.atom_log_age)) if len(self.system.atom_log_age) else 0.0
        tried = [
            np.concatenate(
                (
                    -to_hazard * shape * (middle + np.log(stretch)),
                    to_shape * np.log(shape),
                    *(START_LOG_ODDS * ones for ones in to_start),
                )
            )
            for stretch in (0.7, 1.2, 2.0, 4.0)
            for shape in (1.0, 2.5)
        ]
        tried.append(prior.mean.copy())
        average = np.zeros(self.n_groups)
        values = [
            self.log_likelihood(np.concatenate((coef, average))) + prior.log_density(coef) for coef in tried
        ]
        return tried[int(np.argmax(values))]


def _covariates(given: ArrayLike, name: str) -> FloatArray:
    array = np.ascontiguousarray(given, dtype=np.float64)
    if array.ndim != 2:
        raise ModelInputError(f"{name} must have rows and columns, not shape {array.shape}.")
    if not np.isfinite(array).all():
        raise ModelInputError(
            f"{name} holds a value that is not finite.", row=int(np.argmax(~np.isfinite(array).all(1)))
        )
    return array


def _groups(given: ArrayLike, n_rows: int) -> Groups:
    group = np.asarray(given, dtype=np.int64)
    if group.shape != (n_rows,):
        raise ModelInputError(f"group must have one entry for each of the {n_rows} rows of X.")
    n = int(group.max(initial=-1)) + 1
    return Groups(np.where(group < 0, n, group), n)


def _term_names(designs: tuple[FloatArray, ...], given: tuple[Sequence[str] | None, ...]) -> tuple[str, ...]:
    names: list[str] = []
    for design, letter, part, own in zip(designs, "XZW", PARTS, given, strict=False):
        columns = (
            tuple(own) if own is not None else tuple(f"{letter.lower()}{i}" for i in range(design.shape[1]))
        )
        if len(columns) != design.shape[1]:
            raise ModelInputError(
                f"{letter} has {design.shape[1]} columns but {len(columns)} names were given."
            )
        names += [f"{part}: {name}" for name in columns]
    return tuple(names)


def _verdict_on(optimum: Optimum[Arrow], names: tuple[str, ...]) -> tuple[str, str]:
    """Whether the mode stands, in one word and one sentence."""
    curvature, axes = np.linalg.eigh(optimum.hessian.negated().reduced())
    if curvature[0] <= 1.0 / LARGEST_VARIANCE:
        term = names[int(np.argmax(np.abs(axes[:, 0])))]
        return (
            "not_identified",
            f"These records cannot tell the size of '{term}'; give it a prior or drop it.",
        )
    if not optimum.converged:
        return "not_converged", f"The fit had not settled after {optimum.n_steps} steps."
    return "ok", ""
