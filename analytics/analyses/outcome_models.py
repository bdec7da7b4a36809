"""The models that answer for each kind of outcome; the first of a kind is the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import stats

from analytics.analyses.design import Design
from analytics.errors import NotEstimableError
from analytics.stats.count_families import (
    CONWAY_MAXWELL_POISSON,
    GENERALISED_POISSON,
    ZERO_TRUNCATED_POISSON,
    CountFamily,
)
from analytics.stats.count_fits import fit_family
from analytics.stats.counts import log_linear, logistic
from analytics.stats.cox import CoxFit, cox
from analytics.stats.interval_regression import interval_regression
from analytics.stats.lifetime_families import WEIBULL
from analytics.stats.marginal import MarginalFit
from analytics.stats.spells import FEW_CLUSTERS, as_spells
from analytics.stats.steps import fit_steps


@dataclass(frozen=True)
class Fitted:
    """Coefficients of the columns of a design, on the log scale.

    Parameters
    ----------
    coefficients
        (p,).
    covariance, naive
        (p, p), robust to clusters, and as if rows were independent.
    degrees
        Of the t that limits rest on; infinite where the normal is used.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    naive: np.ndarray
    degrees: float

    @property
    def se(self) -> np.ndarray:
        """Return the standard errors, robust to clusters."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))


@dataclass(frozen=True)
class Data:
    """A design with its outcome, and whether each clinic has a baseline of its own."""

    design: Design
    by_clinic: bool = False

    def column(self, name: str) -> np.ndarray:
        """Return a numeric column of the rows."""
        return self.design.rows[name].to_numpy(dtype=float, na_value=np.nan)

    @property
    def child(self) -> np.ndarray:
        """Return the child of every row."""
        return self.design.rows["child"].to_numpy()


Model = Callable[[Data], Fitted]


def fit_hazards(data: Data) -> Fitted:
    """Cox's model, each clinic with its own baseline where clinics are adjusted for."""
    strata = data.design.rows["clinic"].to_numpy() if data.by_clinic else None
    return from_cox(fit_cox(data, strata))


def fit_one_baseline(data: Data) -> Fitted:
    """Cox's model with one baseline for all clinics."""
    return from_cox(fit_cox(data, None))


def fit_intervals(data: Data) -> Fitted:
    """Weibull's model on the interval between the last visit free of the event and the visit."""
    entry, end = data.column("entry_days"), data.column("time_days")
    if entry.any():
        # Time anew from where observation begins, which for these models is the origin.
        end = end - entry
    free = data.column("free_days") - entry
    is_event = data.column("event") == 1
    left = np.where(is_event, np.clip(np.nan_to_num(free), 0, end - 1), end)
    fit = interval_regression(
        left,
        np.where(is_event, end, np.inf),
        data.design.matrix,
        family=WEIBULL,
        cluster=data.child,
    )
    # log HR = -b / scale, by the delta method on (b, log scale).
    p = data.design.matrix.shape[1]
    beta, scale = fit.coefficients[1 : p + 1], fit.scale
    slope = np.column_stack([np.zeros(p), -np.eye(p) / scale, beta / scale])
    robust, naive = (slope @ part @ slope.T for part in (fit.covariance, fit.covariance_naive))
    return Fitted(-beta / scale, robust, naive, _degrees(fit.n_clusters))


def fit_rates(data: Data) -> Fitted:
    """Events per time followed, log-linear."""
    time = data.column("time_days") - data.column("entry_days")
    fit = log_linear(data.column("event"), _constant(data), cluster=data.child, exposure=time)
    return _marginal(fit)


def fit_log_linear(data: Data) -> Fitted:
    """Log-linear mean, rows of a child correlated; of a yes or no: modified Poisson."""
    fit = log_linear(
        data.column("event"), _constant(data), cluster=data.child, exposure=data.column("size")
    )
    return _marginal(fit)


def fit_independent(data: Data) -> Fitted:
    """The same with rows weighed as independent; errors still clustered."""
    fit = log_linear(
        data.column("event"),
        _constant(data),
        cluster=data.child,
        exposure=data.column("size"),
        exchangeable=False,
    )
    return _marginal(fit)


def fit_logistic(data: Data) -> Fitted:
    """Log-odds."""
    return _marginal(logistic(data.column("event"), _constant(data), cluster=data.child))


def fit_steps_of(data: Data) -> Fitted:
    """Chance of correction at each cast: a ratio below 1 stands for more casts.

    Rows with ``is_unfinished`` count for as long as they went.
    """
    model = fit_steps(
        data.column("event"),
        1 - data.column("is_unfinished"),
        data.design.matrix,
        cluster=data.child,
    )
    fit, p = model.fit, data.design.matrix.shape[1]
    own = slice(fit.coefficients.size - p, None)
    robust, naive = (part[own, own] for part in (fit.covariance, fit.plain_covariance))
    return Fitted(fit.coefficients[own], robust, naive, float(fit.degrees))


def _fit_count_family(data: Data, family: CountFamily) -> Fitted:
    fit = fit_family(data.column("event"), _constant(data), family=family, cluster=data.child)
    inner = slice(1, data.design.matrix.shape[1] + 1)
    return Fitted(
        fit.coefficients[inner],
        fit.robust_covariance[inner, inner],
        fit.covariance[inner, inner],
        _degrees(fit.n_clusters),
    )


#: Kind of outcome to its models by name; the first is the answer, the others its sensitivity.
MODELS: dict[str, dict[str, Model]] = {
    "time": {
        "cox": fit_hazards,
        "one_baseline": fit_one_baseline,
        "weibull_interval": fit_intervals,
        "rates": fit_rates,
    },
    "share": {
        "modified_poisson": fit_log_linear,
        "independent": fit_independent,
        "logistic": fit_logistic,
    },
    "ratio": {"log_linear": fit_log_linear, "independent": fit_independent},
    "mean": {"log_linear": fit_log_linear, "independent": fit_independent},
    "casts": {
        "log_linear": fit_log_linear,
        "independent": fit_independent,
        "generalised_poisson": partial(_fit_count_family, family=GENERALISED_POISSON),
        "conway_maxwell_poisson": partial(_fit_count_family, family=CONWAY_MAXWELL_POISSON),
        "zero_truncated_poisson": partial(_fit_count_family, family=ZERO_TRUNCATED_POISSON),
    },
}


def default_model(kind: str) -> Model:
    """Return the model that answers for a kind of outcome."""
    return next(iter(MODELS[kind].values()))


def ratios(fitted: Fitted) -> dict[str, np.ndarray]:
    """Return exponentiated coefficients with 95% limits, and p of no effect."""
    half = stats.t.ppf(0.975, fitted.degrees) * fitted.se
    beta = fitted.coefficients
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2 * stats.t.sf(np.abs(beta / fitted.se), fitted.degrees)
    return {
        "estimate": np.exp(beta),
        "lower": np.exp(beta - half),
        "upper": np.exp(beta + half),
        "p": p,
    }


def fit_cox(data: Data, strata: np.ndarray | None) -> CoxFit:
    """Return Cox's model itself, for what is taken further than its coefficients."""
    entry = data.column("entry_days")
    spells = as_spells(
        data.column("time_days"),
        data.column("event") == 1,
        entry=entry if entry.any() else None,
        cluster=data.child,
    )
    return cox(spells, data.design.matrix, strata=strata)


def from_cox(fit: CoxFit) -> Fitted:
    """Return the coefficients of Cox's model."""
    return Fitted(fit.coefficients, fit.covariance, fit.covariance_naive, _degrees(fit.n_clusters))


def _degrees(n_clusters: int) -> float:
    return float(n_clusters - 1) if n_clusters < FEW_CLUSTERS else float("inf")


def _marginal(fit: MarginalFit) -> Fitted:
    inner = slice(1, None)
    return Fitted(
        fit.coefficients[inner],
        fit.covariance[inner, inner],
        # As independent rows with the variance that was seen: what clusters change is left.
        fit.plain_covariance[inner, inner] * fit.dispersion,
        float(fit.degrees),
    )


def _constant(data: Data) -> np.ndarray:
    matrix = data.design.matrix
    if not matrix.shape[1]:
        raise NotEstimableError("constant_covariate", n_rows=len(matrix))
    return np.column_stack([np.ones(len(matrix)), matrix])
